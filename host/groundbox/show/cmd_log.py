"""`groundbox log`: records every board found, estimates, warns."""

import time
from pathlib import Path

import click
from rich.console import Console

from groundbox.link.serial_link import Clocks
from groundbox.link.source import Arrivals
from groundbox.service.service import Service
from groundbox.service.tracker import NO_NUMPY, estimator_class
from groundbox.settings import Settings
from groundbox.show.lines import LASTS_MEANS
from groundbox.show.options import chosen_settings, database_to_write, settings_options
from groundbox.show.recording import record, sources_of, stop_signals
from groundbox.show.screen import Screen
from groundbox.show.sound import Sounder
from groundbox.store import Store

EXAMPLE = """
\b
Examples:
  groundbox log
  groundbox log --port /dev/ttyACM0 --database bog.db

Stop it with Ctrl-C. Kill it or pull the plug, and nothing a board was told to be
stored is lost. Meanwhile, from another terminal: groundbox now, groundbox mark,
groundbox acknowledge.
"""


@click.command(epilog=EXAMPLE)
@settings_options
@click.option(
    "--port", "ports", multiple=True, help="Serial port or pattern; again for more. Else the settings', else all."
)
def command(settings_file: Path | None, database: Path | None, ports: tuple[str, ...]) -> None:
    """Record every board found, warn, and show one line a box."""
    chosen = chosen_settings(settings_file, database)
    clocks = Clocks(wall_s=time.time, monotonic_s=time.monotonic)
    arrivals = Arrivals()
    sources = sources_of(chosen, arrivals, clocks, ports)
    screen = Screen(Console(highlight=False), Sounder(chosen.sound), f"{LASTS_MEANS}; Ctrl-C ends")
    with Store(database_to_write(chosen)) as store, stop_signals() as stop, screen:
        service = Service(chosen, store, arrivals, sources, clocks, screen)
        for line in opening(chosen, ports, screen.sounder.means, service):
            screen.say(time.time(), line)
        record(service, stop)
        screen.say(time.time(), f"ended; all is kept in {chosen.database_path}")


def opening(chosen: Settings, ports: tuple[str, ...], sound: str, service: Service) -> list[str]:
    """What a person should know at the start."""
    where = ", ".join(ports or chosen.ports or ["every USB serial port"])
    brokers = "".join(f", broker {broker.host}" for broker in chosen.brokers)
    lines = [
        f"recording to {chosen.database_path}; sound: {sound}",
        f"listening on {where}{brokers}",
        f"settings: {chosen.file or 'none, so boxes appear by themselves and runtime stays unknown'}",
    ]
    if estimator_class() is None:
        lines.append(NO_NUMPY)
    for name, follower in service.followers.items():
        if follower.tracker:
            lines.append(
                f"{name} holds battery {follower.tracker.battery} (if not: groundbox mark swap {name} BATTERY)"
            )
        elif name in chosen.boxes:
            lines.append(f"{name}: runtime stays unknown, {follower.why_not}")
    return lines

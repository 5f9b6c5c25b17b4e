"""`groundbox log`: records every board found, estimates, advises."""

import os
import sys
import time
from contextlib import ExitStack
from pathlib import Path

import click
from rich.console import Console

from groundbox.errors import BadInput
from groundbox.link.clock import Clocks
from groundbox.link.source import Arrivals
from groundbox.monitor.recorder import Recorder
from groundbox.monitor.shown import Output, OutputList
from groundbox.monitor.tracker import NO_NUMPY, estimator_class
from groundbox.monitor.worker import Worker
from groundbox.settings import Settings
from groundbox.store import Store, shown
from groundbox.ui.bridge.metrics import Metrics
from groundbox.ui.bridge.start import Bridged, bridges_of, own_broker
from groundbox.ui.options import PAGE_PORT, chosen_settings, database_to_write, settings_options
from groundbox.ui.recording import Stop, Terminal, broker_of, record, shared_sources, sources_of, stop_signals
from groundbox.ui.screen import RUNTIME_MEANS, Screen
from groundbox.ui.sound import Sounder

EXAMPLE = """
\b
Examples:
  groundbox log
  groundbox log --port /dev/ttyACM0 --database bog.db
  groundbox log --store postgresql://pilot@club/boxes    into PostgreSQL
  groundbox log --page --day bog_day.toml    a live page for this computer's browser
  groundbox log --page --lan                 and for phones on this network, by passphrase
  groundbox log --broker                     and a broker for boxes that report over MQTT

Stop it with Ctrl-C. After a power failure too, every record that was confirmed to
a board is stored. From another terminal: groundbox now, groundbox mark,
groundbox acknowledge.
"""


@click.command(epilog=EXAMPLE)
@settings_options
@click.option(
    "--port", "ports", multiple=True, help="Serial port or pattern; again for more. Else the settings', else all."
)
@click.option("--page", "with_page", is_flag=True, help="Also serve the live page, to this computer only.")
@click.option("--lan", is_flag=True, help="With --page: also to this network, by passphrases shown as QR codes.")
@click.option(
    "--page-port", type=click.IntRange(0, 65535), default=PAGE_PORT, show_default=True, help="Port of the page."
)
@click.option("--broker", "with_broker", is_flag=True, help="Also run a broker for boxes on a network; see own_broker.")
@click.option(
    "--share",
    metavar="NAME",
    help="Share boxes at the brokers with other programs of the same --share; each launch concerns one box then.",
)
@click.option("--day", type=click.Path(path_type=Path, dir_okay=False), help="Day file for the page's plan.")
@click.option("--keep", is_flag=True, help="Continue to record when the terminal is closed.")
def command(
    settings_file: Path | None,
    database: Path | str | None,
    ports: tuple[str, ...],
    with_page: bool,
    lan: bool,
    page_port: int,
    with_broker: bool,
    share: str | None,
    day: Path | None,
    keep: bool,
) -> None:
    """Record every board found, warn, and show one line a box."""
    if (lan or day) and not with_page:
        raise BadInput("--lan" if lan else "--day", "", "goes with the page: add --page")
    if share is not None and (ports or not share.isalnum()):
        raise BadInput(
            "--share",
            share,
            "is not allowed; type a name of letters and digits, and no --port: boxes on a cable are not shared",
        )
    if keep and sys.platform == "win32":
        raise BadInput("--keep", "", "is not possible on Windows; leave it out, and leave the window open")
    chosen = chosen_settings(settings_file, database)
    clocks = Clocks(wall_s=time.time, monotonic_s=time.monotonic)
    arrivals = Arrivals()
    brokers = [broker_of(chosen, number) for number in range(len(chosen.brokers))]
    publish_to = [broker for broker, entry in zip(brokers, chosen.brokers, strict=True) if entry.warnings]
    terminal = Terminal(sys.stdout)
    sounder = Sounder(chosen.sound, terminal.file)
    screen = Screen(Console(file=terminal.file, highlight=False), sounder, f"{RUNTIME_MEANS}; Ctrl-C ends")
    with (
        terminal,
        Store(database_to_write(chosen), shared=share is not None) as store,
        stop_signals(keep) as stop,
        screen,
        ExitStack() as more,
    ):
        outputs: list[Output] = [screen]
        lines: list[str] = []
        metrics = Metrics()
        if with_broker or chosen.own_broker:
            inside, way_in, lines = own_broker(chosen)
            more.enter_context(inside)
            brokers, publish_to = [*brokers, way_in], [*publish_to, way_in]
        page = None
        if with_page:
            from groundbox.ui.page.serve import Page, PageOutput

            page = more.enter_context(Page(chosen, time.time, port=page_port, lan=lan, day=day, metrics=metrics.text))
            outputs.append(PageOutput(page, screen.say))
            screen.sounder.elsewhere = page.has_sound
            lines += page.opening()
        outputs.append(more.enter_context(Bridged(screen.say, [metrics, *bridges_of(chosen, publish_to)])))
        output = OutputList(outputs)
        if share is not None:
            divided = shared_sources(chosen, arrivals, clocks, share, brokers)
            recorder: Recorder = Worker(chosen, store, arrivals, divided, clocks, output)
        else:
            sources = sources_of(chosen, arrivals, clocks, ports, brokers)
            recorder = Recorder(chosen, store, arrivals, sources, clocks, output)
        if page:
            page.send = recorder.command
        for line in opening(chosen, ports, screen.sounder.means, recorder) + lines:
            screen.say(time.time(), line)
        record(recorder, stop, lambda: say_closed(screen, stop))
        if store.waiting:
            words = f"ended; {store.waiting} items are NOT in {store.name}; boards with a key send them again"
            screen.say(time.time(), words)
            raise SystemExit(1)
        screen.say(time.time(), f"ended; all is stored in {store.name}")


def say_closed(screen: Screen, stop: Stop) -> None:
    """Says once that the terminal was closed."""
    if stop.terminal_closed:
        stop.terminal_closed = False
        words = f"the terminal was closed; recording continues; to end it type: kill {os.getpid()}"
        screen.say(time.time(), words)


def opening(chosen: Settings, ports: tuple[str, ...], sound: str, recorder: Recorder) -> list[str]:
    """What a person should know at the start."""
    where = ", ".join(ports or chosen.ports or ["every USB serial port"])
    brokers = "".join(f", broker {broker.host}" for broker in chosen.brokers)
    lines = [
        f"recording to {shown(chosen.store)}; sound: {sound}",
        f"listening on {where}{brokers}",
        f"settings: {chosen.file or 'none, so boxes appear by themselves and runtime stays unknown'}",
    ]
    if estimator_class() is None:
        lines.append(NO_NUMPY)
    for name, follower in recorder.followers.items():
        if follower.tracker:
            lines.append(
                f"{name} holds battery {follower.tracker.battery} (if not: groundbox mark swap {name} BATTERY)"
            )
        elif name in chosen.boxes:
            lines.append(f"{name}: runtime stays unknown, {follower.why_not}")
    return lines

"""`groundbox board battery`: gives a board the table of its box's battery, for flights without a host."""

import json
from pathlib import Path

import click

from groundbox.battery.limits import RuntimeLimits
from groundbox.errors import BadInput
from groundbox.monitor.from_store import profile_of
from groundbox.monitor.loads import declared_amps
from groundbox.settings import Settings
from groundbox.ui.cmd_board import done, port_argument, talking
from groundbox.ui.options import chosen_settings
from groundbox.wire.messages import fields_of

NOMINAL_VOLTS = 12.0
EXAMPLE = """
\b
Example: groundbox board battery /dev/ttyACM0

Type it again after another battery, cutoff, load, time home or reserve. The board then makes a cautious time until
turn-back at a launch without a host: from its voltage under load and the charge it counted last, whichever is less.
"""


@click.command(epilog=EXAMPLE)
@port_argument
@click.option("--battery", help="Name of the battery in the box; else that of the settings.")
@click.option(
    "--settings", "settings_file", type=click.Path(path_type=Path, dir_okay=False), help="Settings file; else as usual."
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(port: str | None, battery: str | None, settings_file: Path | None, as_json: bool) -> None:
    """Give the board at PORT the table of its battery, so that it counts minutes without a host."""
    chosen = chosen_settings(settings_file, None)
    with talking(port) as board:
        numbers = table_of(chosen, board.box, battery)
        names = [name for name, *_ in fields_of("battery_table")][2:]
        table = dict(zip(names, numbers, strict=True))
        done(board.ask("battery_table", **table))
        if as_json:
            click.echo(json.dumps({"box": board.box, **table}))
            return
        click.echo(f"box {board.box}: load {numbers[0] / 1000:.2f} A, time home and reserve {numbers[2] / 60:.0f} min")
        for mv, low_s in zip(numbers[3::2], numbers[4::2], strict=True):
            click.echo(f"  {mv / 1000:.2f} V under that load: turn back in {low_s // 60} min")


def table_of(settings: Settings, box: str, battery: str | None) -> tuple[int, ...]:
    """The table of a box's battery by its settings.

    Raises:
        BadInput: battery, loads or time home are not set, or a full battery does not last.
    """
    entry = settings.boxes.get(box)
    if entry is None:
        raise BadInput("groundbox.toml", box, f"is no box there; add [boxes.{box}] with battery and cutoff_volts")
    name = battery or entry.battery
    if name is None:
        raise BadInput("battery", "", f"none is set for box {box}; name it with --battery")
    profile = profile_of(settings, name)
    if isinstance(profile, str):
        raise BadInput("battery", name, profile)
    amps, home_min = declared_amps(entry.loads, NOMINAL_VOLTS, None), settings.flight.time_home_min
    if not amps:
        raise BadInput("loads", box, f"has none; add [[boxes.{box}.loads]] to groundbox.toml")
    if home_min is None:
        raise BadInput("flight.time_home_min", "", "is not set in groundbox.toml; add it")
    try:
        from groundbox.battery.board_table import board_table  # needs NumPy
    except ImportError:
        raise BadInput("table", "", "this computer has no NumPy; use another one") from None
    limits = RuntimeLimits(cutoff_volts=entry.cutoff_volts, lead_ohm=entry.lead_ohm)
    try:
        return board_table(profile, limits, amps, 60 * (home_min + entry.reserve_min))
    except ValueError as error:
        raise BadInput("battery", name, f"{error}; use a larger one, or less load") from None

"""`groundbox board settings`: the settings of a board, with ranges and meanings; and changes to them."""

import json

import click
import msgspec
from rich.console import Console
from rich.table import Table

from groundbox.errors import BadInput
from groundbox.maintenance import settings as board_settings
from groundbox.maintenance.dialogue import Dialogue
from groundbox.ui.board_port import done, port_argument, talking
from groundbox.wire.settings import SETTINGS

EXAMPLE = """
\b
Examples:
  groundbox board settings                                     all, of the only board that is plugged in
  groundbox board settings /dev/ttyACM0 fan_on_centi_c=3400 fan_off_centi_c=3000
  groundbox board settings box=mast                            the box's name

Whole numbers, in the unit in the name. The firmware checks the ranges, and so does this command.
"""


@click.command(epilog=EXAMPLE)
@port_argument
@click.argument("changes", nargs=-1, metavar="[NAME=VALUE]...")
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(port: str | None, changes: tuple[str, ...], as_json: bool) -> None:
    """Read all settings of the board at PORT with their ranges, or change some."""
    if port is not None and "=" in port:
        changes, port = (port, *changes), None
    wanted = board_settings.parse(changes)
    with talking(port) as board:
        values = read(board)
        if wanted:
            change(board, wanted, values)
            values = read(board)
        show(board.box, values, list(wanted), as_json)


def read(board: Dialogue) -> dict[str, int]:
    """The board's settings."""
    found = board.settings(len(SETTINGS))
    board.box = str(found["box"]["value"])
    return {name: int(str(answer["value"])) for name, answer in found.items() if name != "box"}


def change(board: Dialogue, wanted: dict[str, int | str], values: dict[str, int]) -> None:
    """Changes settings, in steps that the board accepts.

    Raises:
        BadInput: refused, here before anything is sent, or by the board.
    """
    if reason := board_settings.refusal(wanted, values):
        raise BadInput("settings", "", reason)
    steps = board_settings.path(wanted, values)
    if steps is None:
        raise BadInput(
            "settings", ", ".join(wanted), "the board would refuse each single change; change them in smaller steps"
        )
    for name, value in steps:
        done(board.ask("set", setting=name, value=str(value)))
    if "box" in wanted:  # last: answers carry the box's current name
        done(board.ask("set", setting="box", value=str(wanted["box"])))
        board.box = str(wanted["box"])


def show(box: str, values: dict[str, int], only: list[str], as_json: bool) -> None:
    """All settings, or those of `only`."""
    rows = [row for row in board_settings.rows(dict(values)) if not only or row.name in only]
    if as_json:
        click.echo(json.dumps({"box": box, "settings": msgspec.to_builtins(rows)}))
        return
    click.echo(f"box {box}")
    table = Table(box=None, pad_edge=False)
    for title in ("setting", "value", "range", "unit", ""):
        table.add_column(title, justify="right" if title == "value" else "left", no_wrap=title != "")
    for row in rows:
        value = "unknown" if row.value is None else str(row.value)
        table.add_row(row.name, value, f"{row.low} to {row.high}", row.unit, row.meaning)
    if rows:
        Console(highlight=False).print(table)

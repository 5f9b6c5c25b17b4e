"""`groundbox board settings`: read, change, save and restore the settings of a board."""

import json
from pathlib import Path

import click
import msgspec
from rich.console import Console
from rich.table import Table

from groundbox.errors import BadInput, StoreError
from groundbox.maintenance import settings as board_settings
from groundbox.ui.cmd_board import change, port_argument, read, talking
from groundbox.wire.settings import UNITS

SETTINGS_EXAMPLE = """
\b
Examples:
  groundbox board settings                                     all, of the only board that is plugged in
  groundbox board settings /dev/ttyACM0 fan_on_centi_c=3400 fan_off_centi_c=3000
  groundbox board settings box=mast                            the box's name
  groundbox board settings --save mast.toml
  groundbox board settings --restore mast.toml

Whole numbers, in the unit in the name. The firmware checks ranges and relations, and so does this command.
In flight the board refuses a change, unless you add --confirm.
"""


@click.command(epilog=SETTINGS_EXAMPLE)
@port_argument
@click.argument("changes", nargs=-1, metavar="[NAME=VALUE]...")
@click.option("--save", type=click.Path(path_type=Path, dir_okay=False), help="Write all settings to a new file.")
@click.option("--restore", type=click.Path(path_type=Path, dir_okay=False), help="Set all settings of a saved file.")
@click.option("--other-board", is_flag=True, help="Restore to a board with another name, without its calibration.")
@click.option("--confirm", is_flag=True, help="Change them in flight too.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def settings(
    port: str | None,
    changes: tuple[str, ...],
    save: Path | None,
    restore: Path | None,
    other_board: bool,
    confirm: bool,
    as_json: bool,
) -> None:
    """Read all settings of the board at PORT with their ranges, change some, save them or restore them."""
    if port is not None and "=" in port:
        changes, port = (port, *changes), None
    if bool(changes) + bool(save) + bool(restore) > 1:
        raise BadInput("settings", "", "give changes, --save or --restore; one at a time")
    wanted, mistakes = board_settings.parse(changes)
    saved = board_settings.restored(restore) if restore else None
    with talking(port) as board:
        before = read(board)
        if saved:
            wanted = _of_this_board(saved, board.box, before, other_board)
        if mistakes:
            words = dict(word.partition("=")[::2] for word in changes)
            problems = [f"{name} {_move(before, name, words.get(name, ''))}{mistakes[name]}" for name in mistakes]
            raise BadInput("settings", "", "; ".join([*problems, *board_settings.refusals(wanted, before)]))
        old_box = board.box
        values = before
        if wanted:
            change(board, wanted, before, "yes" if confirm else "no")
            values = read(board)
            if wrong := [name for name, value in wanted.items() if value != {**values, "box": board.box}[name]]:
                raise BadInput("board", ", ".join(wrong), "reads back another value; try again")
        if save:
            _save(save, board_settings.saved(board.box, values))
            click.echo(f"box {board.box}: {len(values)} settings are in {save}", err=True)
            return
        show(board.box, values, before if wanted else None, list(wanted), as_json)
        if "box" in wanted and not as_json:
            click.echo(f"box {old_box} -> {board.box}")


def _move(before: dict[str, int], name: str, text: str) -> str:
    return f"{before[name]} -> {text}: " if name in before else ""


def _of_this_board(
    saved: dict[str, int | str], box: str, values: dict[str, int], other_board: bool
) -> dict[str, int | str]:
    """The saved settings that differ; a calibration belongs to its own board."""
    if saved["box"] != box and not other_board:
        fix = "type --other-board to set all but its calibration, or rename this board first"
        raise BadInput("--restore", str(saved["box"]), f"is another box than {box}; {fix}")
    points = {f"{one}_{what}{n}_{unit}" for one, unit in UNITS.items() for what in ("raw", "true") for n in (1, 2)}
    skip = points if other_board else set()
    return {n: value for n, value in saved.items() if n != "box" and n not in skip and values.get(n) != value}


def _save(path: Path, text: str) -> None:
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise BadInput(path, "", "exists already; name a new file") from error
    except OSError as error:
        raise StoreError(f"{path}: cannot be written ({error.strerror})") from error


def show(box: str, values: dict[str, int], before: dict[str, int] | None, only: list[str], as_json: bool) -> None:
    """All settings, or those of `only` with their values before the change."""
    rows = [row for row in board_settings.rows(dict(values)) if not only or row.name in only]
    if as_json:
        old = {} if before is None else {"before": {row.name: before[row.name] for row in rows}}
        click.echo(json.dumps({"box": box, "settings": msgspec.to_builtins(rows)} | old))
        return
    click.echo(f"box {box}")
    table = Table(box=None, pad_edge=False)
    for title in ("setting", *(["before"] if before else []), "value", "range", "unit", ""):
        table.add_column(title, justify="right" if title in ("value", "before") else "left", no_wrap=title != "")
    for row in rows:
        value = "unknown" if row.value is None else str(row.value)
        old_value = [str(before[row.name])] if before else []
        table.add_row(row.name, *old_value, value, f"{row.low} to {row.high}", row.unit, row.meaning)
    if rows:
        Console(highlight=False).print(table)

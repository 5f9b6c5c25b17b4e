"""`groundbox mark` and `groundbox acknowledge`: what a person did, stored while `groundbox log` runs, or without it."""

import json
import sys
import time
from pathlib import Path

import click

from groundbox.advice.marks import FOR_AIRCRAFT, FOR_ALL, question
from groundbox.advice.words import CHARGE_CAUTIONS
from groundbox.errors import BadInput
from groundbox.model import Acknowledge, Mark, WarningChange
from groundbox.monitor.from_store import advice_now, batteries_in, change_to_undo
from groundbox.settings import Settings, is_address
from groundbox.store import Reader, hand_over
from groundbox.ui.options import chosen_settings, database_to_write, known_box, open_reader, settings_options
from groundbox.ui.screen import stamp
from groundbox.wire.messages import MARKS

EXAMPLE = """
\b
Examples:
  groundbox mark launch              the aircraft launches; concerns every box
  groundbox mark returning           the pilot is on the way home
  groundbox mark landing
  groundbox mark charge mast
  groundbox mark swap mast heath     the battery called heath is in mast now
  groundbox mark undo                takes the last mark back

A mark against advice is asked about once: answer, or add --confirm. With
`groundbox log --share`, launch, returning and landing name their box or a
group of groundbox.toml.
"""


@click.command(epilog=EXAMPLE)
@click.argument("kind", type=click.Choice([*MARKS, "undo"]))
@click.argument("box", required=False)
@click.argument("name", required=False)
@settings_options
@click.option("--confirm", is_flag=True, help="Record it without a question, also against advice.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object for each mark.")
def command(
    kind: str,
    box: str | None,
    name: str | None,
    settings_file: Path | None,
    database: Path | str | None,
    confirm: bool,
    as_json: bool,
) -> None:
    """Record a launch, return, landing, charge or swap now, or undo the last mark.

    BOX is needed for charge and swap. NAME is the battery put in, or the charger used.
    """
    chosen = chosen_settings(settings_file, database)
    where = database_to_write(chosen)
    wall_s = _now_s(chosen)
    if kind == "undo":
        marks = [_undo(chosen, box, wall_s)]
    else:
        name = _checked_name(chosen, kind, name)
        marks = [
            Mark(
                box=one,
                kind=kind,
                wall_s=wall_s,
                name=name,
                confirmed=_confirmed(chosen, kind, one, name, confirm),
            )
            for one in _boxes(chosen, kind, box)
        ]
    for mark in marks:
        hand_over(where, mark)
        _report(mark, as_json)


def _report(mark: Mark, as_json: bool) -> None:
    cautions = CHARGE_CAUTIONS if mark.kind == "charge" else ()
    if as_json:
        shown = {"box": mark.box, "mark": mark.kind, "name": mark.name, "confirmed": mark.confirmed}
        click.echo(json.dumps({**shown, "wall_s": round(mark.wall_s, 3), "cautions": cautions}))
        return
    where = "all boxes" if mark.box == FOR_ALL else mark.box
    what = f"{mark.name} is undone" if mark.kind == "undo" else f"{mark.kind} marked"
    name = f", {mark.name}" if mark.name and mark.kind != "undo" else ""
    click.echo(f"{stamp(mark.wall_s)} {where}: {what}{name}")
    if mark.kind == "swap" and mark.name is None:
        click.echo(f"Runtime stays unknown until you name the battery: groundbox mark swap {mark.box} BATTERY")
    for caution in cautions:
        click.echo(f"Caution: {caution}.")


def _boxes(chosen: Settings, kind: str, box: str | None) -> list[str]:
    """The boxes that a mark concerns.

    Raises:
        BadInput: none is named where one is needed, or no such box is known.
    """
    if box is not None and box in chosen.groups and kind in FOR_AIRCRAFT:
        return list(chosen.groups[box])
    if box is not None:
        return [known_box(chosen, box)]
    if kind not in FOR_AIRCRAFT:
        raise BadInput("box", "", f"a {kind} concerns one box; type: groundbox mark {kind} BOX")
    if chosen.database is not None and is_address(chosen.database):
        raise BadInput(
            "box", "", f"boxes are shared here; type: groundbox mark {kind} BOX, or a group of groundbox.toml"
        )
    return [FOR_ALL]


def _now_s(chosen: Settings) -> float:
    """The time by the clock of the recorder, where one runs."""
    real_s = time.time()
    if isinstance(chosen.store, Path) and not chosen.store.exists():
        return real_s
    with Reader(chosen.store) as reader:
        return advice_now(reader, real_s)[1]


def _undo(chosen: Settings, box: str | None, wall_s: float) -> Mark:
    with open_reader(chosen) as reader:
        last = change_to_undo(reader, wall_s, None if box is None else known_box(chosen, box))
    return Mark(box=last.box, kind="undo", wall_s=wall_s, name=last.kind)


def _confirmed(chosen: Settings, kind: str, box: str, name: str | None, confirm: bool) -> bool:
    """True when a person confirmed a mark against advice; False where nothing speaks against it.

    Raises:
        BadInput: it is against advice and nobody confirms it.
    """
    if isinstance(chosen.store, Path) and not chosen.store.exists():
        advice, batteries = None, {}
    else:
        with Reader(chosen.store) as reader:
            advice, batteries = advice_now(reader, time.time())[0], batteries_in(reader, chosen)
    shared = chosen.database is not None and is_address(chosen.database)
    asked = question(kind, box, name, advice, batteries, shared=shared)
    if asked is None or confirm:
        return asked is not None
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise BadInput(f"mark {kind}", "" if box == FOR_ALL else box, f"{asked} Add --confirm to record it")
    if not click.confirm(asked):
        raise SystemExit(1)
    return True


def _checked_name(chosen: Settings, kind: str, name: str | None) -> str | None:
    if name is None:
        return None
    if kind in FOR_AIRCRAFT:
        raise BadInput("name", name, f"a {kind} has no name; leave it out")
    if kind == "swap" and name not in chosen.batteries:
        known = ", ".join(chosen.batteries) or "none yet"
        raise BadInput("battery", name, f"no such battery in the settings (known: {known}); add [batteries.{name}]")
    return name


ACKNOWLEDGE_EXAMPLE = """
\b
Examples:
  groundbox acknowledge                   all warnings of all boxes
  groundbox acknowledge mast              all of box mast
  groundbox acknowledge mast fan_stalled  that one

A short press on a box's button does the same for that box.
"""


@click.command(epilog=ACKNOWLEDGE_EXAMPLE)
@click.argument("box", required=False)
@click.argument("warning", required=False)
@settings_options
@click.option("--json", "as_json", is_flag=True, help="One JSON object a warning.")
def acknowledge(
    box: str | None, warning: str | None, settings_file: Path | None, database: Path | str | None, as_json: bool
) -> None:
    """Silence the warnings of BOX, one WARNING, or all. They stay shown, and sound again when they get worse."""
    chosen = chosen_settings(settings_file, database)
    with open_reader(chosen) as reader:
        up_now = reader.open_warnings(known_box(chosen, box) if box else None)
        wall_s = advice_now(reader, time.time())[1]
    waiting = [one for one in up_now if one.change == "raised"]
    chosen_ones = [one for one in waiting if warning in (None, one.warning)]
    if warning is not None and not chosen_ones:
        up = ", ".join(one.warning for one in waiting) or "none"
        raise BadInput("warning", warning, f"is not open at {box}; open warnings: {up}")
    for one in chosen_ones:
        hand_over(chosen.store, Acknowledge(box=one.box, warning=one.warning, wall_s=wall_s))
        click.echo(
            json.dumps(_plain(one)) if as_json else f"acknowledged: {one.severity.upper()} {one.box}: {one.sentence}"
        )
    if not chosen_ones and not as_json:
        click.echo("no warning is open")


def _plain(one: WarningChange) -> dict[str, str]:
    return {"box": one.box, "warning": one.warning, "severity": one.severity, "sentence": one.sentence}

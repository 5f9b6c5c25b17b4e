"""`groundbox mark`: what a person did, noted in the database while `groundbox log` runs, or without it."""

import json
import time
from pathlib import Path

import click

from groundbox.advice.words import CHARGE_CAUTIONS
from groundbox.errors import BadInput
from groundbox.model import Mark
from groundbox.settings import Settings
from groundbox.store import hand_over
from groundbox.ui.options import chosen_settings, database_to_write, known_box, settings_options
from groundbox.ui.screen import stamp
from groundbox.wire.messages import MARKS

EXAMPLE = """
\b
Examples:
  groundbox mark launch mast
  groundbox mark charge mast
  groundbox mark swap mast heath     the battery called heath is in mast now

A launch or landing concerns the aircraft, so it counts for every box.
"""


@click.command(epilog=EXAMPLE)
@click.argument("kind", type=click.Choice(MARKS))
@click.argument("box")
@click.argument("name", required=False)
@settings_options
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(
    kind: str, box: str, name: str | None, settings_file: Path | None, database: Path | str | None, as_json: bool
) -> None:
    """Note a launch, landing, charge or swap at BOX, now. NAME is the battery put in, or the charger used."""
    chosen = chosen_settings(settings_file, database)
    mark = Mark(box=known_box(chosen, box), kind=kind, wall_s=time.time(), name=_checked_name(chosen, kind, name))
    hand_over(database_to_write(chosen), mark)
    cautions = CHARGE_CAUTIONS if kind == "charge" else ()
    if as_json:
        told = {"box": box, "mark": kind, "name": name, "wall_s": round(mark.wall_s, 3), "cautions": cautions}
        click.echo(json.dumps(told))
        return
    click.echo(f"{stamp(mark.wall_s)} {box}: {kind} marked{f', {name}' if name else ''}")
    if kind == "swap" and name is None:
        click.echo(f"Say which battery is in, for its runtime to be known: groundbox mark swap {box} BATTERY")
    for caution in cautions:
        click.echo(f"Caution: {caution}.")


def _checked_name(chosen: Settings, kind: str, name: str | None) -> str | None:
    if name is None:
        return None
    if kind in ("launch", "landing"):
        raise BadInput("name", name, f"a {kind} has no name; leave it out")
    if kind == "swap" and name not in chosen.batteries:
        known = ", ".join(chosen.batteries) or "none yet"
        raise BadInput("battery", name, f"no such battery in the settings (there are: {known}); add [batteries.{name}]")
    return name

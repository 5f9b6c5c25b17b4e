"""`groundbox acknowledge`: a person acknowledges warnings; they are silent and stay on the screen."""

import json
import time
from pathlib import Path

import click

from groundbox.errors import BadInput
from groundbox.model import Acknowledge, WarningChange
from groundbox.store import hand_over
from groundbox.ui.options import chosen_settings, known_box, open_reader, settings_options

EXAMPLE = """
\b
Examples:
  groundbox acknowledge                   all warnings of all boxes
  groundbox acknowledge mast              all of box mast
  groundbox acknowledge mast fan_stalled  that one

A short press on a box's button does the same for that box.
"""


@click.command(epilog=EXAMPLE)
@click.argument("box", required=False)
@click.argument("warning", required=False)
@settings_options
@click.option("--json", "as_json", is_flag=True, help="One JSON object a warning.")
def command(
    box: str | None, warning: str | None, settings_file: Path | None, database: Path | str | None, as_json: bool
) -> None:
    """Silence the warnings of BOX, one WARNING, or all. They stay shown, and sound again when they get worse."""
    chosen = chosen_settings(settings_file, database)
    with open_reader(chosen) as reader:
        up_now = reader.open_warnings(known_box(chosen, box) if box else None)
    waiting = [one for one in up_now if one.change == "raised"]
    chosen_ones = [one for one in waiting if warning in (None, one.warning)]
    if warning is not None and not chosen_ones:
        up = ", ".join(one.warning for one in waiting) or "none"
        raise BadInput("warning", warning, f"is not open at {box}; open warnings: {up}")
    for one in chosen_ones:
        hand_over(chosen.store, Acknowledge(box=one.box, warning=one.warning, wall_s=time.time()))
        click.echo(
            json.dumps(_plain(one)) if as_json else f"acknowledged: {one.severity.upper()} {one.box}: {one.sentence}"
        )
    if not chosen_ones and not as_json:
        click.echo("no warning is open")


def _plain(one: WarningChange) -> dict[str, str]:
    return {"box": one.box, "warning": one.warning, "severity": one.severity, "sentence": one.sentence}

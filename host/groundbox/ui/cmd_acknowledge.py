"""`groundbox acknowledge`: a person has seen the warnings; they fall silent and stay on the screen."""

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
    """Quiet warnings you have seen: of BOX, one WARNING, or all. They stay shown, and sound again if they get worse."""
    chosen = chosen_settings(settings_file, database)
    with open_reader(chosen) as reader:
        up_now = reader.open_warnings(known_box(chosen, box) if box else None)
    waiting = [one for one in up_now if one.change == "raised"]
    seen = [one for one in waiting if warning in (None, one.warning)]
    if warning is not None and not seen:
        up = ", ".join(one.warning for one in waiting) or "nothing"
        raise BadInput("warning", warning, f"does not wait to be seen at {box}; what does: {up}")
    for one in seen:
        hand_over(chosen.store, Acknowledge(box=one.box, warning=one.warning, wall_s=time.time()))
        click.echo(json.dumps(_told(one)) if as_json else f"seen: {one.severity.upper()} {one.box}: {one.sentence}")
    if not seen and not as_json:
        click.echo("no warning waits to be seen")


def _told(one: WarningChange) -> dict[str, str]:
    return {"box": one.box, "warning": one.warning, "severity": one.severity, "sentence": one.sentence}

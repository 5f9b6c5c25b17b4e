"""`groundbox now`: how things stand, from the database, whether or not `groundbox log` runs."""

import json
import shutil
import sys
import textwrap
import time
from pathlib import Path

import click
from rich.console import Console

from groundbox.errors import BadInput
from groundbox.monitor.board_limits import case_levels_c, celsius
from groundbox.monitor.snapshot import snapshot
from groundbox.monitor.view import BoxView
from groundbox.ui import lines
from groundbox.ui.follow import follow as show_again
from groundbox.ui.options import chosen_settings, open_reader, settings_options

EXAMPLE = """
\b
Examples:
  groundbox now
  groundbox now --follow      redrawn in place until Ctrl-C
  groundbox now --json --database bog.db
"""


@click.command(epilog=EXAMPLE)
@settings_options
@click.option("--json", "as_json", is_flag=True, help="One JSON array, an object a box; times in seconds since 1970.")
@click.option("--follow", is_flag=True, help="Go on until Ctrl-C: in place on a terminal, lines when piped.")
def command(settings_file: Path | None, database: Path | str | None, as_json: bool, follow: bool) -> None:
    """One line a box: turn-back time or runtime left, voltage, case, fans, warnings."""
    chosen = chosen_settings(settings_file, database)
    if follow:
        if as_json:
            raise BadInput("--follow", "", "goes without --json; call `groundbox now --json` again and again")
        with open_reader(chosen) as reader:
            show_again(lambda: snapshot(reader, chosen, time.time())[1], Console(highlight=False))
        return
    wall_s = time.time()
    with open_reader(chosen) as reader:
        _, views = snapshot(reader, chosen, wall_s)
    if as_json:
        click.echo(json.dumps([as_object(view) for view in views], indent=2))
        return
    if not views:
        click.echo("no box heard in the last 12 hours; is `groundbox log` running?")
    for view in views:
        click.echo(lines.line(view))
        for warning in lines.warnings(view):
            click.echo(_wrapped(warning))
    if views and all(view.state.is_silent for view in views):
        click.echo("nothing fresh from any box; is `groundbox log` running?")
    if any(view.runtime_s for view in views):
        click.echo(lines.LASTS_MEANS)


def _wrapped(words: str) -> str:
    """Indented, and on a terminal broken to its width."""
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else 10_000
    return textwrap.fill(words, width, initial_indent="  ", subsequent_indent="    ")


def as_object(view: BoxView) -> dict[str, object]:
    """One box for a program; None where unknown."""
    state, runtime = view.state, view.runtime_s or (None, None, None)
    estimate = view.estimate
    return {
        "box": state.box,
        "silent": state.is_silent,
        "last_heard_s": view.reading.wall_s if view.reading else None,
        "in_flight": state.in_flight,
        "turn_back_s": view.turn_back_s if state.in_flight else None,
        "runtime_low_s": runtime[0],
        "runtime_expected_s": runtime[1],
        "runtime_high_s": runtime[2],
        "runtime_limit": estimate.limit if estimate else None,
        "runtime_unknown_because": None if view.runtime_s else view.unknown_because,
        "day_last_landing_s": view.day.last_landing_s if view.day else None,
        "day_empty_low_s": view.day.empty_s if view.day else None,
        "loads": [
            {"load": one.name, "sheddable": one.sheddable, "on": one.on, "gained_s": one.gained_s} for one in view.loads
        ],
        "heaviest_load": state.heaviest_load,
        "heaviest_load_volts": state.heaviest_volts,
        "findings": list(state.findings),
        "soc": estimate.soc if estimate else None,
        "battery": view.battery,
        "battery_volts": state.battery_volts,
        "equipment_volts": state.equipment_volts,
        "battery_amps": view.reading.battery_amps if view.reading else None,
        "charging": state.charging,
        "case_c": state.case_c,
        "case_levels_c": case_levels_c(view.limits),
        "battery_levels_c": celsius(view.limits, "battery_cold_centi_c", "battery_warm_centi_c", "battery_hot_centi_c"),
        "fan_levels_c": celsius(view.limits, "fan_on_centi_c", "fan_off_centi_c"),
        "limits_told": bool(view.limits),
        "case_limit_c": view.heat.limit_c,
        "case_minutes_fans_stopped": view.heat.stopped_min,
        "case_minutes_fans_stopped_low": view.heat.stopped_low_min,
        "case_fitted": view.heat.fitted,
        "battery_c": state.battery_c,
        "fans": list(state.fans),
        "warnings": [
            {"warning": w.kind, "severity": w.severity, "sentence": w.sentence, "acknowledged": w.acknowledged}
            for w in view.warnings
        ],
    }

"""`groundbox case`: the heat model of a box's case, fitted to its logged sessions."""

import json
import math
import os
import time
from datetime import date, datetime
from pathlib import Path

import click
import msgspec

from groundbox.errors import BadInput
from groundbox.monitor.case_logs import OVER_S, CaseSession, Sun, rise_in, rows_of, sessions_of
from groundbox.plan.day import by_hour
from groundbox.plan.day_file import load_day
from groundbox.settings import Settings
from groundbox.thermal.case_file import CaseFile, load_case, save_case
from groundbox.thermal.filter_check import filter_notice
from groundbox.thermal.fit import CaseFit, fit
from groundbox.thermal.rows import HeatRow
from groundbox.ui.options import chosen_settings, known_box, open_reader, settings_options

MAX_SESSIONS = 4  # a fit takes about ten seconds for each hour
FANS = ("fans off", "one fan on", "both fans on")
HELD = (("air_j_per_k", "air and boards"), ("wall_j_per_k", "walls"))
CAUTIONS = (
    "A fitted case holds for weather and loads like those of its logs; an open lid or a new filter changes it.",
    "Fans do not make a closed box safe to charge in: charge in the open. Keep fingers and cables out of fans.",
)
EPILOG = """
\b
Examples:
  groundbox case fit mast --out mast_case.json
  groundbox case fit mast --out mast_case.json --sun bog_day.toml
  groundbox case show mast_case.json
Then, in groundbox.toml under [boxes.mast]: case = "mast_case.json"
"""


@click.group(epilog=EPILOG)
def command() -> None:
    """The heat model of a case: fitted to sessions, used live, in the rig and in plans."""


@command.command("fit", epilog="Example: groundbox case fit mast --out mast_case.json --since 2031-06-01")
@click.argument("box")
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="File to write the case to."
)
@click.option("--since", type=click.DateTime(["%Y-%m-%d"]), help="First day to use.")
@click.option("--until", type=click.DateTime(["%Y-%m-%d"]), help="Last day to use.")
@click.option(
    "--sun",
    "sun_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Day file whose [weather] sun by the hour was noted on these days; without it the sun is unknown heat.",
)
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
@settings_options
def fit_case(
    box: str,
    out: Path,
    since: datetime | None,
    until: datetime | None,
    sun_file: Path | None,
    as_json: bool,
    settings_file: Path | None,
    database: Path | None,
) -> None:
    """Fit the case of BOX to its latest four sessions that have case and intake temperature and power."""
    chosen = chosen_settings(settings_file, database)
    known_box(chosen, box)
    sun = _sun(sun_file)
    until_s = math.inf if until is None else until.timestamp() + 86400
    logs = _logs(chosen, box, 0.0 if since is None else since.timestamp(), until_s, sun)
    if not logs:
        raise BadInput(
            "box",
            box,
            "has no session with case, intake and power: add an intake sensor, and a current sensor or loads",
        )
    if not as_json:
        click.echo(f"fitting to {', '.join(session.name for session, _ in logs)} (takes a minute or two) ...", err=True)
    found = fit(row for _, rows in logs for row in rows)
    case = CaseFile(box=box, date=date.today(), fit=found)
    for session, rows in logs:
        if session.end_s < time.time() - OVER_S:
            case = rise_in(case, session, rows)
    save_case(out, case)
    _print(case, as_json)
    if not as_json:
        near = os.path.relpath(out, chosen.folder)
        click.echo(f'{out} written. To use it live: case = "{near}" under [boxes.{box}] in groundbox.toml')


@command.command(epilog="Example: groundbox case show mast_case.json")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def show(file: Path, as_json: bool) -> None:
    """Show a fitted case, its uncertainty, and the state of its filter by its sessions."""
    _print(load_case(file), as_json)


@command.command(epilog="Example: groundbox case cleaned mast_case.json")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
def cleaned(file: Path) -> None:
    """Note that the filter was cleaned: later sessions are compared with the first ones again."""
    case = load_case(file).cleaned()
    save_case(file, case)
    click.echo(f"{file}: noted; {len(case.sessions)} sessions with a clean filter are kept to compare with")


def _logs(
    chosen: Settings, box: str, since_s: float, until_s: float, sun: Sun
) -> list[tuple[CaseSession, list[HeatRow]]]:
    """The latest sessions with rows, oldest first."""
    found: list[tuple[CaseSession, list[HeatRow]]] = []
    with open_reader(chosen) as reader:
        for session in reversed(sessions_of(reader, since_s - 3600.0, until_s)):
            rows = rows_of(reader, chosen, box, session, sun)
            if rows:
                found.insert(0, (session, rows))
            if len(found) == MAX_SESSIONS:
                break
    return found


def _sun(file: Path | None) -> Sun:
    if file is None:
        return lambda wall_s: None
    hours = load_day(file).weather.sun

    def sun(wall_s: float) -> float | None:
        local = time.localtime(wall_s)
        return by_hour(hours, local.tm_hour * 60 + local.tm_min + local.tm_sec / 60)

    return sun


def _print(case: CaseFile, as_json: bool) -> None:
    notice = filter_notice(case.sessions)
    if as_json:
        rises = [dict(zip(("low", "expected", "high"), case.fit.rise_k_per_w(fans), strict=True)) for fans in (0, 1, 2)]
        values = msgspec.to_builtins(case)
        click.echo(json.dumps(values | {"rise_k_per_w": rises, "filter_notice": notice, "cautions": CAUTIONS}))
        return
    for line in [*_numbers(case), *_checks(case.fit), *_sessions(case, notice)]:
        click.echo(line)
    click.echo("\nBefore you act on this:")
    for caution in CAUTIONS:
        click.echo(f"  * {caution}")


def _numbers(case: CaseFile) -> list[str]:
    found = case.fit
    lines = [f"case of box {case.box}, from {found.minutes / 60:.1f} hours of logs, {case.date}", ""]
    lines.append(f"{'':<16}{'rise of the air, K/W':<34}5 % point / 95 % point")
    for fans, words in enumerate(FANS):
        low, expected, high = found.rise_k_per_w(fans)
        lines.append(f"{words:<16}{expected:<34.3f}{low:.3f} / {high:.3f}")
    for name, words in HELD:
        lines.append(f"heat held by {words:<18}{getattr(found.model, name) / 1000:8.2f} kJ/K  {_sure(found, name)}")
    lines.append(f"full sun on the lid{'':<12}{found.model.sun_watts:8.0f} W     {_sure(found, 'sun_watts')}")
    return lines


def _sure(found: CaseFit, name: str) -> str:
    if name in found.undetermined:
        return "(not determined by the logs: about as assumed)"
    return f"times or divided by {math.exp(1.645 * found.spread[name]):.2f}"


def _checks(found: CaseFit) -> list[str]:
    lines = [
        "",
        f"check: logged and modelled case differ by {found.residual_rms_k:.2f} K RMS, "
        f"maximum {found.residual_worst_k:.1f} K",
    ]
    if found.hidden_watts is not None:
        lines.append(f"check: up to {found.hidden_watts:.0f} W on the walls are in no log (probably sun)")
    return lines + [f"  * {remark}" for remark in found.remarks]


def _sessions(case: CaseFile, notice: str | None) -> list[str]:
    lines = [
        f"{one.name}  both fans on: {one.k_per_w:.3f} K/W, times or divided by {math.exp(1.645 * one.spread):.2f}"
        for one in case.sessions
    ]
    if notice:
        lines.append(f"NOTICE {notice}")
    return ["", *lines] if lines else []

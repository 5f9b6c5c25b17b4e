"""`groundbox battery`: a battery's profile, from its nameplate to the fit of its own discharges."""

import json
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from groundbox.battery.profile import BatteryProfile, checked, load_profile, profile_text, save_profile, without_points
from groundbox.errors import BadInput
from groundbox.settings import Settings
from groundbox.ui.cmd_battery_history import confirm, undo
from groundbox.ui.options import chosen_settings, known_box, note_unused, open_reader, settings_options
from groundbox.ui.recording import stop_signals
from groundbox.ui.sound import Sounder

if TYPE_CHECKING:
    from groundbox.ui.capacity import LiveTest

CAUTIONS = (
    "Discharge and charge in the open: lead-acid batteries give off hydrogen, mostly while charging.",
    "Fuse at the battery terminal; a short circuit through a tool or lead burns. Take off rings and watches.",
    "Do not charge a swollen, cracked, leaking, frozen or hot battery: take it to a recycler.",
    "Local rules and the advice of a licensed person come before these numbers.",
)


def check_same_battery(out: str, profile: BatteryProfile) -> None:
    """Refuses to write over the profile of another battery."""
    if not Path(out).exists():
        return
    there = load_profile(out)
    if (there.c20_ah, there.cells, there.label) != (profile.c20_ah, profile.cells, profile.label):
        raise BadInput(
            out, "", f"holds the profile of another battery ({there.label or f'{there.c20_ah:g} Ah'}); name a new file"
        )


@click.group()
def command() -> None:
    """A battery's profile: nameplate, data sheet, and the fit of its own logged discharges."""


def _print_json(value: object) -> None:
    click.echo(json.dumps(msgspec.to_builtins(value)))


def _caution() -> None:
    click.echo("\nBefore you act on this:")
    for sentence in CAUTIONS:
        click.echo(f"  * {sentence}")


@command.command(epilog="Example: groundbox battery new mast.toml --c20 9 --label 'mast 2' --in-service 2024-05-01")
@click.argument("file", type=click.Path())
@click.option("--c20", "c20_ah", type=float, required=True, help="Rated ampere-hours at the 20-hour rate.")
@click.option("--label", default="", help="What is written on it.")
@click.option("--cells", type=int, default=6, show_default=True, help="2 V cells in series.")
@click.option("--age", "age_years", type=float, help="Years in service.")
@click.option("--in-service", type=click.DateTime(["%Y-%m-%d"]), help="Date put in service.")
@click.option("--vented", is_flag=True, help="Flooded cells with caps.")
@click.option("--max-charge", "max_charge_amps", type=float, help="Highest charging current its sheet allows, amps.")
@click.option("--json", "as_json", is_flag=True, help="The profile as JSON.")
def new(
    file: str,
    c20_ah: float,
    label: str,
    cells: int,
    age_years: float | None,
    in_service: datetime | None,
    vented: bool,
    max_charge_amps: float | None,
    as_json: bool,
) -> None:
    """Write a battery's profile from its nameplate. Add [[discharge]] rows from the data sheet by hand."""
    if Path(file).exists():
        raise BadInput(file, "", "exists already; edit it, or choose another name")
    profile = BatteryProfile(
        c20_ah=c20_ah,
        label=label,
        cells=cells,
        age_years=age_years,
        in_service=None if in_service is None else in_service.date(),
        vented=vented,
        max_charge_amps=max_charge_amps,
    )
    save_profile(file, checked(profile, "groundbox battery new"))
    if as_json:
        _print_json(profile)
        return
    click.echo(f"{file} written:\n")
    click.echo(profile_text(profile))
    click.echo("A logged discharge improves it: groundbox battery fit LOG.csv --battery " + file)


@command.command(epilog="Example: groundbox battery show mast.toml")
@click.argument("file", type=click.Path())
@click.option("--json", "as_json", is_flag=True, help="The profile as JSON.")
def show(file: str, as_json: bool) -> None:
    """Show the profile, and how long the full battery lasts at several loads."""
    from groundbox.battery.runtime import outlook
    from groundbox.monitor.learn import improvement

    whole = load_profile(file)
    profile, words = without_points(whole), improvement(whole, Path(file), None)
    rows = outlook(profile)
    if as_json:
        _print_json({"profile": profile, "from_full": rows, "trust_improves": words, "cautions": CAUTIONS})
        return
    click.echo(profile_text(profile))
    click.echo(f"From full at 25 °C down to {rows[0].end_volts:.2f} V:\n")
    click.echo(f"{'amps':>9}  {'low':>9}  {'expected':>9}  {'high':>9}  hours")
    for row in rows:
        click.echo(f"{row.amps:9.2f}  {row.low_h:9.2f}  {row.expected_h:9.2f}  {row.high_h:9.2f}")
    if words:
        click.echo(f"\n{words[0].upper()}{words[1:]}.")
    _caution()


@command.command(epilog="Example: groundbox battery fit july.csv --date 2026-07-12 --battery mast.toml --out mast.toml")
@click.argument("logs", type=click.Path(), nargs=-1, required=True)
@click.option("--battery", "battery", type=click.Path(), required=True, help="The battery's profile.")
@click.option("--out", type=click.Path(), required=True, help="File to write the fitted profile to.")
@click.option("--date", "on", type=click.DateTime(["%Y-%m-%d"]), help="Day of these discharges; else today.")
@click.option("--json", "as_json", is_flag=True, help="The fit as JSON.")
def fit(logs: tuple[str, ...], battery: str, out: str, on: datetime | None, as_json: bool) -> None:
    """Learn capacity, resistance and recovery of one battery from logged discharges deeper than 40 %.

    Earlier fits in the profile still count; a discharge that the profile holds already is skipped. A discharge that
    begins with its log counts as begun full.
    """
    from groundbox.battery.fit import fitted_profile, is_known, refusal
    from groundbox.battery.logs import runs_in

    profile = load_profile(battery)
    check_same_battery(out, profile)
    runs = []
    for log in logs:
        note_unused(log)
        found = runs_in(log, profile)
        new = [run for run in found if not is_known(run, profile)]
        if len(new) < len(found):
            click.echo(f"groundbox: {log}: is in {battery} already; skipped", err=True)
        runs += new
    if not runs:
        raise BadInput(battery, "", "holds all of these discharges already; to fit again delete its [fitted] part")
    fitted = fitted_profile(profile, runs, (on or datetime.now()).date())
    if why := refusal(fitted, runs):
        raise BadInput(", ".join(logs), "", why)
    save_profile(out, fitted)
    curve = fitted.fitted
    assert curve is not None
    if as_json:
        rows = without_points(fitted).history[-len(runs) :]
        _print_json({"out": out, "fitted": curve, "runs": rows, "cautions": CAUTIONS})
        return
    earlier = f", beside {curve.runs - len(runs)} earlier" if curve.runs > len(runs) else ""
    click.echo(f"{len(runs)} discharge(s) used{earlier}.")
    click.echo(f"capacity at the 20-hour rate, 25 °C {curve.capacity_ah:8.1f} Ah  ± {2 * curve.capacity_sd_ah:.1f}")
    click.echo(f"of the rated {profile.c20_ah:g} Ah               {curve.capacity_ah / profile.c20_ah:8.0%}")
    click.echo(f"apparent resistance, half charged   {curve.resistance_mohm:8.1f} mΩ")
    click.echo(f"the curve follows the logs within   {1000 * curve.error_volts * profile.cells:8.0f} mV")
    click.echo(f"{out} written.")
    _caution()


@command.command(epilog="Example: groundbox battery health mast.toml")
@click.argument("file", type=click.Path())
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def health(file: str, as_json: bool) -> None:
    """Measured capacity over the battery's life, and whether to replace it (IEEE 1188: under 80 % of rated)."""
    from groundbox.battery.health import health as health_of

    profile = load_profile(file)
    found = health_of(profile)
    if as_json:
        _print_json({"health": found, "history": without_points(profile).history, "cautions": CAUTIONS})
        return
    for row in sorted(profile.history, key=lambda row: row.date):
        fraction = row.capacity_ah / profile.c20_ah
        click.echo(
            f"{row.date}  {row.capacity_ah:7.1f} Ah ± {2 * row.capacity_sd_ah:4.1f}  {fraction:5.0%}  "
            f"{row.resistance_mohm:7.1f} mΩ  {row.source}"
        )
    if found.per_year is not None and found.per_year_sd is not None:
        click.echo(f"trend: {100 * found.per_year:+.1f} % of rated capacity a year, ± {200 * found.per_year_sd:.1f}")
    click.echo(f"{profile.label or file}: {found.verdict}")
    _caution()


TEST_EPILOG = """
\b
Examples:
  groundbox battery test --box mast                 beside `groundbox log`: guides you step by step to the end voltage
  groundbox battery test evening.csv --battery mast.toml --out mast.toml     a finished log
"""


@command.command(epilog=TEST_EPILOG)
@click.argument("log", type=click.Path(), required=False)
@click.option("--box", help="Follow this box as `groundbox log` records it, in place of a LOG.")
@click.option("--battery", "battery", type=click.Path(), help="The battery's profile; with --box that of its battery.")
@click.option("--out", type=click.Path(), help="File to write the fitted profile to; with --box as --battery.")
@click.option("--json", "as_json", is_flag=True, help="As JSON; with --box one object a line.")
@settings_options
def test(
    log: str | None,
    box: str | None,
    battery: str | None,
    out: str | None,
    as_json: bool,
    settings_file: Path | None,
    database: Path | None,
) -> None:
    """Guide and judge a capacity test: full charge, an hour's rest, a steady load down to the end voltage.

    With --box it follows the box live, shows each next step, sounds when the end voltage is reached, and fits the
    profile. A finished LOG is judged the same way: against the rated capacity (IEEE 450 and 1188, by time, with the
    temperature factor). The fit narrows the band of the runtime.
    """
    if (log is None) == (box is None):
        raise BadInput("groundbox battery test", "", "give a LOG, or --box BOX to follow a box live, one of them")
    if box is not None:
        _test_live(chosen_settings(settings_file, database), box, battery, out, as_json)
        return
    if battery is None:
        raise BadInput("--battery", "", "is missing: give the profile of the battery in this log")
    assert log is not None
    _test_log(log, battery, out, as_json)


def _test_log(log: str, battery: str, out: str | None, as_json: bool) -> None:
    from groundbox.battery.fit import fitted_profile, is_known, refusal
    from groundbox.battery.logs import discharges, with_current
    from groundbox.ui.capacity import Guide, band_words

    profile = load_profile(battery)
    if out is not None:
        check_same_battery(out, profile)
    guide = Guide(profile)
    note_unused(log)
    steps = [report for sample in with_current(log) for report in guide.take(sample) if report.new]
    steps += guide.finish()
    after = None
    if guide.done:
        runs = [run for run in discharges(guide.discharge, profile, Path(log).name) if not is_known(run, profile)]
        after = fitted_profile(profile, runs, date.today()) if runs else None
        if after is not None and (why := refusal(after, runs)):
            raise BadInput(log, "", why)
        if after is not None and out is not None:
            save_profile(out, after)
    if as_json:
        _print_json({"step": guide.step, "steps": [report.step for report in steps], "cautions": CAUTIONS})
        if not guide.done:
            raise SystemExit(1)
        return
    _caution()
    click.echo()
    for report in steps:
        click.echo(f"{report.t_s / 3600:7.2f} h  {report.step.name:<10} {report.step.do}")
    click.echo(f"now        {guide.step.do}")
    if after is not None and guide.step.mean_amps is not None:
        click.echo(f"learned    {band_words(profile, after, guide.step.mean_amps)}")
        click.echo(f"{out} written." if out else "no file written: give --out FILE to keep it in the battery's profile")
    elif guide.done:
        click.echo("no fit: this discharge is in the profile already, or is too short")
    else:
        raise BadInput(log, "", "holds no complete test down to the end voltage: no fit, no file written")


def _test_live(chosen: Settings, box: str, battery: str | None, out: str | None, as_json: bool) -> None:
    from groundbox.ui.capacity import LiveTest, StepReport, follow, load_advice

    sounder = Sounder(chosen.sound)

    def show_step(wall_s: float, report: StepReport) -> None:
        if as_json:
            click.echo(json.dumps({"wall_s": wall_s, **msgspec.to_builtins(report.step)}))
            return
        click.echo(f"{datetime.fromtimestamp(wall_s):%H:%M:%S}  {report.step.name:<10} {report.step.do}")
        if live.caught_up and report.new and report.step.name in ("discharge", "invalid", "stop"):
            severity = "urgent" if report.step.name == "stop" else "notice"
            sounder.sound(f"{box}: {report.step.do}", severity)

    def no_news() -> None:
        click.echo(f"nothing new from {box}: check that `groundbox log` runs and the box is on", err=True)

    known_box(chosen, box)
    with open_reader(chosen) as reader, stop_signals() as stop:
        live = LiveTest(reader, chosen, box, None if battery is None else Path(battery))
        if not as_json:
            _caution()
            click.echo(f"\nbattery {live.profile.label or live.file}, rated {live.profile.c20_ah:g} Ah, in box {box}")
            click.echo(f"{load_advice(live.profile)}\n")
        if not follow(live, show_step, no_news, lambda: stop.asked):
            click.echo("ended before the end voltage; run it again to continue from the log", err=True)
            return
        _learn_test(live, Path(out) if out else live.file, as_json)


def _learn_test(live: "LiveTest", out: Path, as_json: bool) -> None:
    from groundbox.battery.health import health as health_of
    from groundbox.ui.capacity import band_words

    tested = live.fit(out)
    after, amps = tested.after, live.guide.step.mean_amps
    if as_json:
        _print_json({"step": live.guide.step, "fitted": after.fitted if after else None, "cautions": CAUTIONS})
        return
    if after is None or after.fitted is None or amps is None:
        click.echo("no fit: this discharge is in the profile already, or is too short")
        return
    found = after.fitted
    click.echo(
        f"learned: {found.capacity_ah:.1f} ± {2 * found.capacity_sd_ah:.1f} Ah at the 20-hour rate and 25 °C, "
        f"{found.capacity_ah / after.c20_ah:.0%} of rated; {found.resistance_mohm:.0f} mΩ at half charge"
    )
    click.echo(f"band: {band_words(tested.before, after, amps)}")
    click.echo(f"health: {health_of(after).verdict}\n{out} written")
    _caution()


command.add_command(confirm)
command.add_command(undo)

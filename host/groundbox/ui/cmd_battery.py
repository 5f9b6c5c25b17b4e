"""`groundbox battery`: a battery's profile, from its nameplate to what its own discharges told."""

import json
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from groundbox.advice.warner import Active
from groundbox.battery.profile import BatteryProfile, checked, load_profile, profile_text, save_profile, without_points
from groundbox.errors import BadInput
from groundbox.settings import Settings
from groundbox.ui.options import chosen_settings, known_box, note_unused, open_reader, settings_options
from groundbox.ui.recording import stop_signals
from groundbox.ui.sound import Sounder

if TYPE_CHECKING:
    from groundbox.ui.capacity_live import LiveTest

CAUTIONS = (
    "Discharge and charge in the open: lead-acid batteries give off hydrogen, most of all while charging.",
    "Fuse at the battery post; a short circuit through a tool or lead burns. Take off rings and watches.",
    "A swollen, cracked, leaking, frozen or hot battery is finished: do not charge it, take it to a recycler.",
    "Local rules and a licensed person's word come before these numbers.",
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
    """A battery's profile: nameplate, data sheet, and what its own logged discharges told."""


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
        raise BadInput(file, "", "is there already; edit it, or choose another name")
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
    click.echo("A logged discharge makes it known better: groundbox battery fit LOG.csv --battery " + file)


@command.command(epilog="Example: groundbox battery show mast.toml")
@click.argument("file", type=click.Path())
@click.option("--json", "as_json", is_flag=True, help="The profile as JSON.")
def show(file: str, as_json: bool) -> None:
    """What the profile says, and how long full would last at several loads."""
    from groundbox.battery.runtime import outlook

    profile = without_points(load_profile(file))
    rows = outlook(profile)
    if as_json:
        _print_json({"profile": profile, "from_full": rows, "cautions": CAUTIONS})
        return
    click.echo(profile_text(profile))
    click.echo(f"From full at 25 C down to {rows[0].end_volts:.2f} V:\n")
    click.echo(f"{'amps':>9}  {'early':>9}  {'likely':>9}  {'late':>9}  hours")
    for row in rows:
        click.echo(f"{row.amps:9.2f}  {row.low_h:9.2f}  {row.expected_h:9.2f}  {row.high_h:9.2f}")
    _caution()


@command.command(epilog="Example: groundbox battery fit july.csv --date 2026-07-12 --battery mast.toml --out mast.toml")
@click.argument("logs", type=click.Path(), nargs=-1, required=True)
@click.option("--battery", "battery", type=click.Path(), required=True, help="The profile as they are.")
@click.option("--out", type=click.Path(), required=True, help="Where to write them with what was fitted.")
@click.option("--date", "on", type=click.DateTime(["%Y-%m-%d"]), help="Day of these discharges; else today.")
@click.option("--json", "as_json", is_flag=True, help="What was fitted as JSON.")
def fit(logs: tuple[str, ...], battery: str, out: str, on: datetime | None, as_json: bool) -> None:
    """Learn capacity, resistance and recovery of one battery from logged discharges deeper than 40 %.

    What the profile was taught before counts on; a discharge that is in them already is passed over. A discharge that
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
            click.echo(f"groundbox: {log}: is in {battery} already; passed over", err=True)
        runs += new
    if not runs:
        raise BadInput(battery, "", "knows all of these discharges; to begin anew delete its [fitted] part")
    fitted = fitted_profile(profile, runs, (on or datetime.now()).date())
    if why := refusal(fitted, runs):
        raise BadInput(", ".join(logs), "", why)
    save_profile(out, fitted)
    told = fitted.fitted
    assert told is not None
    if as_json:
        rows = without_points(fitted).history[-len(runs) :]
        _print_json({"out": out, "fitted": told, "runs": rows, "cautions": CAUTIONS})
        return
    earlier = f", on top of {told.runs - len(runs)} before" if told.runs > len(runs) else ""
    click.echo(f"{len(runs)} discharge(s) used{earlier}.")
    click.echo(f"capacity at the 20-hour rate, 25 C  {told.capacity_ah:8.1f} Ah  +- {2 * told.capacity_sd_ah:.1f}")
    click.echo(f"of the rated {profile.c20_ah:g} Ah               {told.capacity_ah / profile.c20_ah:8.0%}")
    click.echo(f"apparent resistance, half charged   {told.resistance_mohm:8.1f} mohm")
    click.echo(f"the curve follows the logs within   {1000 * told.error_volts * profile.cells:8.0f} mV")
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
        share = row.capacity_ah / profile.c20_ah
        click.echo(
            f"{row.date}  {row.capacity_ah:7.1f} Ah +- {2 * row.capacity_sd_ah:4.1f}  {share:5.0%}  "
            f"{row.resistance_mohm:7.1f} mohm  {row.source}"
        )
    if found.per_year is not None and found.per_year_sd is not None:
        click.echo(f"trend: {100 * found.per_year:+.1f} points a year, +- {200 * found.per_year_sd:.1f}")
    click.echo(f"{profile.label or file}: {found.verdict}")
    _caution()


TEST_EPILOG = """
\b
Examples:
  groundbox battery test --box mast                 beside `groundbox log`: guides you step by step to the floor
  groundbox battery test evening.csv --battery mast.toml --out mast.toml     a finished log
"""


@command.command(epilog=TEST_EPILOG)
@click.argument("log", type=click.Path(), required=False)
@click.option("--box", help="Follow this box as `groundbox log` records it, in place of a LOG.")
@click.option("--battery", "battery", type=click.Path(), help="The battery's profile; with --box those of its battery.")
@click.option("--out", type=click.Path(), help="Where to write what it taught; with --box as --battery.")
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
    """Guide and judge a capacity test: full charge, an hour's rest, a steady load down to the floor.

    With --box it follows the box live, tells each next step, rings at the end voltage, and learns. A finished
    LOG is judged the same. Judged against the rated capacity (IEEE 450 and 1188, by time, with the temperature
    factor); learning from it narrows the band around runtime left.
    """
    if (log is None) == (box is None):
        raise BadInput("groundbox battery test", "", "give a LOG, or --box BOX to follow a box live, one of them")
    if box is not None:
        _test_live(chosen_settings(settings_file, database), box, battery, out, as_json)
        return
    if battery is None:
        raise BadInput("--battery", "", "is missing: the profile of the battery in this log")
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
    steps = [told for sample in with_current(log) for told in guide.take(sample) if told.new]
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
        _print_json({"step": guide.step, "steps": [told.step for told in steps], "cautions": CAUTIONS})
        if not guide.done:
            raise SystemExit(1)
        return
    _caution()
    click.echo()
    for told in steps:
        click.echo(f"{told.t_s / 3600:7.2f} h  {told.step.name:<10} {told.step.do}")
    click.echo(f"now        {guide.step.do}")
    if after is not None and guide.step.mean_amps is not None:
        click.echo(f"learnt     {band_words(profile, after, guide.step.mean_amps)}")
        click.echo(f"{out} written." if out else "nothing written: give --out FILE to keep it in the battery's profile")
    elif guide.done:
        click.echo("nothing more to learn from it: this discharge is in the profile already, or was too short")
    else:
        raise BadInput(log, "", "holds no whole test down to the floor; nothing was learnt, no file written")


def _test_live(chosen: Settings, box: str, battery: str | None, out: str | None, as_json: bool) -> None:
    from groundbox.ui.capacity import Told, load_advice
    from groundbox.ui.capacity_live import LiveTest, follow

    sounder = Sounder(chosen.sound)

    def tell(wall_s: float, told: Told) -> None:
        if as_json:
            click.echo(json.dumps({"wall_s": wall_s, **msgspec.to_builtins(told.step)}))
            return
        click.echo(f"{datetime.fromtimestamp(wall_s):%H:%M:%S}  {told.step.name:<10} {told.step.do}")
        if live.caught_up and told.new and told.step.name in ("discharge", "invalid", "stop"):
            severity = "urgent" if told.step.name == "stop" else "notice"
            sounder.sound(Active(box=box, kind="test", severity=severity, sentence=told.step.do, acknowledged=False))

    def quiet() -> None:
        click.echo(f"nothing new from {box}; is `groundbox log` running and the box on?", err=True)

    known_box(chosen, box)
    with open_reader(chosen) as reader, stop_signals() as stop:
        live = LiveTest(reader, chosen, box, None if battery is None else Path(battery))
        if not as_json:
            _caution()
            click.echo(f"\nbattery {live.profile.label or live.file}, rated {live.profile.c20_ah:g} Ah, in box {box}")
            click.echo(f"{load_advice(live.profile)}\n")
        if not follow(live, tell, quiet, lambda: stop.asked):
            click.echo("ended before the floor; call it again and it takes up from the log", err=True)
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
        click.echo("nothing more to learn from it: this discharge is in the profile already, or was too short")
        return
    found = after.fitted
    click.echo(
        f"learnt: {found.capacity_ah:.1f} +- {2 * found.capacity_sd_ah:.1f} Ah at the 20-hour rate and 25 C, "
        f"{found.capacity_ah / after.c20_ah:.0%} of rated; {found.resistance_mohm:.0f} mohm at half charge"
    )
    click.echo(f"band: {band_words(tested.before, after, amps)}")
    click.echo(f"health: {health_of(after).verdict}\n{out} written")
    _caution()

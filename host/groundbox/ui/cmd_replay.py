"""`groundbox replay`: a recorded discharge through the estimator, row by row as when live."""

import json
import math
from collections.abc import Iterator
from dataclasses import replace

import click

from groundbox.battery.estimate import Estimator
from groundbox.battery.limits import RuntimeLimits, cutoff_mismatch
from groundbox.battery.logs import read_log
from groundbox.battery.profile import load_profile
from groundbox.battery.values import Estimate, Phase, Sample
from groundbox.errors import BadInput
from groundbox.ui.options import Number, note_unused
from groundbox.ui.plot import check_plot, plot_discharge


def replayed(
    samples: Iterator[Sample], estimator: Estimator, every_s: float, load: float | None, load_ahead: float | None
) -> Iterator[Estimate]:
    """An estimate at the first row and then at the first row of each `every_s` seconds."""
    ahead = None if load_ahead is None else [Phase(seconds=math.inf, amps=load_ahead)]
    due = -math.inf
    for sample in samples:
        if load is not None and sample.declared_amps is None:
            sample = replace(sample, declared_amps=load)
        estimator.update(sample)
        if sample.t_s >= due:
            due = sample.t_s + every_s
            yield estimator.estimate(ahead)


def _record(estimate: Estimate) -> dict[str, float | None]:
    def whole(seconds: float | None) -> float | None:
        return None if seconds is None else round(seconds, 1)

    return {
        "t_s": estimate.t_s,
        "soc": None if estimate.soc is None else round(estimate.soc, 4),
        "runtime_low_s": whole(estimate.runtime_low_s),
        "runtime_expected_s": whole(estimate.runtime_expected_s),
        "runtime_high_s": whole(estimate.runtime_high_s),
    }


def hours_text(seconds: float | None) -> str:
    """Hours and minutes, or a dash where unknown."""
    if seconds is None:
        return "-"
    minutes = int(seconds // 60)
    return f"{minutes // 60} h {minutes % 60:02d}"


def _line(estimate: Estimate) -> str:
    charge = "-" if estimate.soc is None else f"{estimate.soc:.0%}"
    times = [hours_text(t) for t in (estimate.runtime_low_s, estimate.runtime_expected_s, estimate.runtime_high_s)]
    note = estimate.unknown_because or "; ".join(finding.sentence for finding in estimate.findings)
    clock = hours_text(estimate.t_s)
    return f"{clock:>9}  {charge:>6}  {times[0]:>9}  {times[1]:>9}  {times[2]:>9}  {note}".rstrip()


def _noted(samples: Iterator[Sample], volts: list[tuple[float, float]], wanted: bool) -> Iterator[Sample]:
    for sample in samples:
        if wanted:
            volts.append((sample.t_s, sample.volts))
        yield sample


def _once_each(log: str, samples: Iterator[Sample]) -> Iterator[Sample]:
    """The same samples; at the end reports on standard error how many repeated a time."""
    latest, repeated, first = None, 0, 0.0
    for sample in samples:
        if sample.t_s == latest:
            repeated, first = repeated + 1, first if repeated else sample.t_s
        else:
            latest = sample.t_s
            yield sample
    if repeated:
        click.echo(
            f"groundbox: {log}: t_s: {repeated} rows repeat a time, the first {first:g}; the first row of each counts: "
            "write times with fractions of a second",
            err=True,
        )


HEADING = f"{'time':>9}  {'charge':>6}  {'low':>9}  {'expected':>9}  {'high':>9}"


@click.command(epilog="Example: groundbox replay bench.csv --battery mast.toml --cutoff 11.0 --json")
@click.argument("log", type=click.Path())
@click.option("--battery", "battery", type=click.Path(), required=True, help="The battery's profile (TOML).")
@click.option("--cutoff", type=Number(0.1, 1000), required=True, help="Volts at which the equipment stops.")
@click.option("--load", type=Number(0, 50000), help="Declared load in amps, where the log has no current.")
@click.option("--load-ahead", type=Number(0.001, 50000), help="Load to come, amps; else the last ten minutes' mean.")
@click.option("--start-soc", type=Number(0, 1), help="Charge at the first row, 0 to 1; else from a rest.")
@click.option("--every", type=Number(0), default=60.0, show_default=True, help="Seconds between estimates.")
@click.option("--plot", type=click.Path(), help="Also draw the discharge: a file ending in .svg, .png or .pdf.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object per line.")
def command(
    log: str,
    battery: str,
    cutoff: float,
    load: float | None,
    load_ahead: float | None,
    start_soc: float | None,
    every: float,
    plot: str | None,
    as_json: bool,
) -> None:
    """Run a recorded discharge through the estimator.

    LOG is CSV with a header: t_s,volts and optionally amps (positive is discharge), declared_amps, case_c. The
    runtime has three points: low (it lasts that long in 95 of 100 cases), expected and high (in 5 of 100 cases).
    """
    profile = load_profile(battery)
    if plot is not None:
        check_plot(plot)
    note_unused(log)
    if wrong := cutoff_mismatch(cutoff, profile.cells):
        raise BadInput("--cutoff", "", f"{wrong} ({battery})")
    estimator = Estimator(profile, RuntimeLimits(cutoff_volts=cutoff, end_volts_per_cell=0.0), start_soc=start_soc)
    if not as_json:
        click.echo(HEADING)
    volts: list[tuple[float, float]] = []
    estimates: list[Estimate] = []
    rows = _noted(_once_each(log, read_log(log)), volts, plot is not None)
    for estimate in replayed(rows, estimator, every, load, load_ahead):
        click.echo(json.dumps(_record(estimate)) if as_json else _line(estimate))
        if plot is not None:
            estimates.append(estimate)
    if plot is not None:
        plot_discharge(plot, profile.label or log, volts, estimates, cutoff)

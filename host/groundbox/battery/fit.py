"""What logged discharges of one battery tell: the nine numbers of its profile, drawn toward the population.

Each run may differ a little in capacity and offset, as equal runs do; a run's start charge is full unless its
voltage insists otherwise. With one run the pull of the population keeps the rate effect open; more runs settle it.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import msgspec
import numpy as np

from groundbox.battery import curve, temperature
from groundbox.battery.curve import Array
from groundbox.battery.least_squares import solve
from groundbox.battery.log_csv import read_log
from groundbox.battery.papers import Fitted, HistoryRow, Papers
from groundbox.battery.population import CAPACITY, COEFFICIENTS, LAG, Profile
from groundbox.battery.profile import RUN_OFFSET_SD, prior_of, profile_of
from groundbox.battery.values import Sample
from groundbox.errors import BadInput

MOST_SHARE = 1.8  # of rated capacity: no battery gives so much (assumed; a 17 Ah block gave 1.3)
MOST_MISFIT_VOLTS = 0.06  # per cell (assumed; bursts on tubular batteries gave 0.03)
LEAST_DEPTH = 0.4  # of rated C20: a shallower discharge says too little
LOAD_RATE = 0.004
GAP_HOURS = 1.0  # longer ones end a discharge: nobody saw what was drawn
DIP = 0.03  # charge at the start of a discharge in which the voltage dips and says nothing
POINTS, INDEPENDENT = 80, 12  # points kept of a run, and how many of them count as independent
MISFIT_VOLTS = 0.006
UNSEEN_VOLTS = 0.009  # per cell: what a curve learnt from one run is off by in another
RUN_CAPACITY_SD, START_SD = 0.025, 0.03  # two equal runs of the 17 Ah block differed by 3.6 %
FULL_SD = 0.015
PARTLY_MISSING, PARTLY_SD = 0.4, 0.25  # what may be missing of a run that did not begin full, units of its capacity
PARTLY_COST = 7.0  # in squared spreads: about one log in seven does not begin full, and then anywhere
SUSPECTS = 3  # runs that gave the least are tried as partly charged
CAPACITY_STARTS = (1.0, 1.12, 1.3, 1.6)
PER_RUN = 3  # capacity, offset and start charge of each run


@dataclass(frozen=True, slots=True, kw_only=True)
class Discharge:
    """One discharge, thinned: charge drawn, wells, rate (units of C20) and volts per cell at each kept point."""

    drawn: Array
    wells: Array
    rate: Array
    cell_volts: Array
    depth: float
    temp_c: float | None
    source: str


def discharges(samples: Iterable[Sample], papers: Papers, source: str = "") -> list[Discharge]:
    """The discharges in a log deeper than LEAST_DEPTH; short pauses belong to them, charging or a gap ends them.

    What follows a gap under load did not begin full, and tells nothing until a charge.
    """
    found: list[Discharge] = []
    rows: list[tuple[float, float, float, Array]] = []
    temps: list[float] = []
    block_c: float | None = None
    wells, drawn, before, resting = np.zeros(4), 0.0, None, 0.0
    torn = False  # the rest of a discharge of which a part was not recorded

    def finish() -> None:
        nonlocal rows, drawn, temps
        if drawn >= LEAST_DEPTH:
            found.append(_thinned(rows, drawn, float(np.mean(temps)) if temps else None, source))
        rows, drawn, temps = [], 0.0, []

    for sample in samples:
        amps = sample.amps if sample.amps is not None else sample.declared_amps
        if amps is None or (before is not None and sample.t_s <= before):
            continue
        hours = 0.0 if before is None else (sample.t_s - before) / 3600
        before = sample.t_s
        if hours > GAP_HOURS:
            finish()
            hours, torn = 0.0, amps > LOAD_RATE * papers.c20_ah
        if sample.block_c is not None or sample.case_c is not None:
            case_c = sample.case_c if sample.case_c is not None else 0.0
            known = sample.block_c if sample.block_c is not None else case_c
            block_c = (
                known if block_c is None or sample.block_c is not None else temperature.followed(block_c, case_c, hours)
            )
            temps.append(block_c)
        rate = amps / papers.c20_ah
        rate /= temperature.load_factor(temperature.REFERENCE_C if block_c is None else block_c, rate)
        wells = curve.advance_wells(wells, rate, hours)
        resting = resting + hours if rate < LOAD_RATE else 0.0
        if rate < -LOAD_RATE or resting > 0.5:
            finish()
            torn = torn and rate >= -LOAD_RATE
        elif rate >= LOAD_RATE and not torn:
            if not rows:
                wells = np.maximum(wells, 0.0)
            drawn += rate * hours
            rows.append((drawn, rate, sample.volts / papers.cells, wells))
    finish()
    return found


def _thinned(
    rows: list[tuple[float, float, float, Array]], depth: float, temp_c: float | None, source: str
) -> Discharge:
    kept = [row for row in rows if row[0] > DIP]
    places = np.unique(np.linspace(0, len(kept) - 1, min(POINTS, len(kept))).astype(int))
    chosen = [kept[place] for place in places]
    return Discharge(
        drawn=np.array([row[0] for row in chosen]),
        rate=np.array([row[1] for row in chosen]),
        cell_volts=np.array([row[2] for row in chosen]),
        wells=np.array([row[3] for row in chosen]),
        depth=depth,
        temp_c=temp_c,
        source=source,
    )


def _misfit(numbers: Array, run: Discharge, run_numbers: Array) -> Array:
    """(points,) model less measured volts per cell; run_numbers: capacity, offset, start charge, in their spreads."""
    capacity = numbers[CAPACITY] * (1 + RUN_CAPACITY_SD * run_numbers[0])
    whole = curve.whole_charge(capacity, numbers[LAG])
    missing = START_SD * max(run_numbers[2], 0.0) * capacity
    depleted = curve.depleted_share(run.drawn + missing, run.wells, whole, numbers[LAG])
    volts = curve.terms(depleted, run.rate) @ numbers[COEFFICIENTS] + RUN_OFFSET_SD * run_numbers[1]
    return np.asarray(volts - run.cell_volts)


def _start_scores(missing: Array, partly: frozenset[int]) -> Array:
    """How unlikely each run's start charge is: full within FULL_SD, or, for the runs in `partly`, far from it."""
    scores = missing * START_SD / FULL_SD
    for place in partly:
        scores[place] = (missing[place] * START_SD - PARTLY_MISSING) / PARTLY_SD
    return np.asarray(scores)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """The best numbers under one belief about which runs began full."""

    cost: float
    x: Array
    covariance: Array
    misfit_volts: float  # root mean square of what is left


def _solved(
    prior: Profile, runs: Sequence[Discharge], partly: frozenset[int], starts: Sequence[Array], misfit_volts: float
) -> _Found:
    root = np.linalg.inv(np.linalg.cholesky(prior.covariance))
    lower = np.full(9 + PER_RUN * len(runs), -np.inf)
    lower[[CAPACITY, LAG, 5, 6, 7, 8]] = (0.2, 0.0, 0.005, 0.0, 0.005, 0.0)

    def left(x: Array) -> list[Array]:
        return [_misfit(x[:9], run, own) for run, own in zip(runs, x[9:].reshape(-1, PER_RUN), strict=True)]

    def residuals(x: Array) -> Array:
        extra = x[9:].reshape(-1, PER_RUN)
        parts = [root @ (x[:9] - prior.mean), extra[:, :2].ravel(), _start_scores(extra[:, 2].copy(), partly)]
        return np.concatenate(parts + [off * np.sqrt(INDEPENDENT / len(off)) / misfit_volts for off in left(x)])

    found = []
    for start in starts:
        x, covariance = solve(residuals, start, lower)
        found.append((float(residuals(x) @ residuals(x)) + PARTLY_COST * len(partly), x, covariance))
    cost, x, covariance = min(found, key=lambda one: one[0])
    rms = float(np.sqrt(np.mean(np.concatenate(left(x)) ** 2)))
    return _Found(cost=cost, x=x, covariance=covariance, misfit_volts=rms)


def _starts(prior: Profile, runs: Sequence[Discharge]) -> list[Array]:
    """Several capacities around what the deepest run proves, since a knee thought too early is a trap."""
    starts = []
    for factor in CAPACITY_STARTS:
        start = np.concatenate([prior.mean, np.zeros(PER_RUN * len(runs))])
        start[CAPACITY] = factor * max(run.depth for run in runs)
        starts.append(start)
    return starts


def _partly(x: Array, place: int) -> list[Array]:
    """Starts in which one more run is thought to have begun partly charged."""
    starts = []
    for factor in (1.0, 1.25):
        start = x.copy()
        start[CAPACITY] *= factor
        start[9 + PER_RUN * place + 2] = PARTLY_MISSING / START_SD
        starts.append(start)
    return starts


def fit_profile(prior: Profile, runs: Sequence[Discharge]) -> tuple[Profile, Array]:
    """The profile of one battery from its runs, and (runs, 3) what each run differed by."""
    partly: frozenset[int] = frozenset()
    best = _solved(prior, runs, partly, _starts(prior, runs), MISFIT_VOLTS)
    while len(partly) < len(runs):
        weakest = np.argsort(best.x[9:].reshape(-1, PER_RUN)[:, 0])
        places = [int(place) for place in weakest if place not in partly][:SUSPECTS]
        tried = {p: _solved(prior, runs, partly | {p}, _partly(best.x, p), MISFIT_VOLTS) for p in places}
        place = min(tried, key=lambda p: tried[p].cost)
        if tried[place].cost >= best.cost:
            break
        partly, best = partly | {place}, tried[place]
    if best.misfit_volts > MISFIT_VOLTS:
        best = _solved(prior, runs, partly, [best.x], best.misfit_volts)
    error = float(np.hypot(best.misfit_volts, UNSEEN_VOLTS / len(runs) ** 0.75))
    profile = Profile(mean=best.x[:9], covariance=best.covariance[:9, :9], error_volts=error, worn_share=0.0)
    return profile, best.x[9:].reshape(-1, PER_RUN)


def resistance_mohm(numbers: Array, papers: Papers, rate: float = 0.2) -> float:
    """Apparent resistance of the whole battery at half charge for a load of C20/5 h: volts over amps, in milliohm."""
    step = curve.terms(np.array([0.5, 0.5]), np.array([rate * 0.9, rate * 1.1])) @ numbers[COEFFICIENTS]
    return float((step[0] - step[1]) / (0.2 * rate) * papers.cells / papers.c20_ah * 1000)


def refusal(fitted: Papers) -> str | None:
    """Why what was fitted cannot be this battery, with the mend; None where it can."""
    found = fitted.fitted
    assert found is not None
    share, off_mv = found.capacity_ah / fitted.c20_ah, 1000 * found.error_volts
    if share > MOST_SHARE:
        why = f"would make it {share:.0%} of the rated {fitted.c20_ah:g} Ah"
    elif found.error_volts > MOST_MISFIT_VOLTS:
        why = f"follows no lead-acid curve of {fitted.cells} cells (off by {off_mv:.0f} mV a cell)"
    else:
        return None
    return f"{why}: another battery, or volts and amps of another scale; check c20_ah and cells, and the log's columns"


def learnt_papers(papers: Papers, runs: Sequence[Discharge], on: date) -> Papers:
    """The papers with what `runs` told on top of all that earlier ones did, which are not at hand any more."""
    return fitted_papers(papers, runs, on, profile_of(papers), papers.fitted.runs if papers.fitted else 0)


def fitted_papers(
    papers: Papers, runs: Sequence[Discharge], on: date, prior: Profile | None = None, earlier: int = 0
) -> Papers:
    """The papers with what `runs` told, and one history row for each.

    `prior` holds what `earlier` runs told; None knows only the nameplate, age and sheet.
    """
    profile, extra = fit_profile(prior_of(papers) if prior is None else prior, runs)
    sd = float(np.sqrt(profile.covariance[CAPACITY, CAPACITY]))
    temps = [run.temp_c for run in runs if run.temp_c is not None]
    mohm = resistance_mohm(profile.mean, papers)
    fitted = Fitted(
        date=on,
        runs=earlier + len(runs),
        capacity_ah=float(profile.mean[CAPACITY]) * papers.c20_ah,
        capacity_sd_ah=sd * papers.c20_ah,
        resistance_mohm=mohm,
        temp_c=float(np.mean(temps)) if temps else None,
        error_volts=profile.error_volts,
        mean=[float(v) for v in profile.mean],
        covariance=[[float(v) for v in row] for row in profile.covariance],
    )
    rows = [
        HistoryRow(
            date=on,
            capacity_ah=fitted.capacity_ah * (1 + RUN_CAPACITY_SD * float(own[0])),
            capacity_sd_ah=fitted.capacity_sd_ah,
            resistance_mohm=mohm,
            temp_c=run.temp_c,
            depth=run.depth,
            source=run.source,
        )
        for run, own in zip(runs, extra, strict=True)
    ]
    return msgspec.structs.replace(papers, fitted=fitted, history=[*papers.history, *rows])


def with_current(log: Path | str) -> list[Sample]:
    """The samples of one log file; BadInput where it tells no current."""
    samples = list(read_log(log))
    if all(sample.amps is None and sample.declared_amps is None for sample in samples):
        raise BadInput(log, "", "has neither amps nor declared_amps; without the current nothing can be learnt")
    return samples


def runs_in(log: Path | str, papers: Papers) -> list[Discharge]:
    """The discharges of one log file; BadInput where there is none to learn from."""
    runs = discharges(with_current(log), papers, Path(log).name)
    if not runs:
        least = f"{LEAST_DEPTH:.0%} of {papers.c20_ah:g} Ah"
        raise BadInput(log, "", f"holds no discharge deeper than {least} in one piece, without a gap before it")
    return runs


def is_known(run: Discharge, papers: Papers) -> bool:
    """True when the papers were fitted with this very discharge."""
    rows = papers.history if papers.fitted else ()
    return any(row.source == run.source and math.isclose(row.depth, run.depth, rel_tol=1e-6) for row in rows)

"""Fits one battery's nine numbers to its logged discharges: the mode of the posterior, with the population as prior.

Each run may differ a little in capacity and offset, as equal runs do; a run's start charge is full unless its
voltage contradicts that. With one run the population's prior keeps the rate effect uncertain; more runs settle it.
Runs fitted one after the other give the same result as all at once: the profile keeps their points, and each fit uses
them all. From one day to another the capacity may have fallen, slowly as a rule, seldom at once.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import msgspec
import numpy as np

from groundbox.battery import cell
from groundbox.battery.cell import Array, Places
from groundbox.battery.logs import DischargeRun
from groundbox.battery.prior import (
    CAPACITY,
    COEFFICIENTS,
    FADE_PER_YEAR,
    LAG,
    MIN_NUMBERS,
    RUN_OFFSET_SD,
    Prior,
    posterior_mode,
    prior_without_fit,
)
from groundbox.battery.profile import DAYS_A_YEAR, BatteryProfile, FittedCurve, HistoryRow

MAX_CAPACITY_FRACTION = 1.8  # of rated capacity: no battery gives so much (assumed; a 17 Ah battery gave 1.3)
MIN_MIDDLE_VOLTS, MAX_MIDDLE_VOLTS = 1.7, 2.2  # per cell, in the middle of a discharge (common practice, no source)
MAX_MISFIT_VOLTS = 0.06  # per cell (assumed; bursts on tubular batteries gave 0.03)
INDEPENDENT_POINTS = 12  # so many of a run's points count as independent
MISFIT_VOLTS = 0.006
UNSEEN_VOLTS = 0.009  # per cell: what a curve fitted to one run is off by in another
RUN_CAPACITY_SD, START_SD = 0.025, 0.03  # two equal runs of the 17 Ah battery differed by 3.6 %
FULL_SD = 0.015
PARTLY_MISSING, PARTLY_SD = 0.4, 0.25  # what may be missing of a run that did not begin full, units of its capacity
PARTLY_COST = 7.0  # in squared spreads: about one log in seven does not begin full, and then anywhere
SUSPECTS = 3  # the runs with the lowest capacities are tried as partly charged
CAPACITY_STARTS = (1.0, 1.12, 1.3, 1.6)
SHALLOW = 0.5  # a run to less does not bound the capacity from above: the prior's is tried too
RESISTIVE = slice(7, 9)  # of the nine: those that resistance makes
PER_RUN = 3  # capacity, offset and start charge of each run
RISE_PER_YEAR = 0.15  # of resistance, in field use (assumed, as the next)
DAY_SD, TAIL_FREEDOM = 0.02, 4.0  # of both from one day to another; degrees of freedom of that spread
KEPT_RUNS, ALIKE = 6, 0.3  # the profile keeps the points of so many; loads whose logarithms differ by less are alike


@dataclass(frozen=True, slots=True, kw_only=True)
class _Days:
    """The days of the runs, newest first: (runs,) which of them each is of; (days - 1, 2) spreads from day to day."""

    of_run: Places
    spread: Array

    def factors(self, steps: Array) -> Array:
        """(runs, 2) capacity and resistance on each run's day over those of the newest; `steps` in their spreads."""
        moved = np.cumsum(self.spread * steps.reshape(-1, 2), axis=0)
        return np.asarray(np.exp(np.vstack([np.zeros(2), moved]))[self.of_run])


def _days(runs: Sequence[DischargeRun]) -> _Days:
    known = [run.on or date.max for run in runs]
    days = sorted(set(known), reverse=True)
    years = np.array([(later - earlier).days / DAYS_A_YEAR for later, earlier in itertools.pairwise(days)])
    spread = np.hypot(DAY_SD, years[:, np.newaxis] * np.array([FADE_PER_YEAR, RISE_PER_YEAR]))
    return _Days(of_run=np.array([days.index(day) for day in known]), spread=spread)


def _heavy_tailed(steps: Array) -> Array:
    """Residuals of Student's t in place of a normal spread: a rare large change is possible."""
    square = steps * steps / TAIL_FREEDOM + 1e-12
    return np.asarray(steps * np.sqrt(np.log1p(square) / square))


def _with_resistance(numbers: Array, factor: float) -> Array:
    """The same battery with so many times the resistance."""
    numbers = numbers.copy()
    numbers[RESISTIVE] *= factor
    return numbers


def _misfit(numbers: Array, run: DischargeRun, run_numbers: Array, day: Array) -> Array:
    """(points,) model less measured volts per cell.

    run_numbers: capacity, offset and start charge, in their spreads; day: factors of capacity and resistance.
    """
    capacity = numbers[CAPACITY] * day[0] * (1 + RUN_CAPACITY_SD * run_numbers[0])
    total = cell.total_charge(capacity, numbers[LAG])
    missing = START_SD * run_numbers[2] * capacity
    depleted = cell.depleted_fraction(run.drawn + missing, run.wells, total, numbers[LAG])
    coefficients = _with_resistance(numbers, day[1])[COEFFICIENTS]
    volts = cell.terms(depleted, run.rate) @ coefficients + RUN_OFFSET_SD * run_numbers[1]
    return np.asarray(volts - run.cell_volts)


def _start_scores(missing: Array, partly: frozenset[int]) -> Array:
    """How unlikely each run's start charge is: full within FULL_SD, or, for the runs in `partly`, far from it."""
    scores = missing * START_SD / FULL_SD
    for place in partly:
        scores[place] = (missing[place] * START_SD - PARTLY_MISSING) / PARTLY_SD
    return np.asarray(scores)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Mode:
    """The best numbers under one assumption about which runs began full."""

    cost: float
    x: Array
    covariance: Array
    misfit_volts: float  # root mean square of the residuals


def _best_mode(
    prior: Prior, runs: Sequence[DischargeRun], partly: frozenset[int], starts: Sequence[Array], misfit_volts: float
) -> _Mode:
    root = np.linalg.inv(np.linalg.cholesky(prior.covariance))
    days = _days(runs)
    lower = np.full(len(starts[0]), -np.inf)
    lower[:9] = MIN_NUMBERS
    lower[9 + 2 : 9 + PER_RUN * len(runs) : PER_RUN] = 0.0  # no run begins with more than a full charge

    def left(x: Array) -> list[Array]:
        own, of_day = _own(x, len(runs)), days.factors(_steps(x, len(runs)))
        return [_misfit(x[:9], *one) for one in zip(runs, own, of_day, strict=True)]

    def residuals(x: Array) -> Array:
        own = _own(x, len(runs))
        parts = [root @ (x[:9] - prior.mean), own[:, :2].ravel(), _start_scores(own[:, 2].copy(), partly)]
        parts.append(_heavy_tailed(_steps(x, len(runs))))
        return np.concatenate(parts + [off * np.sqrt(INDEPENDENT_POINTS / len(off)) / misfit_volts for off in left(x)])

    found = []
    for start in starts:
        x, covariance = posterior_mode(residuals, start, lower)
        found.append((float(residuals(x) @ residuals(x)) + PARTLY_COST * len(partly), x, covariance))
    cost, x, covariance = min(found, key=lambda one: one[0])
    rms = float(np.sqrt(np.mean(np.concatenate(left(x)) ** 2)))
    return _Mode(cost=cost, x=x, covariance=covariance, misfit_volts=rms)


def _own(x: Array, runs: int) -> Array:
    """(runs, 3) what each run differs by, in spreads."""
    return x[9 : 9 + PER_RUN * runs].reshape(-1, PER_RUN)


def _steps(x: Array, runs: int) -> Array:
    """(2 steps,) how capacity and resistance differ from day to day, newest first, in spreads."""
    return x[9 + PER_RUN * runs :]


def _starts(prior: Prior, runs: Sequence[DischargeRun]) -> list[Array]:
    """Several capacities from the depth of the deepest run up: a start with too early a knee finds a local minimum."""
    starts, differing = [], PER_RUN * len(runs) + _days(runs).spread.size
    depth = max(run.depth for run in runs)
    shallow = [float(prior.mean[CAPACITY])] if depth < SHALLOW else []
    for capacity in [*(factor * depth for factor in CAPACITY_STARTS), *shallow]:
        start = np.concatenate([prior.mean, np.zeros(differing)])
        start[CAPACITY] = capacity
        starts.append(start)
    return starts


def _partly(x: Array, place: int) -> list[Array]:
    """Starts in which one more run began partly charged."""
    starts = []
    for factor in (1.0, 1.25):
        start = x.copy()
        start[CAPACITY] *= factor
        start[9 + PER_RUN * place + 2] = PARTLY_MISSING / START_SD
        starts.append(start)
    return starts


def fit_runs(prior: Prior, runs: Sequence[DischargeRun]) -> tuple[Prior, Array]:
    """The battery as it was at its newest run, and (runs, 2) each run's capacity and resistance over those."""
    partly: frozenset[int] = frozenset()
    best = _best_mode(prior, runs, partly, _starts(prior, runs), MISFIT_VOLTS)
    while len(partly) < len(runs):
        weakest = np.argsort(_own(best.x, len(runs))[:, 0])
        places = [int(place) for place in weakest if place not in partly][:SUSPECTS]
        tried = {p: _best_mode(prior, runs, partly | {p}, _partly(best.x, p), MISFIT_VOLTS) for p in places}
        place = min(tried, key=lambda p: tried[p].cost)
        if tried[place].cost >= best.cost:
            break
        partly, best = partly | {place}, tried[place]
    if best.misfit_volts > MISFIT_VOLTS:
        best = _best_mode(prior, runs, partly, [best.x], best.misfit_volts)
    error = float(np.hypot(best.misfit_volts, UNSEEN_VOLTS / len(runs) ** 0.75))
    posterior = Prior(mean=best.x[:9], covariance=best.covariance[:9, :9], error_volts=error, worn_probability=0.0)
    own = _days(runs).factors(_steps(best.x, len(runs)))
    own[:, 0] *= 1 + RUN_CAPACITY_SD * _own(best.x, len(runs))[:, 0]
    return posterior, own


def resistance_mohm(numbers: Array, profile: BatteryProfile, rate: float = 0.2) -> float:
    """Apparent resistance of the whole battery at half charge for a load of C20/5 h: volts over amps, in milliohms."""
    step = cell.terms(np.array([0.5, 0.5]), np.array([rate * 0.9, rate * 1.1])) @ numbers[COEFFICIENTS]
    return float((step[0] - step[1]) / (0.2 * rate) * profile.cells / profile.c20_ah * 1000)


def refusal(fitted: BatteryProfile, runs: Sequence[DischargeRun]) -> str | None:
    """Why what was fitted with `runs` cannot be this battery, and what to check; None where it can."""
    found = fitted.fitted
    assert found is not None
    middle = [float(np.median(run.cell_volts)) for run in runs]
    fraction, off_mv = found.capacity_ah / fitted.c20_ah, 1000 * found.error_volts
    if strange := [volts for volts in middle if not MIN_MIDDLE_VOLTS < volts < MAX_MIDDLE_VOLTS]:
        why = f"has {strange[0]:.2f} V for each of {fitted.cells} cells in the middle of a discharge, which none has"
    elif fraction > MAX_CAPACITY_FRACTION:
        why = f"would make it {fraction:.0%} of the rated {fitted.c20_ah:g} Ah"
    elif found.error_volts > MAX_MISFIT_VOLTS:
        why = f"follows no lead-acid curve of {fitted.cells} cells (off by {off_mv:.0f} mV a cell)"
    else:
        return None
    return f"{why}: another battery, or volts and amps of another scale; check c20_ah and cells, and the log's columns"


def _kept_runs(profile: BatteryProfile) -> list[DischargeRun]:
    """The discharges whose points the profile keeps; none where their fit was deleted."""
    rows = [row for row in profile.history if row.points] if profile.fitted else ()
    return [
        DischargeRun(
            drawn=np.array([point[0] for point in row.points]),
            rate=np.array([point[1] for point in row.points]),
            cell_volts=np.array([point[2] for point in row.points]),
            wells=np.array([point[3:] for point in row.points]),
            depth=row.depth,
            temp_c=row.temp_c,
            source=row.source,
            on=row.date,
        )
        for row in rows
    ]


def _points(run: DischargeRun) -> list[list[float]]:
    columns = np.column_stack([run.drawn, run.rate, run.cell_volts, run.wells])
    return [[round(float(value), 6) for value in row] for row in columns]


def _most_informative(runs: Sequence[DischargeRun], capacity: Array) -> list[DischargeRun]:
    """The runs to keep: at loads unlike the others, far down what the battery held, and late."""
    newest = max(run.on or date.min for run in runs)
    years = np.array([(newest - (run.on or newest)).days / DAYS_A_YEAR for run in runs])
    worth = np.minimum(np.array([run.depth for run in runs]) / capacity, 1.0) / (1 + years)
    load = np.log([float(np.mean(run.rate)) for run in runs])
    like: Array = np.exp(-(((load[:, np.newaxis] - load) / ALIKE) ** 2))
    kept: list[int] = []
    while len(kept) < min(KEPT_RUNS, len(runs)):
        left = [place for place in range(len(runs)) if place not in kept]
        kept.append(max(left, key=lambda place: (float(worth[place] / (1 + like[place, kept].sum())), place)))
    return [runs[place] for place in kept]


def fitted_profile(
    profile: BatteryProfile, runs: Sequence[DischargeRun], on: date, *, confirmed: bool = True
) -> BatteryProfile:
    """The profile fitted with `runs` of the day `on` beside earlier ones, with one history row for each.

    confirmed: a person gave the logs; False for what is learned from a day in the field.

    The rows of earlier runs whose points are kept are written again: with more runs each is known better.
    """
    every = [*_kept_runs(profile), *(replace(run, on=on) for run in runs)]
    posterior, own = fit_runs(prior_without_fit(profile), every)
    capacity_ah = float(posterior.mean[CAPACITY]) * profile.c20_ah
    sd_ah = float(np.sqrt(posterior.covariance[CAPACITY, CAPACITY])) * profile.c20_ah
    temps = [run.temp_c for run in every if run.temp_c is not None]
    fitted = FittedCurve(
        date=max(run.on or on for run in every),
        runs=len(every),
        capacity_ah=capacity_ah,
        capacity_sd_ah=sd_ah,
        resistance_mohm=resistance_mohm(posterior.mean, profile),
        temp_c=float(np.mean(temps)) if temps else None,
        error_volts=posterior.error_volts,
        mean=[float(v) for v in posterior.mean],
        covariance=[[float(v) for v in row] for row in posterior.covariance],
    )
    kept = _most_informative(every, posterior.mean[CAPACITY] * own[:, 0])
    known = {row.source: row.confirmed for row in profile.history}
    rows = {
        (run.source, run.depth, run.on): HistoryRow(
            date=run.on or on,
            capacity_ah=capacity_ah * float(factors[0]),
            capacity_sd_ah=sd_ah,
            resistance_mohm=resistance_mohm(_with_resistance(posterior.mean, float(factors[1])), profile),
            temp_c=run.temp_c,
            depth=run.depth,
            source=run.source,
            confirmed=known.get(run.source, confirmed),
            points=_points(run) if run in kept else [],
        )
        for run, factors in zip(every, own, strict=True)
    }
    earlier = [rows.pop((row.source, row.depth, row.date), _without_points(row)) for row in profile.history]
    return msgspec.structs.replace(profile, fitted=fitted, history=[*earlier, *rows.values()])


def _without_points(row: HistoryRow) -> HistoryRow:
    return msgspec.structs.replace(row, points=[])


def resistance_sd_mohm(profile: BatteryProfile, rate: float = 0.2) -> float:
    """Standard deviation of `resistance_mohm` of the fit in a profile, milliohms."""
    assert profile.fitted is not None
    terms = cell.terms(np.array([0.5, 0.5]), np.array([rate * 0.9, rate * 1.1]))
    step = (terms[0] - terms[1]) / (0.2 * rate)
    covariance = np.array(profile.fitted.covariance)[COEFFICIENTS, COEFFICIENTS]
    return float(np.sqrt(step @ covariance @ step) * profile.cells / profile.c20_ah * 1000)


def is_known(run: DischargeRun, profile: BatteryProfile) -> bool:
    """True when the profile was fitted with this very discharge."""
    rows = profile.history if profile.fitted else ()
    return any(row.source == run.source and math.isclose(row.depth, run.depth, rel_tol=1e-6) for row in rows)

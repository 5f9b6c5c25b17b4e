"""One replay of a discharge through the estimator, and its score: errors and bands in percent of the whole runtime."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from tests.benchmarks.battery_truth import Array, Run

from groundbox.battery.estimate import Estimator
from groundbox.battery.limits import RuntimeLimits
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.values import Estimate, Phase, Sample

RESERVE_S = 900.0
UNKNOWN_ERROR = 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One replay: what is judged, what is known of the battery, what is measured, and what the person says.

    inputs: "V+I"; "V+loads", the mean declared 5 % too high; "V+exact loads"; "V+switches", what is drawn above half
        the mean is known; "V".
    ahead: the load to come that is stated: "whole", the mean of the whole run; "left", of what is left; "" none.
    """

    run: Run
    profile: BatteryProfile
    inputs: str
    start_soc: float | None = None
    ahead: str = ""


def changed(case: Case, **changes: Any) -> Case:
    """A case with something changed."""
    return replace(case, **changes)


def samples_of(case: Case) -> Iterator[Sample]:
    """The rows as the estimator is shown them."""
    run = case.run
    declared = {"V+loads": 1.05 * run.mean_amps, "V+exact loads": run.mean_amps}.get(case.inputs)
    for row in range(len(run.t_s)):
        loaded, amps = row >= run.begin, float(run.amps[row])
        yield Sample(
            t_s=float(run.t_s[row]),
            volts=float(run.volts[row]),
            amps=amps if case.inputs == "V+I" else None,
            declared_amps=None if declared is None else declared * loaded,
            switched_amps=max(amps - 0.5 * run.mean_amps, 0.0) if case.inputs == "V+switches" else None,
            case_c=run.case_c,
        )


def stated_ahead(case: Case, t_s: float) -> list[Phase] | None:
    """What the person says at `t_s` about the load to come."""
    run = case.run
    if not case.ahead:
        return None
    first = int(np.searchsorted(run.t_s, t_s)) if case.ahead == "left" else run.begin
    steps = np.diff(run.t_s[first:])
    return [Phase(seconds=math.inf, amps=float(np.sum(run.amps[first + 1 :] * steps) / np.sum(steps)))]


def begun(case: Case) -> Estimator:
    """An estimator that has no reading yet."""
    limits = RuntimeLimits(cutoff_volts=case.run.cutoff, end_volts_per_cell=0.0)
    return Estimator(case.profile, limits, start_soc=case.start_soc)


def row_of(case: Case, found: Estimate, t_s: float) -> tuple[float, float, float, float, float]:
    """Share of the run passed, error %, low %, high %, truth %, of the whole runtime."""
    run = case.run
    whole, left = run.seconds, float(run.t_s[-1]) - t_s
    passed, true = 1 - left / whole, 100 * left / whole
    if found.runtime_expected_s is None or found.runtime_low_s is None or found.runtime_high_s is None:
        return passed, UNKNOWN_ERROR, 0.0, 0.0, true
    expected, low, high = (
        100 * s / whole for s in (found.runtime_expected_s, found.runtime_low_s, found.runtime_high_s)
    )
    return passed, expected - true, low, high, true


def replay(case: Case, count: int) -> Array:
    """(samples, 5) `row_of` about `count` moments from 5 to 95 % of the run's time."""
    run, estimator = case.run, begun(case)
    begin_s, whole = float(run.t_s[run.begin]), run.seconds
    due, rows = 0.05, []
    for sample in samples_of(case):
        estimator.update(sample)
        passed = (sample.t_s - begin_s) / whole
        if due <= passed <= 0.95:
            due = max(passed + max(0.9 / count, 60 / whole), due)
            rows.append(row_of(case, estimator.estimate(stated_ahead(case, sample.t_s)), sample.t_s))
    return np.array(rows)


def after(case: Case, minutes: float) -> tuple[float, float, float, float, float]:
    """`row_of` so many minutes after the load began."""
    run, estimator = case.run, begun(case)
    for sample in samples_of(case):
        estimator.update(sample)
        if sample.t_s >= run.t_s[run.begin] + 60 * minutes:
            break
    return row_of(case, estimator.estimate(stated_ahead(case, sample.t_s)), sample.t_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """One line of the table, over all samples of all runs; errors and widths in percent of the whole runtime."""

    runs: int
    rms: float
    median: float
    worst: float
    worst_after_quarter: float
    worst_half: float
    rms_half: float
    covered: float
    width: float
    risk: float
    over_reserve: int


def score(replays: Sequence[Array], seconds: Sequence[float]) -> Score:
    """Scores of several runs, each run weighing the same."""
    errors = [rows[:, 1] for rows in replays]
    after_quarter = [rows[rows[:, 0] > 0.25, 1] for rows in replays]
    half = [rows[rows[:, 0] > 0.5, 1] for rows in replays]
    inside = [np.mean((rows[:, 2] <= rows[:, 4]) & (rows[:, 4] <= rows[:, 3])) for rows in replays]
    short = [rows[:, 2] - rows[:, 4] for rows in replays]
    return Score(
        runs=len(replays),
        rms=float(np.sqrt(np.mean([np.mean(e**2) for e in errors]))),
        median=float(np.median(np.abs(np.concatenate(errors)))),
        worst=max(float(np.max(np.abs(e))) for e in errors),
        worst_after_quarter=max(float(np.max(np.abs(e))) for e in after_quarter),
        worst_half=max(float(np.max(np.abs(e))) for e in half),
        rms_half=float(np.sqrt(np.mean([np.mean(e**2) for e in half]))),
        covered=100 * float(np.mean(inside)),
        width=float(np.mean([np.mean(rows[:, 3] - rows[:, 2]) for rows in replays])),
        risk=100 * float(np.mean([np.mean(s > 0) for s in short])),
        over_reserve=sum(bool(np.max(s) / 100 * w > RESERVE_S) for s, w in zip(short, seconds, strict=True)),
    )


HEAD = (
    f"{'known and measured':<46}{'battery':<11}{'runs':>4} {'RMS':>6}{'median':>7}{'worst':>6}{'>25%':>6}{'>50%':>6}"
    f"{'RMS>50%':>8}{'band':>6}{'width':>6}{'risk':>5}{'>15min':>7}   {'with board noise: RMS':>21}{'band':>6}"
)


def line(label: str, family: str, found: Score, noise: Score | None) -> str:
    text = (
        f"{label:<46}{family:<11}{found.runs:>4} {found.rms:6.1f}{found.median:7.1f}{found.worst:6.0f}"
        f"{found.worst_after_quarter:6.0f}{found.worst_half:6.0f}{found.rms_half:8.1f}{found.covered:6.0f}"
        f"{found.width:6.0f}{found.risk:5.0f}{found.over_reserve:7d}"
    )
    return text if noise is None else f"{text}   {noise.rms:21.1f}{noise.covered:6.0f}"


def scored(cases: list[Case], count: int) -> Score:
    """Several replays as one line."""
    return score([replay(case, count) for case in cases], [case.run.seconds for case in cases])

"""How far off is runtime left? One table over truth sets, inputs and knowledge, beside what others would use.

Error: (likely - true) runtime left over the true whole runtime, in percent, sampled from 5 to 95 % of the run's
time; an unknown counts as 50. Band: share of samples with early <= truth <= late; width in percent of the whole
runtime; risk: share with truth before early. `--samples N` a run (60 unless said), `--only TEXT` some rows.
"""

import argparse
import csv
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import msgspec
import numpy as np
from tests.benchmarks import battery_methods as methods
from tests.benchmarks import battery_truth as truth
from tests.benchmarks.battery_truth import Array, Run

from groundbox.battery.estimate import Estimator, Limits, Phase, Sample
from groundbox.battery.fit import discharges, fitted_papers
from groundbox.battery.papers import DischargeRow, Papers

RESERVE_S = 900.0
UNKNOWN_ERROR = 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One replay: what is judged, what is known of the battery, what is measured, and what the person says."""

    run: Run
    papers: Papers
    inputs: str  # "V+I", "V+loads", "V"
    start_soc: float | None = None
    mean_ahead: bool = False


def changed(case: Case, **changes: Any) -> Case:
    """A case with something changed."""
    return replace(case, **changes)


def samples_of(case: Case) -> Iterator[Sample]:
    """The rows as the estimator is shown them; declared loads are the mean, 5 % too high."""
    run = case.run
    for row in range(len(run.t_s)):
        loaded = row >= run.begin
        yield Sample(
            t_s=float(run.t_s[row]),
            volts=float(run.volts[row]),
            amps=float(run.amps[row]) if case.inputs == "V+I" else None,
            declared_amps=(1.05 * run.mean_amps if loaded else 0.0) if case.inputs == "V+loads" else None,
            case_c=run.case_c,
        )


def replay(case: Case, count: int) -> Array:
    """(samples, 5): share of the run gone, error %, early %, late %, truth %, of the whole runtime."""
    run = case.run
    estimator = Estimator(
        case.papers, Limits(cutoff_volts=run.cutoff, floor_volts_per_cell=0.0), start_soc=case.start_soc
    )
    ahead = [Phase(seconds=math.inf, amps=run.mean_amps)] if case.mean_ahead else None
    begin_s, whole = float(run.t_s[run.begin]), run.seconds
    due, rows = 0.05, []
    for sample in samples_of(case):
        estimator.update(sample)
        gone = (sample.t_s - begin_s) / whole
        if due <= gone <= 0.95:
            due = max(gone + max(0.9 / count, 60 / whole), due)
            found = estimator.estimate(ahead)
            left = whole * (1 - gone)
            if found.runtime_likely_s is None or found.runtime_early_s is None or found.runtime_late_s is None:
                rows.append((gone, UNKNOWN_ERROR, 0.0, 0.0, 100 * left / whole))
            else:
                error = 100 * (found.runtime_likely_s - left) / whole
                band = (100 * found.runtime_early_s / whole, 100 * found.runtime_late_s / whole)
                rows.append((gone, error, *band, 100 * left / whole))
    return np.array(rows)


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
    late = [rows[rows[:, 0] > 0.25, 1] for rows in replays]
    half = [rows[rows[:, 0] > 0.5, 1] for rows in replays]
    inside = [np.mean((rows[:, 2] <= rows[:, 4]) & (rows[:, 4] <= rows[:, 3])) for rows in replays]
    short = [rows[:, 2] - rows[:, 4] for rows in replays]
    return Score(
        runs=len(replays),
        rms=float(np.sqrt(np.mean([np.mean(e**2) for e in errors]))),
        median=float(np.median(np.abs(np.concatenate(errors)))),
        worst=max(float(np.max(np.abs(e))) for e in errors),
        worst_after_quarter=max(float(np.max(np.abs(e))) for e in late),
        worst_half=max(float(np.max(np.abs(e))) for e in half),
        rms_half=float(np.sqrt(np.mean([np.mean(e**2) for e in half]))),
        covered=100 * float(np.mean(inside)),
        width=float(np.mean([np.mean(rows[:, 3] - rows[:, 2]) for rows in replays])),
        risk=100 * float(np.mean([np.mean(s > 0) for s in short])),
        over_reserve=sum(bool(np.max(s) / 100 * w > RESERVE_S) for s, w in zip(short, seconds, strict=True)),
    )


def papers_for(family: str) -> Papers:
    """Nameplate only."""
    cells, c20_ah, _ = truth.FAMILIES[family]
    return Papers(c20_ah=c20_ah, cells=cells)


def fitted(runs: Sequence[Run]) -> Papers:
    """Papers fitted from these runs, all of one family."""
    papers = papers_for(runs[0].family)
    found = []
    for run in runs:
        case = Case(run=run, papers=papers, inputs="V+I")
        found += discharges(samples_of(case), papers, run.name)
    return fitted_papers(papers, found, date(2026, 1, 1))


def sheet_papers(runs_family: str) -> Papers | None:
    """A published table for a block of the same size, not of the same make: PS-12170, 17 Ah, secondary copy."""
    if runs_family != "vrla17":
        return None
    rows = []
    with (truth.data_folder() / "tables" / "discharge_tables.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            if row["battery"].startswith("PS-12170") and float(row["time_min"]) >= 30:
                rows.append(
                    DischargeRow(
                        amps=float(row["amps"]),
                        minutes=float(row["time_min"]),
                        end_volts_per_cell=float(row["end_v_per_cell"]),
                        temp_c=float(row["temp_C"]),
                    )
                )
    return msgspec.structs.replace(papers_for(runs_family), discharge=rows)


Maker = Callable[[list[Run]], list[Case]]


def _plain(inputs: str, *, told: bool = True) -> Maker:
    def make(runs: list[Run]) -> list[Case]:
        variable = runs[0].family == "tubular85"
        return [
            Case(
                run=run,
                papers=papers_for(run.family),
                inputs=inputs,
                start_soc=run.start_soc if told else None,
                mean_ahead=variable and inputs == "V+I",
            )
            for run in runs
        ]

    return make


def _no_ahead(runs: list[Run]) -> list[Case]:
    return [changed(case, mean_ahead=False) for case in _plain("V+I")(runs)] if runs[0].family == "tubular85" else []


def _sheet(runs: list[Run]) -> list[Case]:
    papers = sheet_papers(runs[0].family)
    return [] if papers is None else [changed(case, papers=papers) for case in _plain("V+I")(runs)]


def _fit(count: int, inputs: str) -> Maker:
    def make(runs: list[Run]) -> list[Case]:
        cases = []
        for place, case in enumerate(_plain(inputs)(runs)):
            others = (
                [runs[(place + 2 * step + 1) % len(runs)] for step in range(count)]
                if count
                else runs[:place] + runs[place + 1 :]
            )
            cases.append(changed(case, papers=fitted(others)))
        return cases

    return make


def _worn(inputs: str) -> Maker:
    def make(runs: list[Run]) -> list[Case]:
        return [
            changed(case, papers=msgspec.structs.replace(case.papers, c20_ah=case.papers.c20_ah / 0.7))
            for case in _plain(inputs)(runs)
        ]

    return make


def _partly(told: bool) -> Maker:
    def make(runs: list[Run]) -> list[Case]:
        return _plain("V+I", told=told)([truth.begun_late(run, 0.35) for run in runs])

    return make


def _wrong(points: float) -> Maker:
    def make(runs: list[Run]) -> list[Case]:
        shown = runs if points < 0 else [truth.begun_late(run, points) for run in runs]
        cases = _plain("V+I")(shown)
        return [changed(case, start_soc=min(max((case.start_soc or 0) + points, 0.05), 1.0)) for case in cases]

    return make


def _cold(runs: list[Run]) -> list[Case]:
    return [] if runs[0].family == "tubular85" else _plain("V+I")([truth.cold(run, 0.0, 0.86) for run in runs])


ROWS: dict[str, Maker] = {
    "fitted from 2 runs, V+I": _fit(2, "V+I"),
    "fitted from 2 runs, V+loads": _fit(2, "V+loads"),
    "fitted from 2 runs, V": _fit(2, "V"),
    "fitted from 1 run, V+I": _fit(1, "V+I"),
    "fitted from 1 run, V+loads": _fit(1, "V+loads"),
    "fitted from all other runs, V+I": _fit(0, "V+I"),
    "nameplate, V+I": _plain("V+I"),
    "nameplate, V+I, start not told": _plain("V+I", told=False),
    "nameplate, V+I, load to come not told": _no_ahead,
    "data sheet of such a block, V+I": _sheet,
    "nameplate, V+loads": _plain("V+loads"),
    "nameplate, V": _plain("V", told=False),
    "worn to 70 % of the nameplate, V+I": _worn("V+I"),
    "worn to 70 % of the nameplate, V+loads": _worn("V+loads"),
    "partly charged, told, V+I": _partly(True),
    "partly charged, not told, V+I": _partly(False),
    "start told 30 points too low, V+I": _wrong(-0.3),
    "start told 30 points too high, V+I": _wrong(0.3),
    "0 C, nameplate, V+I": _cold,
}
HEAD = (
    f"{'known and measured':<40}{'battery':<11}{'runs':>4} {'RMS':>6}{'median':>7}{'worst':>6}{'>25%':>6}{'>50%':>6}"
    f"{'RMS>50%':>8}{'band':>6}{'width':>6}{'risk':>5}{'>15min':>7}   {'with board noise: RMS':>21}{'band':>6}"
)


def _line(label: str, family: str, found: Score, noise: Score | None) -> str:
    text = (
        f"{label:<40}{family:<11}{found.runs:>4} {found.rms:6.1f}{found.median:7.1f}{found.worst:6.0f}"
        f"{found.worst_after_quarter:6.0f}{found.worst_half:6.0f}{found.rms_half:8.1f}{found.covered:6.0f}"
        f"{found.width:6.0f}{found.risk:5.0f}{found.over_reserve:7d}"
    )
    return text if noise is None else f"{text}   {noise.rms:21.1f}{noise.covered:6.0f}"


def _scored(cases: list[Case], count: int) -> Score:
    return score([replay(case, count) for case in cases], [case.run.seconds for case in cases])


def _with_noise(cases: list[Case]) -> list[Case]:
    return [changed(case, run=truth.noisy(case.run)) for case in cases]


def others(families: dict[str, list[Run]], count: int) -> None:
    """Prints what a person might use instead, on the same runs and samples."""
    print("\nWhat one might use instead (current known, start told)")
    for name, method in methods.METHODS.items():
        for family, runs in families.items():
            cells, c20_ah, _ = truth.FAMILIES[family]
            print(
                _simple(
                    name,
                    family,
                    [[method(run, row, cells, c20_ah) for row in _rows(run, count)] for run in runs],
                    runs,
                    count,
                )
            )
    for family, runs in families.items():
        if family != "tubular85":
            tables = [methods.voltage_table([o for o in runs if o is not run], run) for run in runs]
            answers = [
                [float(table[row]) for row in _rows(run, count)] for table, run in zip(tables, runs, strict=True)
            ]
            print(_simple("voltage table of the same block", family, answers, runs, count))


def _rows(run: Run, count: int) -> list[int]:
    shares = np.linspace(0.05, 0.95, count)
    return sorted({int(np.searchsorted(run.t_s, run.t_s[run.begin] + share * run.seconds)) for share in shares})


def _simple(name: str, family: str, answers: list[list[float | None]], runs: list[Run], count: int) -> str:
    squares, worst = [], 0.0
    for given, run in zip(answers, runs, strict=True):
        left = [run.t_s[-1] - run.t_s[row] for row in _rows(run, count)]
        errors = [
            UNKNOWN_ERROR if answer is None else 100 * (answer - true) / run.seconds
            for answer, true in zip(given, left, strict=True)
        ]
        squares.append(np.mean(np.square(errors)))
        worst = max(worst, float(np.max(np.abs(errors))))
    return f"{name:<40}{family:<11}{len(runs):>4} {math.sqrt(float(np.mean(squares))):6.1f}{'':7}{worst:6.0f}"


def main(arguments: list[str]) -> None:
    """Prints the table."""
    parser = argparse.ArgumentParser(prog="battery", description=__doc__)
    parser.add_argument("--samples", type=int, default=60)
    parser.add_argument("--only", default="")
    told = parser.parse_args(arguments)
    families: dict[str, list[Run]] = {}
    for run in truth.recordings(truth.data_folder()):
        families.setdefault(run.family, []).append(run)
    print(HEAD)
    kept: list[Score] = []
    for label, make in ROWS.items():
        if told.only not in label:
            continue
        for family, runs in families.items():
            cases = make(runs)
            if cases:
                found = _scored(cases, told.samples)
                kept.append(found)
                print(_line(label, family, found, _scored(_with_noise(cases), told.samples)), flush=True)
    print(f"band over all rows: {np.mean([s.covered for s in kept]):.0f} %")
    if not told.only:
        _simulated(told.samples)
        others(families, told.samples)


def _simulated(count: int) -> None:
    """Sound and worn batteries of the two-well model (simulated), nameplate only, steady and switching loads."""
    for health in (1.0, 0.7):
        cases = []
        for share in (0.05, 0.1, 0.2):
            steady = np.full(200_000, share * 18.0)
            switching = np.where(np.arange(200_000) // 20 % 2, 1.5, 0.5) * share * 18.0
            for loads in (steady, switching):
                run = truth.two_well(18.0, health, loads, 60.0)
                cases.append(Case(run=run, papers=Papers(c20_ah=18.0), inputs="V+I", start_soc=1.0, mean_ahead=True))
        found = _scored(cases, count)
        print(
            _line(f"two wells, {health:.0%} of nameplate, V+I", "simulated", found, _scored(_with_noise(cases), count))
        )

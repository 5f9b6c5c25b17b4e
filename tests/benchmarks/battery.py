"""How far off is runtime left? One table over truth sets, inputs and knowledge, beside what others would use.

Error: (expected - true) runtime left over the true whole runtime, in percent, sampled from 5 to 95 % of the run's
time; an unknown counts as 50. Band: fraction of samples with low <= truth <= high; width in percent of the whole
runtime; risk: fraction with truth before low. `--samples N` a run (60 unless said), `--only TEXT` some rows.
"""

import argparse
import math

import numpy as np
from tests.benchmarks import battery_methods as methods
from tests.benchmarks import battery_population
from tests.benchmarks import battery_truth as truth
from tests.benchmarks.battery_cases import ROWS, fitted_from_two
from tests.benchmarks.battery_replay import HEAD, UNKNOWN_ERROR, Case, Score, after, changed, line, replay, scored
from tests.benchmarks.battery_truth import Run

from groundbox.battery.profile import BatteryProfile

Families = dict[str, list[Run]]
BACK_SAMPLES = 5


def _with_noise(cases: list[Case]) -> list[Case]:
    return [changed(case, run=truth.noisy(case.run)) for case in cases]


def others(families: dict[str, list[Run]], count: int) -> None:
    """Prints what a person might use instead, on the same runs and samples."""
    print("\nWhat one might use instead (current known, start stated)")
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
            print(_simple("voltage table of the same battery", family, answers, runs, count))


def _rows(run: Run, count: int) -> list[int]:
    fractions = np.linspace(0.05, 0.95, count)
    return sorted(
        {int(np.searchsorted(run.t_s, run.t_s[run.begin] + fraction * run.seconds)) for fraction in fractions}
    )


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
    return f"{name:<46}{family:<11}{len(runs):>4} {math.sqrt(float(np.mean(squares))):6.1f}{'':7}{worst:6.0f}"


def left_out(families: Families, count: int) -> None:
    """Prints nameplate rows with the population re-derived without the judged family, and by the same rule with all."""
    found = battery_population.sources()
    for label, without_it in (("population by rule, this family left out", True), ("population by rule, all", False)):
        for family, runs in families.items():
            mean, sd = battery_population.derived(found, family if without_it else None)
            with battery_population.instead(mean, sd):
                cases = ROWS["nameplate, V+I"](runs)
                print(line(label, family, scored(cases, count), scored(_with_noise(cases), count)), flush=True)


def wrong_start(families: Families) -> None:
    """Prints errors twenty minutes after the load began, start stated right and 30 points off."""
    print(f"\n{'20 minutes after the load began':<52}{'battery':<11}{'runs':>4}{'RMS':>7}{'worst':>7}{'in band':>9}")
    starts = {
        "start stated right": lambda runs: ROWS["nameplate, V+I"](runs),
        "start stated 30 points too low": ROWS["start stated 30 points too low, V+I"],
        "start stated 30 points too high": ROWS["start stated 30 points too high, V+I"],
    }
    for known in ("nameplate", "fitted from 2 runs"):
        for label, make in starts.items():
            for family in ("vrla17", "block5cell"):
                cases = make(families[family])
                if known != "nameplate":
                    pairs = fitted_from_two(families[family])
                    cases = [changed(case, profile=profile) for case, profile in zip(cases, pairs, strict=True)]
                rows = np.array([after(case, 20) for case in cases])
                rms, worst = np.sqrt(np.mean(rows[:, 1] ** 2)), np.abs(rows[:, 1]).max()
                inside = int(np.sum((rows[:, 2] <= rows[:, 4]) & (rows[:, 4] <= rows[:, 3])))
                name = f"{known}, {label}"
                print(f"{name:<52}{family:<11}{len(rows):>4}{rms:7.1f}{worst:7.0f}{inside:9d}", flush=True)


def _taken_back(case: Case) -> float:
    """Largest change of the expected runtime from minute to minute that the next five take back, % of the whole."""
    rows = replay(case, 100_000)
    expected, worst = rows[:, 1] + rows[:, 4] + 100 * rows[:, 0], 0.0  # on one clock: end of the run
    for place in range(1, len(expected) - BACK_SAMPLES):
        step = expected[place] - expected[place - 1]
        later = expected[place + 1 : place + 1 + BACK_SAMPLES]
        back = float(np.max((expected[place] - later) * np.sign(step)))
        worst = max(worst, min(abs(float(step)), back))
    return worst


def swings(families: Families) -> None:
    """Prints the largest swing that is reversed within five minutes; the load to come is stated, a reading a minute."""
    print(f"\n{'largest swing reversed in 5 minutes, % of the whole runtime':<64}")
    switched = [changed(case, ahead="whole") for case in _two_well_cases(1.0, "V+I")]
    for label, cases in (
        ("two wells, switching and steady", switched),
        ("tubular85, nameplate", ROWS["nameplate, V+I"](families["tubular85"])),
        ("tubular85, fitted from 2 runs", ROWS["fitted from 2 runs, V+I"](families["tubular85"])),
    ):
        found = [_taken_back(case) for case in cases]
        print(f"{label:<44}" + " ".join(f"{swing:5.1f}" for swing in found), flush=True)


def _two_well_cases(health: float, inputs: str) -> list[Case]:
    cases = []
    for fraction in (0.05, 0.1, 0.2):
        steady = np.full(200_000, fraction * 18.0)
        switching = np.where(np.arange(200_000) // 20 % 2, 1.5, 0.5) * fraction * 18.0
        for loads in (steady, switching):
            run = truth.two_well(18.0, health, loads, 60.0)
            stated = "whole" if inputs == "V+I" else ""
            cases.append(Case(run=run, profile=BatteryProfile(c20_ah=18.0), inputs=inputs, start_soc=1.0, ahead=stated))
    return cases


def simulated(count: int) -> None:
    """Sound and worn batteries of the two-well model (simulated), nameplate only, steady and switching loads."""
    for inputs in ("V+I", "V", "V+switches"):
        for health in (1.0, 0.7):
            cases = _two_well_cases(health, inputs)
            label = f"two wells, {health:.0%} of nameplate, {inputs}"
            print(line(label, "simulated", scored(cases, count), scored(_with_noise(cases), count)), flush=True)


def main(arguments: list[str]) -> None:
    """Prints the table."""
    parser = argparse.ArgumentParser(prog="battery", description=__doc__)
    parser.add_argument("--samples", type=int, default=60)
    parser.add_argument("--only", default="")
    stated = parser.parse_args(arguments)
    families: Families = {}
    for run in truth.recordings(truth.data_folder()):
        families.setdefault(run.family, []).append(run)
    print(HEAD)
    kept: list[Score] = []
    for label, make in ROWS.items():
        if stated.only not in label:
            continue
        for family, runs in families.items():
            cases = make(runs)
            if cases:
                found = scored(cases, stated.samples)
                kept.append(found)
                print(line(label, family, found, scored(_with_noise(cases), stated.samples)), flush=True)
    print(f"band over all rows: {np.mean([s.covered for s in kept]):.0f} %")
    if not stated.only:
        simulated(stated.samples)
        left_out(families, stated.samples)
        wrong_start(families)
        swings(families)
        others(families, stated.samples)

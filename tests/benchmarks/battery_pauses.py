"""A load that pauses with nothing declared: is runtime left ever stated too long for it?

Batteries of the two-well model (simulated), sound and worn, under a steady load that is switched off
now and then. Truth is the time left with the load on: what a pilot bets on who switches a box off between flights.
Sampled at some 50 moments while 95 to 5 % of it are left, in pauses too; the rest as in `battery`, in percent of the
runtime with the load always on.
"""

from collections.abc import Sequence
from copy import copy

import numpy as np
from tests.benchmarks.battery_replay import HEAD, UNKNOWN_ERROR, Score, line, score
from tests.benchmarks.battery_truth import Array, TwoWells

from groundbox.battery.estimate import Estimator
from groundbox.battery.limits import RuntimeLimits
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.values import Estimate, Sample

C20_AH, CUTOFF, STEP_S, TRUTH_STEP_S, SAMPLES = 18.0, 10.5, 10.0, 60.0, 50
FRACTIONS, HEALTHS = (0.05, 0.1, 0.2), (1.0, 0.7)
PAUSES = ((40, 5), (20, 20), (60, 30), (4, 4), (90, 120))  # minutes on, minutes off


def _left_s(battery: TwoWells, amps: float) -> float:
    """Seconds to the cutoff with the load on from now."""
    other, seconds = copy(battery), 0.0
    while other.volts(amps) > CUTOFF:
        other.draw(amps, TRUTH_STEP_S / 3600)
        seconds += TRUTH_STEP_S
    return seconds


def _replay(health: float, amps: float, pause: tuple[int, int], inputs: str, noise: bool) -> Array:
    """(samples, 5): see battery_replay.row_of."""
    battery, dice = TwoWells(C20_AH, health), np.random.default_rng(3)
    estimator = Estimator(
        BatteryProfile(c20_ah=C20_AH), RuntimeLimits(cutoff_volts=CUTOFF, end_volts_per_cell=0.0), start_soc=1.0
    )
    whole_s = _left_s(battery, amps)
    every = max(round(whole_s * sum(pause) / pause[0] / STEP_S / SAMPLES), 1)
    every += every % 2 == 0  # so that samples wander through the pauses
    rows, number = [], 0
    while True:
        load = amps if number * STEP_S / 60 % sum(pause) < pause[0] else 0.0
        volts = battery.volts(load)
        if load and volts <= CUTOFF:
            return np.array(rows)
        observed, current = volts, load
        if noise:
            observed = round((volts * 1.003 + 0.015 + dice.normal(0, 0.008)) / 0.005) * 0.005
            current = load * 1.003 + 0.020
        estimator.update(Sample(t_s=number * STEP_S, volts=observed, amps=current if inputs == "V+I" else None))
        if number % every == 0:
            left = 100 * _left_s(battery, amps) / whole_s
            if 5 <= left <= 95:
                rows.append(_row(estimator.estimate(), left, whole_s))
        battery.draw(load, STEP_S / 3600)
        number += 1


def _row(found: Estimate, left: float, whole_s: float) -> tuple[float, float, float, float, float]:
    stated = found.runtime_expected_s, found.runtime_low_s, found.runtime_high_s
    expected, low, high = (None if one is None else 100 * one / whole_s for one in stated)
    if expected is None or low is None or high is None:
        return 1 - left / 100, UNKNOWN_ERROR, 0.0, 0.0, left
    return 1 - left / 100, expected - left, low, high, left


def _scored(healths: Sequence[float], pauses: Sequence[tuple[int, int]], inputs: str, noise: bool) -> Score:
    found, seconds = [], []
    for health in healths:
        for amps in (fraction * C20_AH for fraction in FRACTIONS):
            found += [_replay(health, amps, pause, inputs, noise) for pause in pauses]
            seconds += [_left_s(TwoWells(C20_AH, health), amps)] * len(pauses)
    return score(found, seconds)


def main(arguments: list[str]) -> None:
    """Prints rows like those of the main table."""
    print(HEAD)
    for inputs in ("V+I", "V"):
        for health in HEALTHS:
            found, noise = (_scored([health], PAUSES, inputs, noisy) for noisy in (False, True))
            print(line(f"{health:.0%} of nameplate, {inputs}", "two wells", found, noise), flush=True)
        for pause in PAUSES:
            label = f"{pause[0]} min on, {pause[1]} min off, {inputs}"
            print(line(label, "two wells", _scored(HEALTHS, [pause], inputs, False), None), flush=True)

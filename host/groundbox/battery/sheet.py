"""The profile a maker's discharge table describes: so many minutes at so many amps, from full to an end voltage."""

from collections.abc import Sequence

import numpy as np

from groundbox.battery import curve, temperature
from groundbox.battery.curve import Array
from groundbox.battery.least_squares import solve
from groundbox.battery.papers import DischargeRow
from groundbox.battery.population import CAPACITY, COEFFICIENTS, LAG, Profile

END_VOLTS, END_TIME = 0.006, 0.025  # how closely the curve can follow a table: volts per cell, share of the time
INDEPENDENT = 20


def _end_volts(numbers: Array, rate: Array, hours: Array) -> Array:
    """(rows,) volts per cell after `hours` at `rate` from full."""
    decay = np.exp(-hours[:, np.newaxis] / curve.WELL_HOURS)
    wells = rate[:, np.newaxis] * curve.WELL_HOURS * (1 - decay)
    whole = curve.whole_charge(numbers[CAPACITY], numbers[LAG])
    depleted = curve.depleted_share(rate * hours, wells, whole, numbers[LAG])
    return np.asarray(curve.terms(depleted, rate) @ numbers[COEFFICIENTS])


def _rates(rows: Sequence[DischargeRow], c20_ah: float) -> Array:
    return np.array([row.amps / c20_ah / temperature.load_factor(row.temp_c) for row in rows])


def sheet_profile(prior: Profile, rows: Sequence[DischargeRow], c20_ah: float) -> Profile:
    """The prior drawn to a table. Its covariance is that of the table's fit, not of real batteries about the table."""
    root = np.linalg.inv(np.linalg.cholesky(prior.covariance))
    rate, hours = _rates(rows, c20_ah), np.array([row.minutes for row in rows]) / 60
    wanted = np.array([row.end_volts_per_cell for row in rows])
    thinning = np.sqrt(min(INDEPENDENT / len(rows), 1.0))
    lower = np.array([0.2, -0.3, -np.inf, -np.inf, -np.inf, 0.005, 0.0, 0.005, 0.0])

    def residuals(x: Array) -> Array:
        volts = _end_volts(x, rate, hours)
        steep = volts - _end_volts(x, rate, hours * (1 + END_TIME))
        return np.concatenate([root @ (x - prior.mean), thinning * (volts - wanted) / np.hypot(END_VOLTS, steep)])

    mean, covariance = solve(residuals, prior.mean, lower)
    return Profile(mean=mean, covariance=covariance, error_volts=prior.error_volts, worn_share=prior.worn_share)


def hours_from_full(profile: Profile, rate: float, end_volts_per_cell: float) -> float:
    """Hours from full at a steady `rate` (C20 per hour, 25 C) to an end voltage, by the profile's middle."""
    low, high = np.array([1e-4]), np.array([2.0 / rate])
    for _ in range(50):
        middle = (low + high) / 2
        above = _end_volts(profile.mean, np.array([rate]), middle)[0] > end_volts_per_cell
        low, high = (middle, high) if above else (low, middle)
    return float(low[0])

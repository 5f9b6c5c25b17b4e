"""The prior a maker's discharge table describes: so many minutes at so many amps, from full to an end voltage."""

from collections.abc import Sequence

import numpy as np

from groundbox.battery import curve, temperature
from groundbox.battery.curve import Array
from groundbox.battery.least_squares import solve
from groundbox.battery.population import CAPACITY, COEFFICIENTS, LAG, Prior
from groundbox.battery.profile import DischargeRow

END_VOLTS, END_TIME = 0.006, 0.025  # how closely the curve can follow a table: volts per cell, share of the time
INDEPENDENT = 20
NEAR_LOAD, NEAR_VOLTS = 0.5, 0.03  # logarithm of the load, volts per cell


def _end_volts(numbers: Array, rate: Array, hours: Array) -> Array:
    """(rows,) volts per cell after `hours` at `rate` from full."""
    decay = np.exp(-hours[:, np.newaxis] / curve.WELL_HOURS)
    wells = rate[:, np.newaxis] * curve.WELL_HOURS * (1 - decay)
    whole = curve.whole_charge(numbers[CAPACITY], numbers[LAG])
    depleted = curve.depleted_share(rate * hours, wells, whole, numbers[LAG])
    return np.asarray(curve.terms(depleted, rate) @ numbers[COEFFICIENTS])


def _rates(rows: Sequence[DischargeRow], c20_ah: float) -> Array:
    return np.array([row.amps / c20_ah / temperature.load_factor(row.temp_c, row.amps / c20_ah) for row in rows])


def sheet_prior(prior: Prior, rows: Sequence[DischargeRow], c20_ah: float) -> Prior:
    """The prior drawn to a table. Its covariance is that of the table's fit, not of real batteries about the table."""
    root = np.linalg.inv(np.linalg.cholesky(prior.covariance))
    rate, hours = _rates(rows, c20_ah), np.array([row.minutes for row in rows]) / 60
    wanted = np.array([row.end_volts_per_cell for row in rows])
    thinning = np.sqrt(min(INDEPENDENT / len(rows), 1.0))
    lower = np.array([0.2, 0.0, -np.inf, -np.inf, -np.inf, 0.005, 0.0, 0.005, 0.0])

    def residuals(x: Array) -> Array:
        volts = _end_volts(x, rate, hours)
        steep = volts - _end_volts(x, rate, hours * (1 + END_TIME))
        return np.concatenate([root @ (x - prior.mean), thinning * (volts - wanted) / np.hypot(END_VOLTS, steep)])

    mean, covariance = solve(residuals, prior.mean, lower)
    return Prior(mean=mean, covariance=covariance, error_volts=prior.error_volts, worn_share=prior.worn_share)


def hours_from_full(prior: Prior, rate: Array | float, end_volts_per_cell: Array | float) -> Array:
    """(k,) hours from full at steady rates (C20 per hour, 25 C) to end voltages, by the prior's middle."""
    rates, ends = np.broadcast_arrays(np.atleast_1d(rate).astype(float), np.asarray(end_volts_per_cell, dtype=float))
    low, high = np.full(rates.shape, 1e-4), 2.0 / rates
    for _ in range(50):
        middle = (low + high) / 2
        above = _end_volts(prior.mean, rates, middle) > ends
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.asarray(low)


def hours_by_sheet(
    prior: Prior, rows: Sequence[DischargeRow], c20_ah: float, amps: float, end_volts_per_cell: float, temp_c: float
) -> float:
    """Hours from full by the fitted curve, set right by what it is off at the nearest rows of the table.

    A curve with physics in it follows a whole table to some 6 %; its error is smooth, so neighbours tell most of it.
    """
    rates = _rates(rows, c20_ah)
    rate = amps / c20_ah / temperature.load_factor(temp_c, amps / c20_ah)
    ends = np.array([row.end_volts_per_cell for row in rows])
    off = np.log(np.array([row.minutes for row in rows]) / 60 / hours_from_full(prior, rates, ends))
    distance = np.hypot(np.log(rates / rate) / NEAR_LOAD, (ends - end_volts_per_cell) / NEAR_VOLTS)
    weight = np.exp(-0.5 * distance**2) + 1e-12
    design = np.stack([np.ones_like(rates), np.log(rates / rate)], axis=1)
    pull = design.T @ (design * weight[:, np.newaxis]) + np.diag([0.01, 0.05])
    right = np.linalg.solve(pull, design.T @ (off * weight))
    return float(hours_from_full(prior, rate, end_volts_per_cell)[0] * np.exp(right[0]))

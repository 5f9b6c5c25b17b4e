"""The prior of a battery: nine numbers with their covariance, before the estimator sees a reading of this run.

By rule: a fit of this battery, else its data sheet and its age, else the population of sound batteries. A data sheet
row states so many minutes at so many amps, from full to an end voltage.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from groundbox.battery import cell
from groundbox.battery.cell import TERMS, Array, terms
from groundbox.battery.profile import BatteryProfile, DischargeRow, FittedCurve

NAMES = ("capacity_c20", "lag_strength", *TERMS)
CAPACITY, LAG, COEFFICIENTS = 0, 1, slice(2, 9)
MIN_NUMBERS: Array = np.array([0.2, 0.0, -np.inf, -np.inf, -np.inf, 0.005, 0.0, 0.005, 0.0])

# Population of sound batteries: the middle and spread of fits to seven makers' discharge tables and three recorded
# batteries (17 Ah valve-regulated, 85 Ah tubular, a large one of five cells), widened, since ten batteries are few.
SOUND_MEAN: Array = np.array([1.06, 1.00, 2.047, 0.100, 0.060, 0.058, 0.0120, 0.150, 0.0060])
SOUND_SD: Array = np.array([0.24, 0.90, 0.017, 0.055, 0.065, 0.018, 0.0080, 0.110, 0.0045])
OFFSET, SLOPE, BEND = 2, 3, 4
SLOPE_BEND_CORRELATION = -0.7
# Batteries differ less in their voltage under an ordinary load at half depletion than in the parts it is made of
# (15 mV a cell among six independent sources; with the parts independent it would be 31), so the spread of
# `offset_v` is given there, at this rate, and the offset is whatever the other parts leave.
ORDINARY_RATE = 0.1
SOUND_ERROR_VOLTS = 0.009
# An undeclared load: a box is sized for a day, so around a tenth of C20, from a fiftieth to a half (assumed).
MEDIAN_LOG_RATE, LOG_RATE_SD = float(np.log(1 / 10)), 0.8
# A battery of unknown age may be worn: this probability is spread evenly from MIN_WORN_CAPACITY to 1.
WORN_PROBABILITY, MIN_WORN_CAPACITY = 0.11, 0.4
# It may be broken, or its label untrue (assumed; known are blocks of 6 to 12 %, and a label 2.5 times too large).
BROKEN_PROBABILITY, BROKEN_AFTER_FIT = 0.03, 0.01

SHEET_END_VOLTS, SHEET_END_TIME = (
    0.006,
    0.025,
)  # how closely the curve follows a table: volts per cell, part of the time
INDEPENDENT_ROWS = 20
MAX_STEPS = 60
NEAR_LOAD, NEAR_VOLTS = 0.5, 0.03  # logarithm of the load, volts per cell

# Assumed: in field use a battery loses this part of its capacity a year, and the loss differs widely.
FADE_PER_YEAR, FADE_SPREAD = 0.07, 0.6
SHEET_WEIGHT, SHEET_SLACK = 0.6, 0.9
# The one run that was fitted may not have begun full, or may be another battery's.
DOUBT_ONE_RUN, DOUBT_RUNS = 0.15, 0.04
# Since a fit (assumed): discharges that age a battery as a year does, chance of unusual wear, rise of resistance.
CYCLES_A_YEAR, WORN_PER_YEAR, RISE_PER_YEAR, RESISTANCE = 60, 0.15, 0.15, 7
# Two equal runs of one battery differ by about this much (3.6 % measured between two runs of the 17 Ah battery).
RUN_CAPACITY_SD, RUN_OFFSET_SD = 0.03, 0.006
UNSEEN_CAPACITY_SD = 0.08  # and this for what one run at one load does not show, less with each more
FITS_WELL_VOLTS = 0.008  # a misfit up to here is a steady run's; a curve that follows its own runs worse knows less


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """mean (9,) and covariance (9, 9) of NAMES.

    error_volts: lasting misfit of the curve, volts per cell.
    worn_probability: that the battery is worn down to anywhere between MIN_WORN_CAPACITY and its mean capacity.
    broken_probability: that it is broken or its label is not true: a small part of the capacity.
    """

    mean: Array
    covariance: Array
    error_volts: float
    worn_probability: float
    broken_probability: float = 0.0

    def with_number(self, index: int, mean: float, sd: float) -> "Prior":
        """The same with one number replaced and made independent of the others."""
        mean_vector, covariance = self.mean.copy(), self.covariance.copy()
        mean_vector[index] = mean
        covariance[index, :] = covariance[:, index] = 0.0
        covariance[index, index] = sd * sd
        return replace(self, mean=mean_vector, covariance=covariance)

    def widened(self, index: int, sd: float) -> "Prior":
        """The same with an independent error of spread `sd` added to one number."""
        covariance = self.covariance.copy()
        covariance[index, index] += sd * sd
        return replace(self, covariance=covariance)


def sound_prior() -> Prior:
    """The population of lead-acid batteries in good order."""
    covariance = np.diag(SOUND_SD**2)
    covariance[SLOPE, BEND] = covariance[BEND, SLOPE] = SLOPE_BEND_CORRELATION * SOUND_SD[SLOPE] * SOUND_SD[BEND]
    parts = terms(np.array(0.5), ORDINARY_RATE)
    by_parts = np.eye(len(NAMES))
    by_parts[OFFSET, OFFSET + 1 :] = -parts[1:]
    covariance = by_parts @ covariance @ by_parts.T
    return Prior(
        mean=SOUND_MEAN.copy(),
        covariance=covariance,
        error_volts=SOUND_ERROR_VOLTS,
        worn_probability=WORN_PROBABILITY,
        broken_probability=BROKEN_PROBABILITY,
    )


def posterior_mode(residuals: Callable[[Array], Array], start: Array, lower: Array) -> tuple[Array, Array]:
    """(k,) the minimum of the sum of squares above `lower`, and (k, k) the inverse of J'J there.

    Residuals are in units of their spread and include the prior's, so the second is the posterior covariance.
    """
    from scipy.optimize import least_squares  # takes a while to import; most batteries need no fit

    with np.errstate(over="ignore", invalid="ignore"):  # a step too far is rejected
        found = least_squares(
            residuals, np.maximum(start, lower), bounds=(lower, np.inf), x_scale="jac", ftol=1e-6, max_nfev=MAX_STEPS
        )
    return found.x, np.asarray(np.linalg.inv(found.jac.T @ found.jac))


def _end_volts(numbers: Array, rate: Array, hours: Array) -> Array:
    """(rows,) volts per cell after `hours` at `rate` from full."""
    decay = np.exp(-hours[:, np.newaxis] / cell.WELL_HOURS)
    wells = rate[:, np.newaxis] * cell.WELL_HOURS * (1 - decay)
    total = cell.total_charge(numbers[CAPACITY], numbers[LAG])
    depleted = cell.depleted_fraction(rate * hours, wells, total, numbers[LAG])
    return np.asarray(terms(depleted, rate) @ numbers[COEFFICIENTS])


def _rates(rows: Sequence[DischargeRow], c20_ah: float) -> Array:
    return np.array([row.amps / c20_ah / cell.load_factor(row.temp_c, row.amps / c20_ah) for row in rows])


def sheet_prior(prior: Prior, rows: Sequence[DischargeRow], c20_ah: float) -> Prior:
    """The posterior of `prior` given a maker's table.

    Its covariance is that of the table's fit, not of real batteries about the table.
    """
    root = np.linalg.inv(np.linalg.cholesky(prior.covariance))
    rate, hours = _rates(rows, c20_ah), np.array([row.minutes for row in rows]) / 60
    wanted = np.array([row.end_volts_per_cell for row in rows])
    thinning = np.sqrt(min(INDEPENDENT_ROWS / len(rows), 1.0))

    def residuals(x: Array) -> Array:
        volts = _end_volts(x, rate, hours)
        steep = volts - _end_volts(x, rate, hours * (1 + SHEET_END_TIME))
        off = thinning * (volts - wanted) / np.hypot(SHEET_END_VOLTS, steep)
        return np.concatenate([root @ (x - prior.mean), off])

    mean, covariance = posterior_mode(residuals, prior.mean, MIN_NUMBERS)
    return replace(prior, mean=mean, covariance=covariance)


def hours_from_full(prior: Prior, rate: Array | float, end_volts_per_cell: Array | float) -> Array:
    """(k,) hours from full at steady rates (C20 per hour, 25 °C) to end voltages, by the prior's mean."""
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
    """Hours from full by the fitted curve, corrected by its errors at the nearest rows of the table.

    A curve with physics in it follows a whole table to some 6 %; its error is smooth, so neighbours show most of it.
    """
    rates = _rates(rows, c20_ah)
    rate = amps / c20_ah / cell.load_factor(temp_c, amps / c20_ah)
    ends = np.array([row.end_volts_per_cell for row in rows])
    off = np.log(np.array([row.minutes for row in rows]) / 60 / hours_from_full(prior, rates, ends))
    distance = np.hypot(np.log(rates / rate) / NEAR_LOAD, (ends - end_volts_per_cell) / NEAR_VOLTS)
    weight = np.exp(-0.5 * distance**2) + 1e-12
    design = np.stack([np.ones_like(rates), np.log(rates / rate)], axis=1)
    normal = design.T @ (design * weight[:, np.newaxis]) + np.diag([0.01, 0.05])
    correction = np.linalg.solve(normal, design.T @ (off * weight))
    return float(hours_from_full(prior, rate, end_volts_per_cell)[0] * np.exp(correction[0]))


def aged(prior: Prior, age_years: float) -> Prior:
    """Capacity lowered and spread with age in service (assumed rates, see FADE_PER_YEAR)."""
    fade = FADE_PER_YEAR * age_years
    sd = float(np.hypot(np.sqrt(prior.covariance[CAPACITY, CAPACITY]), FADE_SPREAD * fade))
    worn = WORN_PROBABILITY * min(1.0, age_years / 2)
    capacity = float(prior.mean[CAPACITY]) * max(1 - fade, 0.4)
    return replace(prior.with_number(CAPACITY, capacity, sd), worn_probability=worn)


def fitted_prior(fitted: FittedCurve) -> Prior:
    """The posterior of the last fit, widened by what differs between two equal runs, and aged since.

    Time and discharges since the fit lower its capacity by half of the usual fade, widen it by all of it, raise the
    chance that the battery is worn, and widen resistance and offset.
    """
    mean, covariance = np.array(fitted.mean), np.array(fitted.covariance)
    poorly = max(fitted.error_volts / FITS_WELL_VOLTS, 1.0)
    run_sd = RUN_CAPACITY_SD * poorly + UNSEEN_CAPACITY_SD * poorly / fitted.runs**2
    years = fitted.age_years + fitted.cycles_since / CYCLES_A_YEAR
    fade = FADE_PER_YEAR * years
    covariance[CAPACITY, CAPACITY] += (math.hypot(run_sd, fade) * mean[CAPACITY]) ** 2
    covariance[OFFSET, OFFSET] += RUN_OFFSET_SD**2 * (1 + years)
    covariance[RESISTANCE, RESISTANCE] += (RISE_PER_YEAR * years * mean[RESISTANCE]) ** 2
    mean[CAPACITY] *= max(1 - fade / 2, MIN_WORN_CAPACITY)
    return Prior(
        mean=mean,
        covariance=covariance,
        error_volts=fitted.error_volts,
        worn_probability=min(max(DOUBT_ONE_RUN / fitted.runs**2, DOUBT_RUNS) + WORN_PER_YEAR * years, 0.5),
        broken_probability=BROKEN_AFTER_FIT,
    )


def after_sheet(prior: Prior, sheet: Prior) -> Prior:
    """A battery bought by this sheet: between its numbers and the population's, and nearly as wide as that.

    The 17 Ah battery that was measured gave 39 % more at 3 A than a sheet of its size promises.
    """
    mean = SHEET_WEIGHT * sheet.mean + (1 - SHEET_WEIGHT) * prior.mean
    return replace(sheet, mean=mean, covariance=sheet.covariance + SHEET_SLACK**2 * prior.covariance)


def prior_without_fit(profile: BatteryProfile) -> Prior:
    """Before any run of this battery: by its data sheet and its age, else any sound battery."""
    prior = sound_prior()
    if profile.discharge:
        prior = after_sheet(prior, sheet_prior(prior, profile.discharge, profile.c20_ah))
    return prior if profile.age_years is None else aged(prior, profile.age_years)


def prior_with_fit(profile: BatteryProfile) -> Prior:
    """By the fit in the profile where there is one, else `prior_without_fit`."""
    return prior_without_fit(profile) if profile.fitted is None else fitted_prior(profile.fitted)

"""The estimator's core: a particle filter whose particles each carry a Kalman filter (Rao-Blackwellised).

Capacity, lag strength and charge enter the model in a nonlinear way, so each particle has its own. The seven
coefficients of the curve enter the voltage in a linear way, so each particle carries them as a Gaussian, together with
a slowly wandering misfit of the curve. Without that misfit the covariance shrinks too far. Particles are placed by a
low-discrepancy sequence (an additive recurrence, no random numbers), so equal logs give equal estimates.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import ndtri

from groundbox.battery import cell
from groundbox.battery.cell import Array
from groundbox.battery.prior import (
    CAPACITY,
    COEFFICIENTS,
    LAG,
    LOG_RATE_SD,
    MEDIAN_LOG_RATE,
    MIN_WORN_CAPACITY,
    Prior,
)

PARTICLES = 480
MISFIT = 7  # index of the wandering misfit after the seven coefficients
MISFIT_CHARGE = 0.15  # its correlation decays over this much charge, in units of C20
FULL_SD, STATED_SD = 0.025, 0.025
DOUBT_STATED, DOUBT_UNSTATED = 0.24, 0.30  # prior probability that the start charge is anything at all
MIN_CHARGE = 0.10
MIN_CAPACITY = 0.25
TAIL_FREEDOM = 4.0
INNOVATION_STEP, MAX_INNOVATION_SQUARE = 0.05, 50.0
OFFSET_PLACE = 191  # shift of the sequence of sensor offsets, so that they are independent of the other numbers
MIN_COEFFICIENTS: Array = np.array([-np.inf, -np.inf, -np.inf, 0.005, 0.0, 0.01, 0.0])
MIN_OWN_FRACTION = 0.2  # of a particle's own load remains when known loads are switched off, or of a measured one
FILL_HOURS = 1.0  # with the current tapered to a thirtieth of C20 or less
RESAMPLE_BELOW = 1 / 12  # of the particles, by effective sample size
SHRINKAGE = 0.97


def low_discrepancy_points(count: int, dimensions: int) -> Array:
    """(count, dimensions) points spread evenly over the unit cube: multiples of the generalised golden ratio."""
    ratio = 1.5
    for _ in range(60):
        ratio = (1 + ratio) ** (1 / (dimensions + 1))
    steps = ratio ** -np.arange(1.0, dimensions + 1)
    return np.asarray((0.5 + np.arange(1, count + 1)[:, np.newaxis] * steps) % 1.0)


def normal_quantiles(probability: Array) -> Array:
    """Standard normal quantiles of probabilities from 0 to 1; at the ends those of one in a million."""
    return np.asarray(ndtri(np.clip(probability, 1e-6, 1 - 1e-6)))


@lru_cache(maxsize=8)
def normal_points(count: int, dimensions: int) -> Array:
    """(count, dimensions) standard normal quantiles of `low_discrepancy_points`, cached; read-only."""
    points = normal_quantiles(low_discrepancy_points(count, dimensions))
    points.flags.writeable = False
    return points


@dataclass(slots=True)
class Particles:
    """The state of all particles; leading axis is the particle. Charge in units of C20, volts per cell."""

    capacity: Array  # (n,) at the 20-hour rate, units of rated C20
    strength: Array  # (n,) of the lag
    drawn: Array  # (n,) since full
    wells: Array  # (n, 4)
    mean: Array  # (n, 8) seven coefficients and the misfit
    covariance: Array  # (n, 8, 8)
    log_weight: Array  # (n,)
    error_volts: float
    log_rate: Array | None = None  # (n,) each particle's own load, where no current is known
    offset: Array | None = None  # (n,) error of the current sensor, units of C20 per hour, where one measures
    resamplings: int = 0
    innovation_square: float = 1.0  # running mean of the normalised innovation squared; 1 where the prior fits

    @property
    def total(self) -> Array:
        """(n,) charge at an infinitely small rate."""
        return cell.total_charge(self.capacity, self.strength)

    @property
    def weight(self) -> Array:
        """(n,) posterior probabilities of the particles, summing to 1."""
        weight = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(weight / weight.sum())

    def depleted(self) -> Array:
        """(n,) depleted fraction at the plates, now."""
        return cell.depleted_fraction(self.drawn, self.wells, self.total, self.strength)

    def load_response(self, rate: float) -> float:
        """Volts per cell by which the voltage falls for about twice the load, by the posterior mean."""
        middle = self.weight @ self.mean[:, :MISFIT]
        return float(middle[5] * rate + middle[4] * rate / math.hypot(rate, cell.ACTIVATION_RATE))

    def inferred_rate(self) -> float:
        """Posterior mean of an undeclared load, units of C20 per hour; 0 where the load is known."""
        return 0.0 if self.log_rate is None else float(np.exp(self.weight @ self.log_rate))

    def rates(self, rate: float, *, measured: bool) -> Array | float:
        """The load of each particle, units of C20 per hour.

        Measured, it is `rate` and the sensor's offset; where only a switched part is known, each particle has its own
        load, and `rate` is their mean; else it is `rate`.
        """
        if measured and self.offset is not None:
            return np.asarray(np.maximum(rate + self.offset, MIN_OWN_FRACTION * rate))
        if self.log_rate is None:
            return rate
        own = np.exp(self.log_rate)
        return np.maximum(own + (rate - self.inferred_rate()), MIN_OWN_FRACTION * own)

    def charge(self) -> Array:
        """(n,) state of charge, 0 to 1, of each particle's own 20-hour capacity."""
        return np.asarray(np.clip(1 - self.drawn / self.capacity, 0.0, 1.0))

    def advance(self, rate: Array | float, hours: float) -> None:
        """Prediction step: `hours` pass at `rate` (units of C20 per hour)."""
        # One misfit for all particles: with one each, the slowest would win by predicting the smallest innovation.
        moved = abs(float(self.weight @ np.broadcast_to(rate, self.drawn.shape))) * hours
        self.drawn = np.maximum(self.drawn + rate * hours, 0.0)
        self.wells = cell.advance_wells(self.wells, np.broadcast_to(rate, self.drawn.shape), hours)
        keep = math.exp(-moved / MISFIT_CHARGE)
        self.mean[:, MISFIT] *= keep
        self.covariance[:, MISFIT, :] *= keep
        self.covariance[:, :, MISFIT] *= keep
        self.covariance[:, MISFIT, MISFIT] += self.error_volts**2 * (1 - keep**2)

    def observe(self, volts_per_cell: float, rate: Array | float, noise_volts: float) -> None:
        """Update step: weigh and correct every particle by one measured voltage under load."""
        row = np.empty((len(self.drawn), 8))
        row[:, :MISFIT] = cell.terms(self.depleted(), rate)
        row[:, MISFIT] = 1.0
        spread = (self.covariance @ row[:, :, np.newaxis])[:, :, 0]
        variance = np.einsum("ni,ni->n", row, spread) + noise_volts**2
        innovation = volts_per_cell - np.einsum("ni,ni->n", row, self.mean)
        # Student's tails: an outlier widens the posterior; it does not select the nearest particle.
        square = innovation**2 / variance
        mean_square = min(float(self.weight @ square), MAX_INNOVATION_SQUARE)
        self.innovation_square += INNOVATION_STEP * (mean_square - self.innovation_square)
        self.log_weight -= 0.5 * (TAIL_FREEDOM + 1) * np.log1p(square / TAIL_FREEDOM) + 0.5 * np.log(variance)
        variance = variance * np.maximum((TAIL_FREEDOM + square) / (TAIL_FREEDOM + 1), 1.0)
        gain = spread / variance[:, np.newaxis]
        self.mean += gain * innovation[:, np.newaxis]
        self.mean[:, :MISFIT] = np.maximum(self.mean[:, :MISFIT], MIN_COEFFICIENTS)
        self.covariance -= gain[:, :, np.newaxis] * spread[:, np.newaxis, :]
        self.log_weight -= self.log_weight.max()
        self._resample_if_degenerate()

    def widen_misfit(self, volts: float) -> None:
        """Process noise on the misfit: the curve follows a change of load less surely than a steady load."""
        self.covariance[:, MISFIT, MISFIT] += volts**2

    def fill(self, hours: float) -> None:
        """The current has tapered at charging voltage: the missing charge returns over hours."""
        self.drawn *= np.exp(-hours / FILL_HOURS)

    def cross_gap(self, rate: Array | float, hours: float) -> None:
        """Unrecorded hours pass: each particle draws its own part, from nothing to a quarter more than `rate`."""
        part = 1.25 * np.roll(low_discrepancy_points(len(self.drawn), 1)[:, 0], 11 + self.resamplings)
        self.advance(rate * part, hours)

    def observe_rest(self, charge: float, sd: float) -> None:
        """Update step by the charge that a rest voltage shows; at full, surface charge hides how full."""
        gap = charge - self.charge()
        if charge >= 0.95:
            gap = np.maximum(gap - 0.05, 0.0)
        self.log_weight -= 0.5 * np.minimum((gap / sd) ** 2, 16.0)
        self._resample_if_degenerate()

    def _resample_if_degenerate(self) -> None:
        weight = self.weight
        count = len(weight)
        if 1 / np.sum(weight**2) > count * RESAMPLE_BELOW:
            return
        picked = np.searchsorted(np.cumsum(weight), (np.arange(count) + 0.5) / count).clip(0, count - 1)
        self._resample(picked, weight)

    def _resample(self, picked: Array, weight: Array) -> None:
        """Systematic resampling with kernel shrinkage: mean and covariance of the particles stay the same.

        Liu and West 2001, from memory.
        """
        self.resamplings += 1
        count = len(weight)
        columns = [self.capacity, self.strength, self.drawn / self.total]
        columns += [own for own in (self.log_rate, self.offset) if own is not None]
        states = np.stack(columns, axis=1)
        scores = np.roll(normal_points(count, states.shape[1]), 37 * self.resamplings, axis=0)
        centre = weight @ states
        scatter = (states - centre).T @ ((states - centre) * weight[:, np.newaxis])
        values, vectors = np.linalg.eigh(scatter)
        spread = vectors * np.sqrt(np.maximum(values, 1e-10))
        moved = centre + SHRINKAGE * (states[picked] - centre) + np.sqrt(1 - SHRINKAGE**2) * scores @ spread.T
        self.capacity = np.maximum(moved[:, 0], MIN_CAPACITY)
        self.strength = np.maximum(moved[:, 1], 0.0)
        self.drawn = np.maximum(moved[:, 2], 0.0) * self.total
        if self.log_rate is not None:
            self.log_rate = moved[:, 3]
        if self.offset is not None:
            self.offset = moved[:, -1]
        self.wells, self.mean, self.covariance = self.wells[picked], self.mean[picked], self.covariance[picked]
        self.log_weight = np.zeros(count)


def _capacities(prior: Prior, probability: Array) -> Array:
    """Capacity by its prior quantiles: sound ones normal, worn ones uniform from MIN_WORN_CAPACITY to the mean."""
    mean, sd = float(prior.mean[CAPACITY]), float(np.sqrt(prior.covariance[CAPACITY, CAPACITY]))
    worn = probability < prior.worn_probability
    low = MIN_WORN_CAPACITY + (mean - MIN_WORN_CAPACITY) * probability / max(prior.worn_probability, 1e-9)
    sound = mean + sd * normal_quantiles((probability - prior.worn_probability) / (1 - prior.worn_probability))
    return np.maximum(np.where(worn, low, sound), MIN_CAPACITY)


def _start_charges(start_soc: float | None, probability: Array, doubt: float) -> Array:
    centre, sd = (1.0, FULL_SD) if start_soc is None else (start_soc, STATED_SD)
    doubted = np.minimum(probability / max(doubt, 1e-9), 1.0)
    if start_soc is None:
        anything = MIN_CHARGE + (1 - MIN_CHARGE) * doubted
    else:  # a wrong statement is as often about a full battery as about any other charge
        full = 1 - FULL_SD * np.abs(normal_quantiles(2 * doubted - 1))
        anything = np.where(doubted > 0.5, full, MIN_CHARGE + (1 - MIN_CHARGE) * 2 * doubted)
    near = centre + sd * normal_quantiles((probability - doubt) / (1 - doubt))
    near = np.where(near > 1, 2 - near, near)
    return np.clip(np.where(probability < doubt, anything, near), 0.0, 1.0)


def draw_particles(
    prior: Prior,
    start_soc: float | None,
    *,
    rate_known: bool = True,
    offset_sd: float = 0.0,
    doubt: float | None = None,
    count: int = PARTICLES,
) -> Particles:
    """Particles from the prior, the start charge and (where the load is unknown) the usual loads.

    `offset_sd` is the spread of a current sensor's offset, units of C20 per hour.
    `doubt` is the prior probability that the start charge is not `start_soc` (0 to 1).
    """
    if doubt is None:
        doubt = DOUBT_UNSTATED if start_soc is None else DOUBT_STATED
    points = low_discrepancy_points(count, 3 if rate_known else 4)
    capacity = _capacities(prior, points[:, 0])
    lag_sd = float(np.sqrt(prior.covariance[LAG, LAG]))
    strength = np.maximum(prior.mean[LAG] + lag_sd * normal_quantiles(points[:, 1]), 0.0)
    start = _start_charges(start_soc, points[:, 2], doubt)
    pair = prior.covariance[:2, :2]
    slope = np.linalg.solve(pair, prior.covariance[:2, COEFFICIENTS]).T
    off = np.stack([capacity, strength], axis=1) - prior.mean[:2]
    sds = np.sqrt(np.diag(pair))
    mean = np.zeros((count, 8))
    mean[:, :7] = prior.mean[COEFFICIENTS] + np.clip(off, -3 * sds, 3 * sds) @ slope.T
    covariance = np.zeros((8, 8))
    covariance[:7, :7] = prior.covariance[COEFFICIENTS, COEFFICIENTS] - slope @ prior.covariance[:2, COEFFICIENTS]
    covariance[MISFIT, MISFIT] = prior.error_volts**2
    return Particles(
        capacity=capacity,
        strength=strength,
        drawn=(1 - start) * capacity,
        wells=np.zeros((count, 4)),
        mean=mean,
        covariance=np.repeat(covariance[np.newaxis], count, axis=0),
        log_weight=np.zeros(count),
        error_volts=prior.error_volts,
        offset=offset_sd * np.roll(normal_points(count, 1)[:, 0], OFFSET_PLACE) if offset_sd else None,
        log_rate=None if rate_known else MEDIAN_LOG_RATE + LOG_RATE_SD * normal_quantiles(points[:, 3]),
    )

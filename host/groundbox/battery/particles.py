"""The estimator's core: a particle filter whose particles each carry a Kalman filter (Rao-Blackwellised).

Capacity, lag strength and charge enter the model in a nonlinear way, so each particle has its own. The seven
coefficients of the curve enter the voltage in a linear way, so each particle carries them as a Gaussian, together with
a slowly wandering misfit of the curve. Without that misfit the covariance shrinks too far. Particles are placed by a
low-discrepancy sequence (an additive recurrence, no random numbers), so equal logs give equal estimates.
"""

import math
from collections.abc import Callable, Sequence
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
MIN_CAPACITY = 0.03
TAIL_FREEDOM = 4.0
INNOVATION_STEP, MAX_INNOVATION_SQUARE = 0.05, 50.0
# A broken battery gives a small part of its rating, or its label is not true; a wrong gain is a load tapped before the
# shunt, a wrong shunt, a bad contact or a wrong declaration. Both get more particles than their probability.
MIN_BROKEN_CAPACITY, MAX_BROKEN_CAPACITY, BROKEN_SHARE = 0.04, 0.5, 0.08
BROKEN_VOLTS = 0.05  # per cell: how far a broken battery's voltage is off (assumed)
MAX_GAIN, WRONG_SHARE, FAR_GAIN = 6.0, 0.12, 0.25
MISREAD, MISREAD_SHARE, MISREAD_VOLTS, MISREAD_PLACE = (
    0.015,
    0.04,
    0.05,
    97,
)  # a voltage that is read too high, per cell
WRONG_LOAD, BROKEN, TEMPER, KEPT_DOUBTED = 1.0, 2.0, 0.15, 0.08
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
    doubted: Array | None = None  # (n,) WRONG_LOAD: a load far above the known one; BROKEN; else 0
    misread: Array | None = None  # (n,) 1 where the voltage itself is read too high or too low
    usual_volts: float = 0.0  # the prior's offset, volts per cell
    log_gain: Array | None = None  # (n,) logarithm of the actual current over the measured or declared one
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

    def cautious(self, doubt: float, sick: float) -> Array:
        """(n,) the weights, at least `doubt` (0 to 1) on loads far above the known one, `sick` on broken batteries.

        Inside such a group the evidence counts little: what little was drawn favours its mildest members.
        """
        weight = self.weight
        if self.doubted is None:
            return weight
        for kind, least in ((WRONG_LOAD, doubt), (BROKEN, sick)):
            group = self.doubted == kind
            present = float(weight[group].sum())
            if present < least and group.any():
                flat = np.exp(TEMPER * (self.log_weight[group] - self.log_weight[group].max()))
                weight = weight * ((1 - least) / (1 - present))
                weight[group] = least * flat / flat.sum()
        return weight

    def depleted(self) -> Array:
        """(n,) depleted fraction at the plates, now."""
        return cell.depleted_fraction(self.drawn, self.wells, self.total, self.strength)

    def middle(self) -> Array:
        """(8,) the posterior mean of the coefficients and the misfit."""
        return np.asarray(self.weight @ self.mean)

    def load_response(self, rate: float) -> float:
        """Volts per cell by which the voltage falls for about twice the load, by the posterior mean."""
        middle = self.middle()
        return float(middle[5] * rate + middle[4] * rate / math.hypot(rate, cell.ACTIVATION_RATE))

    def inferred_rate(self) -> float:
        """Posterior mean of an undeclared load, units of C20 per hour; 0 where the load is known."""
        return 0.0 if self.log_rate is None else float(np.exp(self.weight @ self.log_rate))

    def rates(self, rate: float, *, measured: bool) -> Array | float:
        """The load of each particle, units of C20 per hour.

        Measured, it is `rate` and the sensor's offset; where only a switched part is known, each particle has its own
        load, and `rate` is their mean; else it is `rate`.
        """
        if self.log_rate is None:
            actual = rate if self.log_gain is None else rate * np.exp(self.log_gain)
            if measured and self.offset is not None:
                return np.asarray(np.maximum(actual + self.offset, MIN_OWN_FRACTION * actual))
            return actual
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

    def read_too_high(self) -> Array | float:
        """(n,) volts per cell by which a misread voltage lies above the actual one, 0 or more."""
        return 0.0 if self.misread is None else self.misread * np.maximum(self.mean[:, 0] - self.usual_volts, 0.0)

    def open_load(self) -> None:
        """The load is no longer known: each particle gets its own of the usual ones."""
        points = np.roll(low_discrepancy_points(len(self.drawn), 1)[:, 0], OFFSET_PLACE)
        self.log_rate = MEDIAN_LOG_RATE + LOG_RATE_SD * normal_quantiles(points)

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
        proposal = self.cautious(KEPT_DOUBTED, KEPT_DOUBTED)  # so that doubted particles remain to be doubted
        picked = np.searchsorted(np.cumsum(proposal), (np.arange(count) + 0.5) / count).clip(0, count - 1)
        self._resample(picked, weight)
        log_weight = np.log(np.maximum(weight[picked] / proposal[picked], 1e-12))
        self.log_weight = log_weight - log_weight.max()

    def _resample(self, picked: Array, weight: Array) -> None:
        """Systematic resampling with kernel shrinkage: mean and covariance of the particles stay the same.

        Liu and West 2001, from memory.
        """
        self.resamplings += 1
        count = len(weight)
        columns = [np.log(self.capacity), self.strength, self.drawn / self.total]
        columns += [own for own in (self.log_rate, self.log_gain, self.offset) if own is not None]
        states = np.stack(columns, axis=1)
        scores = np.roll(normal_points(count, states.shape[1]), 37 * self.resamplings, axis=0)
        centre = weight @ states
        scatter = (states - centre).T @ ((states - centre) * weight[:, np.newaxis])
        values, vectors = np.linalg.eigh(scatter)
        spread = vectors * np.sqrt(np.maximum(values, 1e-10))
        moved = centre + SHRINKAGE * (states[picked] - centre) + np.sqrt(1 - SHRINKAGE**2) * scores @ spread.T
        self.capacity = np.maximum(np.exp(moved[:, 0]), MIN_CAPACITY)
        self.strength = np.maximum(moved[:, 1], 0.0)
        self.drawn = np.maximum(moved[:, 2], 0.0) * self.total
        own = iter(moved[:, 3:].T)
        for name in ("log_rate", "log_gain", "offset"):
            if getattr(self, name) is not None:
                setattr(self, name, next(own).copy())
        self.wells, self.mean, self.covariance = self.wells[picked], self.mean[picked], self.covariance[picked]
        self.doubted = None if self.doubted is None else self.doubted[picked]
        self.misread = None if self.misread is None else self.misread[picked]


@dataclass(frozen=True, slots=True)
class _Part:
    """One part of a mixture: its prior probability, the share of particles that it gets, and its quantiles."""

    probability: float
    share: float
    quantile: Callable[[Array], Array]


def _mixture(parts: Sequence[_Part], points: Array) -> tuple[Array, Array]:
    """(n,) values and (n,) logarithms of their weights, from points spread evenly over 0 to 1."""
    kept = [part for part in parts if part.probability > 0]
    edges = np.concatenate([[0.0], np.cumsum([part.share for part in kept])])
    edges /= edges[-1]
    values, log_weight = np.empty(len(points)), np.empty(len(points))
    for part, low, high in zip(kept, edges[:-1], edges[1:], strict=True):
        inside = (points >= low) & (points <= high)
        values[inside] = part.quantile((points[inside] - low) / (high - low))
        log_weight[inside] = math.log(part.probability / (high - low))
    return values, log_weight


def _capacities(prior: Prior, points: Array) -> tuple[Array, Array]:
    """Capacity: sound ones normal, worn ones even from MIN_WORN_CAPACITY to the mean, broken ones under that."""
    mean, sd = float(prior.mean[CAPACITY]), float(np.sqrt(prior.covariance[CAPACITY, CAPACITY]))
    worn, broken = prior.worn_probability, prior.broken_probability
    edges = math.log(MIN_BROKEN_CAPACITY), math.log(MAX_BROKEN_CAPACITY)
    values, log_weight = _mixture(
        (
            _Part(broken, max(broken, BROKEN_SHARE), lambda p: np.exp(edges[0] + (edges[1] - edges[0]) * p)),
            _Part(worn, worn, lambda p: MIN_WORN_CAPACITY + (mean - MIN_WORN_CAPACITY) * p),
            _Part(1 - worn - broken, 1 - worn - broken, lambda p: mean + sd * normal_quantiles(p)),
        ),
        points,
    )
    return np.maximum(values, MIN_CAPACITY), log_weight


def _log_gains(load: "KnownLoad", points: Array) -> tuple[Array, Array]:
    """Logarithm of the actual current over the known one: within its spread, or, if the load is wrong, anything."""
    low, high, wrong = math.log(load.lowest_gain), math.log(MAX_GAIN), load.wrong
    return _mixture(
        (
            _Part(wrong, max(wrong, WRONG_SHARE), lambda p: low + (high - low) * p),
            _Part(1 - wrong, 1 - max(wrong, WRONG_SHARE), lambda p: load.gain_sd * normal_quantiles(p)),
        ),
        points,
    )


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


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownLoad:
    """How the load is known: spread of its gain and probability that the gain is anything; spread of its offset.

    lowest_gain: the actual load is at least this part of the known one.
    offset_sd: of a current sensor, units of C20 per hour.
    """

    gain_sd: float = 0.0
    wrong: float = 0.0
    lowest_gain: float = 0.7
    offset_sd: float = 0.0


EXACT = KnownLoad()


def draw_particles(
    prior: Prior,
    start_soc: float | None,
    *,
    load: KnownLoad | None = EXACT,
    doubt: float | None = None,
    count: int = PARTICLES,
) -> Particles:
    """Particles from the prior, the start charge and the load; None draws the usual loads, where it is unknown.

    `doubt` is the prior probability that the start charge is not `start_soc` (0 to 1).
    """
    if doubt is None:
        doubt = DOUBT_UNSTATED if start_soc is None else DOUBT_STATED
    points = low_discrepancy_points(count, 3 if load is EXACT else 4)
    capacity, log_weight = _capacities(prior, points[:, 0])
    log_gain = None
    doubted = np.where(capacity < MAX_BROKEN_CAPACITY, BROKEN, 0.0)
    if load is not None and load.wrong > 0:
        log_gain, of_gain = _log_gains(load, points[:, 3])
        log_weight = log_weight + of_gain
        doubted[log_gain > FAR_GAIN] = WRONG_LOAD
    offset_sd = 0.0 if load is None else load.offset_sd
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
    covariances = np.repeat(covariance[np.newaxis], count, axis=0)
    covariances[capacity < MAX_BROKEN_CAPACITY, 0, 0] += BROKEN_VOLTS**2
    misread = np.roll(points[:, 1], MISREAD_PLACE) < MISREAD_SHARE
    mean[misread, 0] += MISREAD_VOLTS
    covariances[misread, 0, 0] += (0.5 * MISREAD_VOLTS) ** 2
    log_weight = log_weight + np.where(misread, math.log(MISREAD / MISREAD_SHARE), 0.0)
    return Particles(
        capacity=capacity,
        strength=strength,
        drawn=(1 - start) * capacity,
        wells=np.zeros((count, 4)),
        mean=mean,
        covariance=covariances,
        log_weight=log_weight - log_weight.max(),
        error_volts=prior.error_volts,
        log_gain=log_gain,
        doubted=doubted,
        misread=misread.astype(float),
        usual_volts=float(prior.mean[COEFFICIENTS][0]),
        offset=offset_sd * np.roll(normal_points(count, 1)[:, 0], OFFSET_PLACE) if offset_sd else None,
        log_rate=None if load is not None else MEDIAN_LOG_RATE + LOG_RATE_SD * normal_quantiles(points[:, 3]),
    )

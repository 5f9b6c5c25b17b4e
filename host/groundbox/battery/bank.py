"""The recursive estimator's core: many batteries that this one may be, each with its own Kalman filter.

Capacity, lag strength and charge bend the model, so they differ from member to member; the seven coefficients of the
curve enter the voltage straight, so each member carries them as a Gaussian, together with a slowly wandering misfit of
the curve. Without that misfit the filter grows sure of the wrong thing. Members are drawn evenly (an additive
recurrence, no chance involved), so equal logs give equal answers.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist

import numpy as np

from groundbox.battery import curve
from groundbox.battery.curve import Array
from groundbox.battery.population import (
    CAPACITY,
    COEFFICIENTS,
    LAG,
    LIKELY_LOG_RATE,
    LOG_RATE_SD,
    WORST_CAPACITY,
    Prior,
)

MEMBERS = 480
MISFIT = 7  # place of the wandering misfit after the seven coefficients
MISFIT_CHARGE = 0.15  # it forgets itself over this much charge, in units of C20
FULL_SD, TOLD_SD = 0.025, 0.025
DOUBT_TOLD, DOUBT_UNTOLD = 0.24, 0.30  # share of belief that the start charge is anything at all
LEAST_CHARGE = 0.10
MIN_CAPACITY = 0.25
TAIL_FREEDOM = 4.0
OFFSET_PLACE = 191  # where the even points of the offset begin, so that they have nothing to do with the others
LEAST_COEFFICIENTS: Array = np.array([-np.inf, -np.inf, -np.inf, 0.005, 0.0, 0.01, 0.0])
FILL_HOURS = 1.0  # with the current tapered to a thirtieth of C20 or less


def even_points(count: int, dimensions: int) -> Array:
    """(count, dimensions) points spread evenly over the unit cube: multiples of the generalised golden ratio."""
    ratio = 1.5
    for _ in range(60):
        ratio = (1 + ratio) ** (1 / (dimensions + 1))
    steps = ratio ** -np.arange(1.0, dimensions + 1)
    return np.asarray((0.5 + np.arange(1, count + 1)[:, np.newaxis] * steps) % 1.0)


def normal_scores(share: Array) -> Array:
    """Standard normal quantiles of shares strictly between 0 and 1."""
    inverse = NormalDist().inv_cdf
    return np.array([inverse(min(max(float(s), 1e-6), 1 - 1e-6)) for s in share.ravel()]).reshape(share.shape)


@lru_cache(maxsize=8)
def even_scores(count: int, dimensions: int) -> Array:
    """(count, dimensions) standard normal quantiles of `even_points`, worked out once; not to be written to."""
    scores = normal_scores(even_points(count, dimensions))
    scores.flags.writeable = False
    return scores


@dataclass(slots=True)
class Bank:
    """All members' state; leading axis is the member. Charge in units of C20, volts per cell."""

    capacity: Array  # (n,) at the 20-hour rate, units of rated C20
    strength: Array  # (n,)
    drawn: Array  # (n,) since full
    wells: Array  # (n, 4)
    mean: Array  # (n, 8) seven coefficients and the misfit
    covariance: Array  # (n, 8, 8)
    log_weight: Array  # (n,)
    error_volts: float
    log_rate: Array | None = None  # (n,) each member's own load, where no current is known
    offset: Array | None = None  # (n,) what a current sensor leaves out, units of C20 per hour, where one measures
    refreshed: int = 0
    surprise: float = 1.0  # mean square of late surprises in units of what was expected; 1 where all is well

    @property
    def whole(self) -> Array:
        """(n,) charge at an endlessly small rate."""
        return curve.whole_charge(self.capacity, self.strength)

    @property
    def weight(self) -> Array:
        """(n,) shares of belief, summing to 1."""
        weight = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(weight / weight.sum())

    def depleted(self) -> Array:
        """(n,) depleted share at the plates, now."""
        return curve.depleted_share(self.drawn, self.wells, self.whole, self.strength)

    def answer_to_load(self, rate: float) -> float:
        """Volts per cell by which the voltage falls for twice the load, roughly: the believed members' mean."""
        middle = self.weight @ self.mean[:, :MISFIT]
        return float(middle[5] * rate + middle[4] * rate / math.hypot(rate, curve.ACTIVATION_RATE))

    def base_rate(self) -> float:
        """The members' mean of the load that nobody told, units of C20 per hour; 0 where the load is known."""
        return 0.0 if self.log_rate is None else float(np.exp(self.weight @ self.log_rate))

    def charge(self) -> Array:
        """(n,) state of charge: what is left of each member's own 20-hour capacity, 0 to 1."""
        return np.asarray(np.clip(1 - self.drawn / self.capacity, 0.0, 1.0))

    def advance(self, rate: Array | float, hours: float) -> None:
        """Let `hours` pass at `rate` (units of C20 per hour)."""
        # One misfit for all members: were it each one's own, the slowest would win by promising the least surprise.
        moved = abs(float(self.weight @ np.broadcast_to(rate, self.drawn.shape))) * hours
        self.drawn = np.maximum(self.drawn + rate * hours, 0.0)
        self.wells = curve.advance_wells(self.wells, np.broadcast_to(rate, self.drawn.shape), hours)
        keep = math.exp(-moved / MISFIT_CHARGE)
        self.mean[:, MISFIT] *= keep
        self.covariance[:, MISFIT, :] *= keep
        self.covariance[:, :, MISFIT] *= keep
        self.covariance[:, MISFIT, MISFIT] += self.error_volts**2 * (1 - keep**2)

    def observe(self, volts_per_cell: float, rate: Array | float, noise_volts: float) -> None:
        """Weigh and correct every member by one measured voltage under load."""
        row = np.empty((len(self.drawn), 8))
        row[:, :MISFIT] = curve.terms(self.depleted(), rate)
        row[:, MISFIT] = 1.0
        spread = (self.covariance @ row[:, :, np.newaxis])[:, :, 0]
        variance = np.einsum("ni,ni->n", row, spread) + noise_volts**2
        surprise = volts_per_cell - np.einsum("ni,ni->n", row, self.mean)
        # Student's tails: a reading far off says "something else happened" rather than "be sure of the nearest member".
        square = surprise**2 / variance
        self.surprise += 0.05 * (min(float(self.weight @ square), 50.0) - self.surprise)
        self.log_weight -= 0.5 * (TAIL_FREEDOM + 1) * np.log1p(square / TAIL_FREEDOM) + 0.5 * np.log(variance)
        variance = variance * np.maximum((TAIL_FREEDOM + square) / (TAIL_FREEDOM + 1), 1.0)
        gain = spread / variance[:, np.newaxis]
        self.mean += gain * surprise[:, np.newaxis]
        self.mean[:, :MISFIT] = np.maximum(self.mean[:, :MISFIT], LEAST_COEFFICIENTS)
        self.covariance -= gain[:, :, np.newaxis] * spread[:, np.newaxis, :]
        self.log_weight -= self.log_weight.max()
        self._refresh_if_thin()

    def doubt(self, volts: float) -> None:
        """Widen the misfit: the curve answers a change of load less surely than steady load."""
        self.covariance[:, MISFIT, MISFIT] += volts**2

    def fill(self, hours: float) -> None:
        """Current has tapered at charging voltage: what was drawn comes back over hours."""
        self.drawn *= np.exp(-hours / FILL_HOURS)

    def cross_gap(self, rate: Array | float, hours: float) -> None:
        """Let unseen hours pass: each member draws its own share, from nothing to a quarter more than `rate`."""
        share = 1.25 * np.roll(even_points(len(self.drawn), 1)[:, 0], 11 + self.refreshed)
        self.advance(rate * share, hours)

    def weigh_rest(self, charge: float, sd: float) -> None:
        """Weigh members by the charge that a rest voltage tells; at full, surface charge hides how full."""
        gap = charge - self.charge()
        if charge >= 0.95:
            gap = np.maximum(gap - 0.05, 0.0)
        self.log_weight -= 0.5 * np.minimum((gap / sd) ** 2, 16.0)
        self._refresh_if_thin()

    def _refresh_if_thin(self) -> None:
        weight = self.weight
        count = len(weight)
        if 1 / np.sum(weight**2) > count / 12:
            return
        picked = np.searchsorted(np.cumsum(weight), (np.arange(count) + 0.5) / count).clip(0, count - 1)
        self._jitter(picked, weight)

    def _jitter(self, picked: Array, weight: Array) -> None:
        """Copy the believed members and spread the copies a little, keeping mean and spread of the whole."""
        self.refreshed += 1
        count, keep = len(weight), 0.97
        columns = [self.capacity, self.strength, self.drawn / self.whole]
        columns += [own for own in (self.log_rate, self.offset) if own is not None]
        states = np.stack(columns, axis=1)
        scores = np.roll(even_scores(count, states.shape[1]), 37 * self.refreshed, axis=0)
        centre = weight @ states
        scatter = (states - centre).T @ ((states - centre) * weight[:, np.newaxis])
        values, vectors = np.linalg.eigh(scatter)
        spread = vectors * np.sqrt(np.maximum(values, 1e-10))
        moved = centre + keep * (states[picked] - centre) + np.sqrt(1 - keep**2) * scores @ spread.T
        self.capacity = np.maximum(moved[:, 0], MIN_CAPACITY)
        self.strength = np.maximum(moved[:, 1], 0.0)
        self.drawn = np.maximum(moved[:, 2], 0.0) * self.whole
        if self.log_rate is not None:
            self.log_rate = moved[:, 3]
        if self.offset is not None:
            self.offset = moved[:, -1]
        self.wells, self.mean, self.covariance = self.wells[picked], self.mean[picked], self.covariance[picked]
        self.log_weight = np.zeros(count)


def _capacities(prior: Prior, share: Array) -> Array:
    """Capacity from evenly spread shares: sound ones normal, the worn ones even from WORST_CAPACITY to the mean."""
    mean, sd = float(prior.mean[CAPACITY]), float(np.sqrt(prior.covariance[CAPACITY, CAPACITY]))
    worn = share < prior.worn_share
    low = WORST_CAPACITY + (mean - WORST_CAPACITY) * share / max(prior.worn_share, 1e-9)
    sound = mean + sd * normal_scores((share - prior.worn_share) / (1 - prior.worn_share))
    return np.maximum(np.where(worn, low, sound), MIN_CAPACITY)


def _start_charges(start_soc: float | None, share: Array, doubt: float) -> Array:
    centre, sd = (1.0, FULL_SD) if start_soc is None else (start_soc, TOLD_SD)
    doubted = np.minimum(share / max(doubt, 1e-9), 1.0)
    if start_soc is None:
        anything = LEAST_CHARGE + (1 - LEAST_CHARGE) * doubted
    else:  # what was told wrongly is as often a full battery as any other charge
        full = 1 - FULL_SD * np.abs(normal_scores(2 * doubted - 1))
        anything = np.where(doubted > 0.5, full, LEAST_CHARGE + (1 - LEAST_CHARGE) * 2 * doubted)
    near = centre + sd * normal_scores((share - doubt) / (1 - doubt))
    near = np.where(near > 1, 2 - near, near)
    return np.clip(np.where(share < doubt, anything, near), 0.0, 1.0)


def new_bank(
    prior: Prior,
    start_soc: float | None,
    *,
    rate_known: bool = True,
    offset_sd: float = 0.0,
    doubt: float | None = None,
    members: int = MEMBERS,
) -> Bank:
    """Members spread over what the prior, the start charge and (where the load is not known) the loads allow.

    `offset_sd` is the spread of a current sensor's offset, units of C20 per hour.
    `doubt` is the share of belief that the start charge is not what was told (0 to 1).
    """
    if doubt is None:
        doubt = DOUBT_UNTOLD if start_soc is None else DOUBT_TOLD
    points = even_points(members, 3 if rate_known else 4)
    capacity = _capacities(prior, points[:, 0])
    lag_sd = float(np.sqrt(prior.covariance[LAG, LAG]))
    strength = np.maximum(prior.mean[LAG] + lag_sd * normal_scores(points[:, 1]), 0.0)
    start = _start_charges(start_soc, points[:, 2], doubt)
    pair = prior.covariance[:2, :2]
    slope = np.linalg.solve(pair, prior.covariance[:2, COEFFICIENTS]).T
    off = np.stack([capacity, strength], axis=1) - prior.mean[:2]
    sds = np.sqrt(np.diag(pair))
    mean = np.zeros((members, 8))
    mean[:, :7] = prior.mean[COEFFICIENTS] + np.clip(off, -3 * sds, 3 * sds) @ slope.T
    covariance = np.zeros((8, 8))
    covariance[:7, :7] = prior.covariance[COEFFICIENTS, COEFFICIENTS] - slope @ prior.covariance[:2, COEFFICIENTS]
    covariance[MISFIT, MISFIT] = prior.error_volts**2
    return Bank(
        capacity=capacity,
        strength=strength,
        drawn=(1 - start) * capacity,
        wells=np.zeros((members, 4)),
        mean=mean,
        covariance=np.repeat(covariance[np.newaxis], members, axis=0),
        log_weight=np.zeros(members),
        error_volts=prior.error_volts,
        offset=offset_sd * np.roll(even_scores(members, 1)[:, 0], OFFSET_PLACE) if offset_sd else None,
        log_rate=None if rate_known else LIKELY_LOG_RATE + LOG_RATE_SD * normal_scores(points[:, 3]),
    )

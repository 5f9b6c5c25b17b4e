"""Runs the believed batteries forward over the load to come, down to the limit."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from groundbox.battery import curve
from groundbox.battery.bank import MISFIT, MISFIT_CHARGE, Bank, even_scores
from groundbox.battery.curve import Array, Places
from groundbox.battery.limits import end_volts_per_cell
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.values import Limits, Phase

# Five equally likely places of a normal spread, scaled to its variance: what the voltage at the end may be off by.
NODES: Array = np.array([-1.4645, -0.5992, 0.0, 0.5992, 1.4645])
LOAD_MEMORY_HOURS = 4.0  # how long an unsteady load stays like itself (assumed)
HIDDEN_CHARGE = 0.15  # spread of the depleted share for a load as unsteady as its mean
LEAST_UNSTEADINESS = 0.05
SHARE_HALVINGS, HOUR_HALVINGS = 18, 8
LEAST_WEIGHT = 3e-4
ENDLESS_HOURS = 9000.0
LEAST_RATE = 1e-6


@dataclass(frozen=True, slots=True)
class Stretch:
    """Hours at a mean and a heaviest rate, with the limit per cell that holds at the heaviest."""

    hours: float
    rate: Array
    heavy: Array
    limit_volts: Array


def stretches_to(
    limits: Limits, profile: BatteryProfile, phases: Sequence[Phase], rates: Sequence[Array | float]
) -> tuple[str, list[Stretch]]:
    """Which limit comes first in the last phase, "cutoff" or "end_voltage", and the stretches down to it.

    rates: each phase's load in units of C20 per hour, one for all members or (n,) one for each.
    """
    stretches, name = [], "cutoff"
    for phase, rate in zip(phases, rates, strict=True):
        peak = max(phase.peak_amps or 0.0, phase.amps)
        cutoff = (limits.cutoff_volts + peak * limits.lead_ohm) / profile.cells
        end = end_volts_per_cell(limits, profile, phase.amps)
        name = "end_voltage" if end > cutoff else "cutoff"
        mean = np.maximum(np.reshape(rate, (-1, 1)), LEAST_RATE)
        heavy = mean * (peak / phase.amps) if phase.amps > 0 else mean
        stretches.append(Stretch(phase.seconds / 3600, mean, heavy, np.full((1, 1), max(cutoff, end))))
    return name, stretches


@dataclass(slots=True)
class _Runners:
    """Members times nodes, on their way down."""

    drawn: Array  # (m, 5)
    wells: Array  # (m, 5, 4)
    whole: Array  # (m, 1)
    strength: Array  # (m, 1)
    coefficients: Array  # (m, 7)
    drop: Array  # (m, 5) volts by which the member's curve is off, in the end
    load: Array  # (m, 5) what the load to come may turn out as, in parts of the one told


def _bounded(coefficients: Array) -> Array:
    """Coefficients for which voltage falls with depletion and with load, whatever the filter drifted to."""
    c = coefficients.copy()
    c[:, 1] = np.maximum(c[:, 1], 0.0)
    c[:, 2] = np.maximum(c[:, 2], -c[:, 1] / 2)
    c[:, 3] = np.maximum(c[:, 3], 0.005)
    c[:, 4:] = np.maximum(c[:, 4:], 0.0)
    return c


def _share_at_limit(run: _Runners, limit: Array, rate: Array) -> Array:
    """(m, k) depleted share at which the voltage under `rate` meets the limit; `curve.terms`, gathered for speed."""
    offset, slope, bend, knee, activation, resistance, thinning = (run.coefficients[:, [n]] for n in range(7))
    steady = offset + 0.5 * slope + 0.25 * bend + knee * np.log(2) + run.drop - limit
    steady = steady - activation * np.arcsinh(rate / curve.ACTIVATION_RATE) - resistance * rate
    thin = thinning * rate
    low = np.full(run.drawn.shape, curve.FULLEST)
    high = np.full(run.drawn.shape, curve.EMPTIEST)
    for _ in range(SHARE_HALVINGS):
        u = (low + high) / 2
        left = 1 - np.minimum(u, curve.SHARPEST)
        beyond = np.maximum(u - curve.SHARPEST, 0) / (1 - curve.SHARPEST)
        above = steady - u * (slope + bend * u) + knee * (np.log(left) - beyond) > thin / left * (1 + beyond)
        low, high = np.where(above, u, low), np.where(above, high, u)
    return np.asarray((low + high) / 2)


def _hours_to_share(run: _Runners, share: Array, rate: Array) -> Array:
    """(m, k) hours at `rate` until the depleted share is reached for good; 0 where it is already."""
    wanted = share * run.whole - run.drawn
    lag = run.wells @ curve.WELL_SHARES
    inflow = rate[..., np.newaxis] * curve.WELL_HOURS
    excess = run.wells - inflow
    settled = inflow @ curve.WELL_SHARES

    def short(hours: Array) -> Array:
        decay = np.exp(hours[..., np.newaxis] / -curve.WELL_HOURS)
        return np.asarray(wanted - rate * hours - run.strength * (settled + (excess * decay) @ curve.WELL_SHARES))

    already = wanted <= run.strength * lag
    low = np.zeros(already.shape)
    high = np.minimum(np.maximum(wanted / rate, 0.0), ENDLESS_HOURS)
    for _ in range(HOUR_HALVINGS):
        middle = (low + high) / 2
        more = short(middle) > 0
        low, high = np.where(more, middle, low), np.where(more, high, middle)
    at_low, at_high = np.maximum(short(low), 0.0), np.minimum(short(high), 0.0)
    part = at_low / np.maximum(at_low - at_high, 1e-12)
    return np.asarray(np.where(already, 0.0, low + (high - low) * np.minimum(part, 1.0)))


def _descend(run: _Runners, stretches: Sequence[Stretch]) -> Array:
    """(m, 5) hours to the limit."""
    hours = np.full(run.drawn.shape, np.nan)
    passed = 0.0
    for place, stretch in enumerate(stretches):
        last = place == len(stretches) - 1
        if np.all(stretch.rate <= 0):
            needed = np.full(run.drawn.shape, np.inf)
        else:
            rate = stretch.rate * run.load
            share = _share_at_limit(run, stretch.limit_volts, stretch.heavy * run.load)
            needed = _hours_to_share(run, share, rate)
        ends = np.isnan(hours) & (last | (needed <= stretch.hours))
        hours[ends] = passed + needed[ends]
        if last or not np.isnan(hours).any():
            break
        run.drawn = run.drawn + stretch.rate * run.load * stretch.hours
        run.wells = curve.advance_wells(run.wells, stretch.rate * run.load, stretch.hours)
        passed += stretch.hours
    return np.asarray(np.minimum(hours, ENDLESS_HOURS))


def _runners(bank: Bank, members: Places, nodes: int) -> _Runners:
    return _Runners(
        drawn=np.repeat(bank.drawn[members, np.newaxis], nodes, axis=1),
        wells=np.repeat(bank.wells[members, np.newaxis, :], nodes, axis=1),
        whole=bank.whole[members, np.newaxis],
        strength=bank.strength[members, np.newaxis],
        coefficients=_bounded(bank.mean[members, :MISFIT]),
        drop=np.zeros((len(members), nodes)),
        load=np.ones((len(members), nodes)),
    )


def _end_spread(bank: Bank, members: Places, share: Array, rate: Array, charge: Array) -> tuple[Array, Array]:
    """(m,) mean and sd of how far the voltage at the end is from the member's own curve, after `charge` more."""
    keep = np.exp(-np.abs(charge) / MISFIT_CHARGE)
    row = np.empty((len(members), 8))
    row[:, :MISFIT] = curve.terms(share, rate)
    row[:, MISFIT] = keep
    covariance = bank.covariance[members]
    variance = np.einsum("ni,nij,nj->n", row, covariance, row) + bank.error_volts**2 * (1 - keep**2)
    return keep * bank.mean[members, MISFIT], np.sqrt(np.maximum(variance, 1e-12))


def _unsettle(run: _Runners, unsteadiness: float, hours: Array) -> None:
    """Spread the load to come and the charge at the plates, as a load that comes and goes makes both less sure.

    Over a short stretch its mean differs from the one told; and what a burst hides comes back in part, as seen on
    tubular cells that went on for long after a burst had brought them near the cutoff.
    """
    spread = unsteadiness * np.sqrt(LOAD_MEMORY_HOURS / (LOAD_MEMORY_HOURS + hours))
    scores = even_scores(run.drop.size, 2).reshape(*run.drop.shape, 2)
    run.load = np.exp(spread[:, np.newaxis] * scores[..., 0])
    run.drawn = run.drawn + run.whole * HIDDEN_CHARGE * unsteadiness * scores[..., 1]


def hours_left(bank: Bank, stretches: Sequence[Stretch], unsteadiness: float = 0.0) -> tuple[Array, Array]:
    """(k,) hours to the limit and (k,) their weights, over the believed members and what their curve may be off by.

    Each stretch's `rate`, `heavy` and `limit_volts` are (n, 1) over all members or (1, 1).
    """
    weight = bank.weight
    members = np.nonzero(weight > LEAST_WEIGHT * weight.max())[0]
    chosen = [
        Stretch(s.hours, *(a if len(a) == 1 else a[members] for a in (s.rate, s.heavy, s.limit_volts)))
        for s in stretches
    ]
    rough = _runners(bank, members, 1)
    rough.drop[:, 0] = bank.mean[members, MISFIT] * 0.5
    heavy = np.broadcast_to(chosen[-1].heavy[:, 0], (len(members),))
    share = _share_at_limit(rough, chosen[-1].limit_volts, heavy[:, np.newaxis])
    charge = np.maximum(share[:, 0] * rough.whole[:, 0] - bank.drawn[members], 0.0)
    drop, sd = _end_spread(bank, members, np.minimum(share[:, 0], curve.SHARPEST), heavy, charge)
    run = _runners(bank, members, len(NODES))
    run.drop = drop[:, np.newaxis] + sd[:, np.newaxis] * NODES
    if unsteadiness > LEAST_UNSTEADINESS:
        rough_rate = np.broadcast_to(chosen[-1].rate[:, 0], charge.shape)
        _unsettle(run, unsteadiness, charge / rough_rate)
    hours = _descend(run, chosen)
    weights = np.repeat(weight[members, np.newaxis] / len(NODES), len(NODES), axis=1)
    return hours.ravel(), weights.ravel()


def quantiles(values: Array, weights: Array, shares: Sequence[float]) -> list[float]:
    """Weighted quantiles, straight between neighbouring values."""
    order = np.argsort(values)
    sorted_values, sorted_weights = values[order], weights[order]
    middle = np.cumsum(sorted_weights) - sorted_weights / 2
    return [float(np.interp(share * sorted_weights.sum(), middle, sorted_values)) for share in shares]

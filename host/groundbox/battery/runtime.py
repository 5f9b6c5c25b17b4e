"""Runtime: every particle is run forward over the load to come, down to the limit."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from groundbox.battery import cell
from groundbox.battery.cell import Array, Places
from groundbox.battery.limits import END_VOLTS_PER_CELL, RuntimeLimits, end_volts_per_cell
from groundbox.battery.particles import MISFIT, MISFIT_CHARGE, Particles, draw_particles, normal_points
from groundbox.battery.prior import prior_with_fit
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.values import Phase

# Five equally likely points of a normal spread, scaled to its variance: the possible misfit at the end.
NODES: Array = np.array([-1.4645, -0.5992, 0.0, 0.5992, 1.4645])
LOAD_MEMORY_HOURS = 4.0  # how long an unsteady load stays like itself (assumed)
HIDDEN_CHARGE = 0.15  # spread of the depleted fraction for a load as unsteady as its mean
MIN_UNSTEADINESS = 0.05
DEPLETION_HALVINGS, HOUR_HALVINGS = 18, 8
MIN_WEIGHT = 3e-4
ENDLESS_HOURS = 9000.0
MIN_RATE = 1e-6
OUTLOOK_RATES = (0.05, 0.1, 0.2, 0.5, 1.0)


@dataclass(frozen=True, slots=True)
class Stretch:
    """Hours at a mean and a peak rate, with the limit per cell that holds at the peak."""

    hours: float
    rate: Array
    peak: Array
    limit_volts: Array


def stretches_to(
    limits: RuntimeLimits, profile: BatteryProfile, phases: Sequence[Phase], rates: Sequence[Array | float]
) -> tuple[str, list[Stretch]]:
    """Which limit comes first in the last phase, "cutoff" or "end_voltage", and the stretches down to it.

    rates: each phase's load in units of C20 per hour, one for all particles or (n,) one for each.
    """
    stretches, name = [], "cutoff"
    for phase, rate in zip(phases, rates, strict=True):
        peak_amps = max(phase.peak_amps or 0.0, phase.amps)
        cutoff = (limits.cutoff_volts + peak_amps * limits.lead_ohm + phase.sag_volts) / profile.cells
        end = end_volts_per_cell(limits, profile, phase.amps)
        name = "end_voltage" if end > cutoff else "cutoff"
        mean = np.maximum(np.reshape(rate, (-1, 1)), MIN_RATE)
        peak = mean * (peak_amps / phase.amps) if phase.amps > 0 else mean
        stretches.append(Stretch(phase.seconds / 3600, mean, peak, np.full((1, 1), max(cutoff, end))))
    return name, stretches


@dataclass(slots=True)
class _Runners:
    """Particles times nodes, on their way down."""

    drawn: Array  # (m, 5)
    wells: Array  # (m, 5, 4)
    total: Array  # (m, 1)
    strength: Array  # (m, 1)
    coefficients: Array  # (m, 7)
    misfit: Array  # (m, 5) volts by which the particle's curve is off at the end
    load: Array  # (m, 5) factor between the actual load to come and the declared one


def _bounded(coefficients: Array) -> Array:
    """Coefficients for which voltage falls with depletion and with load, however far the filter drifted."""
    c = coefficients.copy()
    c[:, 1] = np.maximum(c[:, 1], 0.0)
    c[:, 2] = np.maximum(c[:, 2], -c[:, 1] / 2)
    c[:, 3] = np.maximum(c[:, 3], 0.005)
    c[:, 4:] = np.maximum(c[:, 4:], 0.0)
    return c


def _depletion_at_limit(run: _Runners, limit: Array, rate: Array) -> Array:
    """(m, k) depleted fraction at which the voltage under `rate` meets the limit; `cell.terms`, inlined for speed."""
    offset, slope, bend, knee, activation, resistance, thinning = (run.coefficients[:, [n]] for n in range(7))
    steady = offset + 0.5 * slope + 0.25 * bend + knee * np.log(2) + run.misfit - limit
    steady = steady - activation * np.arcsinh(rate / cell.ACTIVATION_RATE) - resistance * rate
    thin = thinning * rate
    low = np.full(run.drawn.shape, cell.MIN_DEPLETED)
    high = np.full(run.drawn.shape, cell.MAX_DEPLETED)
    for _ in range(DEPLETION_HALVINGS):
        u = (low + high) / 2
        left = 1 - np.minimum(u, cell.KNEE_DEPLETED)
        beyond = np.maximum(u - cell.KNEE_DEPLETED, 0) / (1 - cell.KNEE_DEPLETED)
        above = steady - u * (slope + bend * u) + knee * (np.log(left) - beyond) > thin / left * (1 + beyond)
        low, high = np.where(above, u, low), np.where(above, high, u)
    return np.asarray((low + high) / 2)


def _hours_to_depletion(run: _Runners, depleted: Array, rate: Array) -> Array:
    """(m, k) hours at `rate` until the depleted fraction stays over `depleted`; 0 where it is there already."""
    wanted = depleted * run.total - run.drawn
    lag = run.wells @ cell.WELL_FRACTIONS
    inflow = rate[..., np.newaxis] * cell.WELL_HOURS
    excess = run.wells - inflow
    settled = inflow @ cell.WELL_FRACTIONS

    def short(hours: Array) -> Array:
        decay = np.exp(hours[..., np.newaxis] / -cell.WELL_HOURS)
        return np.asarray(wanted - rate * hours - run.strength * (settled + (excess * decay) @ cell.WELL_FRACTIONS))

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
            depleted = _depletion_at_limit(run, stretch.limit_volts, stretch.peak * run.load)
            needed = _hours_to_depletion(run, depleted, rate)
        ends = np.isnan(hours) & (last | (needed <= stretch.hours))
        hours[ends] = passed + needed[ends]
        if last or not np.isnan(hours).any():
            break
        run.drawn = run.drawn + stretch.rate * run.load * stretch.hours
        run.wells = cell.advance_wells(run.wells, stretch.rate * run.load, stretch.hours)
        passed += stretch.hours
    return np.asarray(np.minimum(hours, ENDLESS_HOURS))


def _runners(particles: Particles, chosen: Places, nodes: int) -> _Runners:
    return _Runners(
        drawn=np.repeat(particles.drawn[chosen, np.newaxis], nodes, axis=1),
        wells=np.repeat(particles.wells[chosen, np.newaxis, :], nodes, axis=1),
        total=particles.total[chosen, np.newaxis],
        strength=particles.strength[chosen, np.newaxis],
        coefficients=_bounded(particles.mean[chosen, :MISFIT]),
        misfit=np.zeros((len(chosen), nodes)),
        load=np.ones((len(chosen), nodes)),
    )


def _end_misfit(
    particles: Particles, chosen: Places, depleted: Array, rate: Array, charge: Array
) -> tuple[Array, Array]:
    """(m,) mean and sd of how far the voltage at the end is from the particle's own curve, after `charge` more."""
    keep = np.exp(-np.abs(charge) / MISFIT_CHARGE)
    row = np.empty((len(chosen), 8))
    row[:, :MISFIT] = cell.terms(depleted, rate)
    row[:, MISFIT] = keep
    covariance = particles.covariance[chosen]
    variance = np.einsum("ni,nij,nj->n", row, covariance, row) + particles.error_volts**2 * (1 - keep**2)
    return keep * particles.mean[chosen, MISFIT], np.sqrt(np.maximum(variance, 1e-12))


def _add_unsteadiness(run: _Runners, unsteadiness: float, hours: Array) -> None:
    """Spread the load to come and the charge at the plates: a load that comes and goes makes both less sure.

    Over a short stretch its mean differs from the declared one; and the charge that a burst hides returns in part, as
    observed on tubular cells that ran for long after a burst had brought them near the cutoff.
    """
    spread = unsteadiness * np.sqrt(LOAD_MEMORY_HOURS / (LOAD_MEMORY_HOURS + hours))
    scores = normal_points(run.misfit.size, 2).reshape(*run.misfit.shape, 2)
    run.load = np.exp(spread[:, np.newaxis] * scores[..., 0])
    run.drawn = run.drawn + run.total * HIDDEN_CHARGE * unsteadiness * scores[..., 1]


def hours_left(particles: Particles, stretches: Sequence[Stretch], unsteadiness: float = 0.0) -> tuple[Array, Array]:
    """(k,) hours to the limit and (k,) their weights, over the likely particles and the misfit of their curves.

    Each stretch's `rate`, `peak` and `limit_volts` are (n, 1) over all particles or (1, 1).
    """
    weight = particles.weight
    likely = np.nonzero(weight > MIN_WEIGHT * weight.max())[0]
    chosen = [
        Stretch(s.hours, *(a if len(a) == 1 else a[likely] for a in (s.rate, s.peak, s.limit_volts))) for s in stretches
    ]
    rough = _runners(particles, likely, 1)
    rough.misfit[:, 0] = particles.mean[likely, MISFIT] * 0.5
    peak = np.broadcast_to(chosen[-1].peak[:, 0], (len(likely),))
    depleted = _depletion_at_limit(rough, chosen[-1].limit_volts, peak[:, np.newaxis])
    charge = np.maximum(depleted[:, 0] * rough.total[:, 0] - particles.drawn[likely], 0.0)
    misfit, sd = _end_misfit(particles, likely, np.minimum(depleted[:, 0], cell.KNEE_DEPLETED), peak, charge)
    run = _runners(particles, likely, len(NODES))
    run.misfit = misfit[:, np.newaxis] + sd[:, np.newaxis] * NODES
    if unsteadiness > MIN_UNSTEADINESS:
        rough_rate = np.broadcast_to(chosen[-1].rate[:, 0], charge.shape)
        _add_unsteadiness(run, unsteadiness, charge / rough_rate)
    hours = _descend(run, chosen)
    weights = np.repeat(weight[likely, np.newaxis] / len(NODES), len(NODES), axis=1)
    return hours.ravel(), weights.ravel()


def quantiles(values: Array, weights: Array, probabilities: Sequence[float]) -> list[float]:
    """Weighted quantiles, linear between neighbouring values."""
    order = np.argsort(values)
    sorted_values, sorted_weights = values[order], weights[order]
    middle = np.cumsum(sorted_weights) - sorted_weights / 2
    return [float(np.interp(p * sorted_weights.sum(), middle, sorted_values)) for p in probabilities]


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlookRow:
    """Hours from full at a steady load to `end_volts` of the whole battery: 5, 50 and 95 %."""

    amps: float
    end_volts: float
    low_h: float
    expected_h: float
    high_h: float


def from_full(
    profile: BatteryProfile, amps: float, end_volts_per_cell: float = END_VOLTS_PER_CELL, battery_c: float = 25.0
) -> OutlookRow:
    """Hours a full, rested battery lasts at a steady `amps` down to `end_volts_per_cell`, at `battery_c` °C."""
    particles = draw_particles(prior_with_fit(profile), 1.0, doubt=0.0)
    rate = np.full((1, 1), amps / profile.c20_ah / cell.load_factor(battery_c, amps / profile.c20_ah))
    hours, weights = hours_left(particles, [Stretch(np.inf, rate, rate, np.full((1, 1), end_volts_per_cell))])
    low, expected, high = quantiles(hours, weights, (0.05, 0.5, 0.95))
    end_volts = end_volts_per_cell * profile.cells
    return OutlookRow(amps=amps, end_volts=end_volts, low_h=low, expected_h=expected, high_h=high)


def outlook(profile: BatteryProfile) -> list[OutlookRow]:
    """How long a full battery lasts, from a small 20-hour load to one that empties it within an hour."""
    return [from_full(profile, rate * profile.c20_ah) for rate in OUTLOOK_RATES]

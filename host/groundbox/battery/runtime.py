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

ANSWER_POINTS = 320  # particles that an answer runs forward, each with one misfit of its curve
LOAD_MEMORY_HOURS = 4.0  # how long an unsteady load stays like itself (assumed)
HIDDEN_CHARGE = 0.15  # spread of the depleted fraction for a load as unsteady as its mean
MIN_UNSTEADINESS = 0.05
DEPLETION_STEPS, HOUR_STEPS = 7, 5  # of Newton's method
MAX_KNEES = 9.0  # -log of the charge left at exhaustion
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
        mean = np.maximum(np.atleast_1d(rate), MIN_RATE)
        peak = mean * (peak_amps / phase.amps) if phase.amps > 0 else mean
        stretches.append(Stretch(phase.seconds / 3600, mean, peak, np.full(1, max(cutoff, end))))
    return name, stretches


@dataclass(slots=True)
class _Runners:
    """Particles on their way down, each with one possible misfit of its curve."""

    drawn: Array  # (m,)
    wells: Array  # (m, 4)
    total: Array  # (m,)
    strength: Array  # (m,)
    coefficients: Array  # (7, m)
    misfit: Array  # (m,) volts by which the particle's curve is off at the end
    load: Array | float  # (m,) factor between the actual load to come and the declared one


def _bounded(coefficients: Array) -> Array:
    """(7, m) coefficients for which voltage falls with depletion and with load, however far the filter drifted."""
    c = coefficients.T.copy()
    c[1] = np.maximum(c[1], 0.0)
    c[2] = np.maximum(c[2], -c[1] / 2)
    c[3] = np.maximum(c[3], 0.005)
    c[4:] = np.maximum(c[4:], 0.0)
    return c


def _depletion_at_limit(run: _Runners, limit: Array, rate: Array) -> Array:
    """(m,) depleted fraction u at which the voltage under `rate` meets the limit: Newton's method in -log(1 - u)."""
    offset, slope, bend, knee, activation, resistance, thinning = run.coefficients
    steady = offset + 0.5 * slope + 0.25 * bend + knee * np.log(2) + run.misfit - limit
    steady = steady - activation * np.arcsinh(rate / cell.ACTIVATION_RATE) - resistance * rate
    thin = thinning * rate
    lowest = -np.log(1 - cell.MIN_DEPLETED)
    knees = np.full(run.drawn.shape, 0.7)
    for _ in range(DEPLETION_STEPS):
        left = np.exp(-knees)
        curve = bend * (1 - left)
        above = steady - (1 - left) * (slope + curve) - knee * knees - thin / left
        falls = left * (slope + 2 * curve) + knee + thin / left
        knees = np.clip(knees + above / falls, lowest, MAX_KNEES)
    return np.asarray(1 - np.exp(-knees))


def _hours_to_depletion(run: _Runners, depleted: Array, rate: Array) -> Array:
    """(m,) hours at `rate` until the depleted fraction stays over `depleted`; 0 where it is there already.

    Newton's method from the hours that a battery without lag has: from there it meets the last crossing.
    """
    wanted = depleted * run.total - run.drawn
    inflow = rate[:, np.newaxis] * cell.WELL_HOURS
    excess = (run.wells - inflow) * cell.WELL_FRACTIONS * run.strength[:, np.newaxis]
    settled = run.strength * (inflow @ cell.WELL_FRACTIONS)
    already = wanted <= excess.sum(axis=1) + settled
    highest = np.minimum(np.maximum(wanted / rate, 0.0), ENDLESS_HOURS)
    hours, slowest = highest, 0.05 * rate
    for _ in range(HOUR_STEPS):
        lagging = excess * np.exp(hours[:, np.newaxis] / -cell.WELL_HOURS)
        over = rate * hours + settled + lagging.sum(axis=1) - wanted
        rises = np.maximum(rate - lagging @ (1 / cell.WELL_HOURS), slowest)
        hours = np.minimum(np.maximum(hours - over / rises, 0.0), highest)
    return np.asarray(np.where(already, 0.0, hours))


def _descend(run: _Runners, stretches: Sequence[Stretch]) -> Array:
    """(m,) hours to the limit."""
    hours = np.full(run.drawn.shape, np.nan)
    passed = 0.0
    for place, stretch in enumerate(stretches):
        last = place == len(stretches) - 1
        rate = np.broadcast_to(stretch.rate * run.load, run.drawn.shape)
        depleted = _depletion_at_limit(run, stretch.limit_volts, stretch.peak * run.load)
        needed = _hours_to_depletion(run, depleted, rate)
        ends = np.isnan(hours) & (last | (needed <= stretch.hours))
        hours[ends] = passed + needed[ends]
        if last or not np.isnan(hours).any():
            break
        run.drawn = run.drawn + rate * stretch.hours
        run.wells = cell.advance_wells(run.wells, rate, stretch.hours)
        passed += stretch.hours
    return np.asarray(np.minimum(hours, ENDLESS_HOURS))


def _end_misfit(
    particles: Particles, chosen: Places, depleted: Array, rate: Array, charge: Array
) -> tuple[Array, Array]:
    """(m,) mean and sd of how far the voltage at the end is from the particle's own curve, after `charge` more."""
    keep = np.exp(-np.abs(charge) / MISFIT_CHARGE)
    row = np.empty((len(chosen), 8))
    row[:, :MISFIT] = cell.terms(depleted, rate)
    row[:, MISFIT] = keep
    spread = (particles.covariance[chosen] @ row[:, :, np.newaxis])[:, :, 0]
    variance = (spread * row).sum(axis=1) + particles.error_volts**2 * (1 - keep**2)
    return keep * particles.mean[chosen, MISFIT], np.sqrt(np.maximum(variance, 1e-12))


def _add_unsteadiness(run: _Runners, unsteadiness: float, hours: Array) -> None:
    """Spread the load to come and the charge at the plates: a load that comes and goes makes both less sure.

    Over a short stretch its mean differs from the declared one; and the charge that a burst hides returns in part, as
    observed on tubular cells that ran for long after a burst had brought them near the cutoff.
    """
    spread = unsteadiness * np.sqrt(LOAD_MEMORY_HOURS / (LOAD_MEMORY_HOURS + hours))
    scores = normal_points(len(run.drawn), 3)
    run.load = np.exp(spread * scores[:, 1])
    run.drawn = run.drawn + run.total * HIDDEN_CHARGE * unsteadiness * scores[:, 2]


def drawn_by_weight(weight: Array, order_by: Array) -> Places:
    """(ANSWER_POINTS,) particles in proportion to their weights, evenly spread over what `order_by` sorts."""
    order = np.argsort(order_by)
    passed = np.cumsum(weight[order])
    wanted = (np.arange(ANSWER_POINTS) + 0.5) * (passed[-1] / ANSWER_POINTS)
    return np.asarray(order[np.searchsorted(passed, wanted).clip(0, len(order) - 1)])


def hours_left(
    particles: Particles,
    stretches: Sequence[Stretch],
    unsteadiness: float = 0.0,
    doubts: tuple[float, float] = (0.0, 0.0),
) -> tuple[Array, Array]:
    """(k,) hours to the limit and (k,) their weights, over the likely particles and the misfit of their curves.

    With equal weights the same hours are those of the cautious: with more of what is doubted.

    Each stretch's `rate` and `peak` are (n,) over all particles or (1,), `limit_volts` is (1,); `doubts` as in
    `Particles.cautious`.
    """
    order_by = (particles.total - particles.drawn) / stretches[-1].rate
    cautious, weight = particles.cautious(*doubts), particles.weight
    chosen = drawn_by_weight(cautious, order_by)
    hours = hours_of(particles, chosen, stretches, unsteadiness)
    return hours, weight[chosen] / np.maximum(cautious[chosen], 1e-300)


def hours_of(particles: Particles, chosen: Places, stretches: Sequence[Stretch], unsteadiness: float = 0.0) -> Array:
    """(k,) hours to the limit of the particles `chosen`, each with its own draw of the misfit."""
    high = np.broadcast_to(particles.read_too_high(), particles.drawn.shape)[chosen]

    def of_chosen(rates: Array) -> Array:
        return rates if len(rates) == 1 else rates[chosen]

    kept = [Stretch(s.hours, of_chosen(s.rate), of_chosen(s.peak), s.limit_volts + high) for s in stretches]
    run = _Runners(
        drawn=particles.drawn[chosen],
        wells=particles.wells[chosen],
        total=particles.total[chosen],
        strength=particles.strength[chosen],
        coefficients=_bounded(particles.mean[chosen, :MISFIT]),
        misfit=particles.mean[chosen, MISFIT] * 0.5,
        load=1.0,
    )
    last = kept[-1]
    depleted = _depletion_at_limit(run, last.limit_volts, last.peak)
    charge = np.maximum(depleted * run.total - run.drawn, 0.0)
    peak = np.broadcast_to(last.peak, run.drawn.shape)
    misfit, sd = _end_misfit(particles, chosen, np.minimum(depleted, cell.KNEE_DEPLETED), peak, charge)
    run.misfit = misfit + sd * normal_points(len(chosen), 3)[:, 0]
    if unsteadiness > MIN_UNSTEADINESS:
        _add_unsteadiness(run, unsteadiness, charge / last.rate)
    return _descend(run, kept)


def cautious_band(hours: Array, weights: Array, probabilities: Sequence[float]) -> list[float]:
    """Quantiles of `hours_left`; the first, the low one, is the lower of the likely and the cautious one."""
    found = quantiles(hours, weights, probabilities)
    return [min(found[0], quantiles(hours, np.ones_like(hours), probabilities[:1])[0]), *found[1:]]


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
    rate = np.full(1, amps / profile.c20_ah / cell.load_factor(battery_c, amps / profile.c20_ah))
    hours, weights = hours_left(particles, [Stretch(np.inf, rate, rate, np.full(1, end_volts_per_cell))])
    low, expected, high = quantiles(hours, weights, (0.05, 0.5, 0.95))
    end_volts = end_volts_per_cell * profile.cells
    return OutlookRow(amps=amps, end_volts=end_volts, low_h=low, expected_h=expected, high_h=high)


def outlook(profile: BatteryProfile) -> list[OutlookRow]:
    """How long a full battery lasts, from a small 20-hour load to one that empties it within an hour."""
    return [from_full(profile, rate * profile.c20_ah) for rate in OUTLOOK_RATES]

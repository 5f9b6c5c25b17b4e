"""The table by which a board without a host reads its battery: voltage under load to low time, in whole numbers.

Each particle of the profile is taken at every charge, rested, and loaded for some minutes; the time is the 5 % point of
the time left among all that show the same voltage. That is lower than of a battery that was loaded for long.
"""

import numpy as np

from groundbox.battery import cell
from groundbox.battery.cell import Array, Places
from groundbox.battery.limits import RuntimeLimits
from groundbox.battery.particles import MISFIT, Particles, draw_particles
from groundbox.battery.prior import prior_with_fit
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.runtime import cautious_band, drawn_by_weight, hours_left, hours_of, stretches_to
from groundbox.battery.values import Phase

POINTS = 5
MARGIN_VOLTS = 0.05  # error of the board's voltage: hardware/README.md
BATTERY_C = 10.0  # the board's table has no temperature: a cold field day (assumed)
LOADED_HOURS = 0.1
LOW = 0.05
LIMIT_S = 32000.0
_CHARGES = np.linspace(0.02, 1.0, 50)


def board_table(profile: BatteryProfile, limits: RuntimeLimits, load_amps: float, home_s: float) -> tuple[int, ...]:
    """load_ma, resistance_mohm, home_s, then mV and seconds of each point, as of the registry's `battery_table`.

    Args:
        load_amps: highest declared load.
        home_s: reserve and time home, which remain after turn-back.

    Raises:
        ValueError: a full battery does not last for `home_s`.
    """
    rate = load_amps / profile.c20_ah
    rate /= cell.load_factor(BATTERY_C, rate)
    volts, seconds, full_s = _curves(profile, limits, load_amps, rate)
    low, high = np.quantile(volts[0], LOW), np.quantile(volts[-1], 1 - LOW)
    for _ in range(2):  # the second time from where the time begins
        grid = np.linspace(low, high, 50 * (POINTS - 1) + 1)
        at_grid = np.array([np.interp(grid, volts[:, i], seconds[:, i]) for i in range(volts.shape[1])])
        found_s = np.minimum(np.maximum.accumulate(np.quantile(at_grid, LOW, axis=0)), full_s)
        times = np.clip(found_s - home_s, 0.0, LIMIT_S)
        if times[-1] <= 0.0:
            raise ValueError("a full battery does not last for time home and reserve")
        low = grid[max(int(np.argmax(times > 0.0)) - 1, 0)]
    chosen = np.arange(0, len(grid), 50)
    chosen_s = _under(times, chosen)
    numbers = [round(1000 * load_amps), _resistance_mohm(profile, rate, load_amps), round(home_s)]
    for at, low_s in zip(chosen, chosen_s, strict=True):
        numbers += [round(1000 * (grid[at] + MARGIN_VOLTS)), int(low_s)]
    return tuple(numbers)


def _curves(profile: BatteryProfile, limits: RuntimeLimits, amps: float, rate: float) -> tuple[Array, Array, float]:
    """(charges, n) volts under load, rising with the charge, and seconds left; the low seconds of a full battery."""
    full = draw_particles(prior_with_fit(profile), 1.0, doubt=0.0)
    phase = Phase(seconds=float("inf"), amps=amps)
    _, stretches = stretches_to(limits, profile, [phase], [rate])
    chosen = drawn_by_weight(full.weight, full.capacity)  # the same ones at every charge
    volts, seconds = [], []
    for charge in _CHARGES:
        at = _at(full, float(charge))
        at.advance(rate, LOADED_HOURS)
        volts.append(_volts(at, profile, rate)[chosen])
        seconds.append(3600 * hours_of(at, chosen, stretches))
    rising = np.maximum.accumulate(np.array(volts)) + 1e-6 * np.arange(len(volts))[:, np.newaxis]
    return rising, np.array(seconds), 3600 * cautious_band(*hours_left(full, stretches), (LOW,))[0]


def _at(full: Particles, charge: float) -> Particles:
    """Every particle of a full, rested battery at this charge."""
    return Particles(
        capacity=full.capacity,
        strength=full.strength,
        drawn=(1 - charge) * full.capacity,
        wells=np.zeros_like(full.wells),
        mean=full.mean.copy(),
        covariance=full.covariance.copy(),
        log_weight=full.log_weight,
        error_volts=full.error_volts,
    )


def _volts(at: Particles, profile: BatteryProfile, rate: float) -> Array:
    return np.asarray(profile.cells * np.einsum("ni,ni->n", cell.terms(at.depleted(), rate), at.mean[:, :MISFIT]))


def _under(times: Array, chosen: Places) -> Array:
    """The times at the chosen points, lowered so that straight lines between them are nowhere above the curve."""
    low = times[chosen].copy()
    for left in range(POINTS - 1):
        inside = np.arange(chosen[left], chosen[left + 1] + 1)
        line = np.interp(inside, chosen[left : left + 2], times[chosen[left : left + 2]])
        above = float(np.max(line - times[inside]))
        low[left : left + 2] = np.minimum(low[left : left + 2], times[chosen[left : left + 2]] - above)
    return np.maximum.accumulate(np.maximum(low, 0.0))


def _resistance_mohm(profile: BatteryProfile, rate: float, amps: float) -> int:
    """How much the voltage rises when the load falls to a quarter, at half charge, 95 % point, for each ampere."""
    half = _at(draw_particles(prior_with_fit(profile), 1.0, doubt=0.0), 0.5)
    rise = _volts(half, profile, rate / 4) - _volts(half, profile, rate)
    return int(min(max(np.ceil(1000 * np.quantile(rise, 1 - LOW) / (0.75 * amps)), 1), 1000))

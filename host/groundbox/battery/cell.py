"""Terminal voltage of one lead-acid cell, its lagging charge, and the effect of its temperature.

All charge is in units of the battery's rated 20-hour capacity and all current in that unit per hour, so that a cell of
5 Ah and one of 1000 Ah look alike. The voltage is linear in seven coefficients: the open-circuit voltage falls with
the depleted fraction u (a linear and a square term) and collapses as B ln(1 - u); under current it loses a logarithmic
activation part, asinh(i / i0), and a resistive part that grows as the acid thins (Shepherd 1965 and Tremblay 2007 are
of this family). The charge lags behind the current in four exponential wells, an extension of the two-well model of
Manwell and McGowan 1993.

Cold acts on a battery as a larger load does. Capacity against temperature at the 10- and 20-hour rates: makers' data
sheets of several 12 V valve-regulated series (secondary copies): 40 °C 1.03, 25 °C 1.00, 0 °C 0.86, -15 °C 0.65; 10 °C
0.90 and -10 °C 0.74 from one more maker. The IEEE standards give less, for rates of some hours and faster: the size
factors of IEEE 485 (read in a secondary copy down to 4.4 °C; below from memory) state how much larger a battery the
same load needs in the cold, 1.19 at 10 °C. The model follows the makers at slow rates, IEEE at fast ones, and
interpolates between.
"""

import math
from bisect import bisect_right

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Places = NDArray[np.intp]

TERMS = ("offset_v", "slope_v", "bend_v", "knee_v", "activation_v", "resistance_v", "thinning_v")
WELL_HOURS: Array = np.array([0.15, 0.7, 3.0, 15.0])
WELL_FRACTIONS: Array = np.array([0.30, 0.29, 0.30, 0.20])
ACTIVATION_RATE = 0.02
MIN_DEPLETED, KNEE_DEPLETED, MAX_DEPLETED = -0.3, 0.995, 1.2
# Charge that a discharge at the 20-hour rate leaves bound at its end, per unit of lag strength.
BOUND_AT_C20 = float(np.sum(WELL_FRACTIONS * WELL_HOURS * (1 - np.exp(-20 / WELL_HOURS))) / 20)

REFERENCE_C = 25.0
_CELSIUS = (-40.0, -20.0, -15.0, -10.0, 0.0, 10.0, 25.0, 30.0, 40.0, 60.0)
_CAPACITY = (0.30, 0.58, 0.65, 0.74, 0.86, 0.91, 1.00, 1.015, 1.03, 1.03)
# The 20-hour capacity of a battery falls with load about as load ** -0.15, so this root turns capacity into load.
_ROOT = 0.87
_COLD_C = (-3.9, -1.1, 1.7, 4.4, 7.2, 10.0, 12.8, 15.6, 18.3, 20.0, 25.0)
_SIZE = (1.52, 1.43, 1.35, 1.30, 1.25, 1.19, 1.15, 1.11, 1.08, 1.056, 1.00)
_SLOW_RATE, _FAST_RATE = 0.1, 0.5  # units of C20 per hour: the makers' 10 hours; an hour and a half (assumed)
BATTERY_LAG_HOURS = 3.0  # assumed: some kilograms in still air; common practice says "hours", no source


def terms(depleted: Array, rate: Array | float) -> Array:
    """(..., 7) the factor of each coefficient at a depleted fraction (1 at exhaustion) and a rate in 1/h.

    Past `KNEE_DEPLETED` the knee continues along its tangent. The shape terms are zero at half depletion, so that
    `offset_v` is the voltage there and hardly mixes with the others.
    """
    u = np.clip(depleted, MIN_DEPLETED, MAX_DEPLETED)
    i = np.broadcast_to(np.asarray(rate, dtype=float), u.shape)
    left = 1 - np.minimum(u, KNEE_DEPLETED)
    beyond = np.maximum(u - KNEE_DEPLETED, 0) / (1 - KNEE_DEPLETED)
    return np.stack(
        [
            np.ones_like(u),
            0.5 - u,
            0.25 - u * u,
            np.log(2 * left) - beyond,
            -np.arcsinh(i / ACTIVATION_RATE),
            -i,
            -i / left * (1 + beyond),
        ],
        axis=-1,
    )


def advance_wells(wells: Array, rate: Array | float, hours: float, well_hours: Array = WELL_HOURS) -> Array:
    """(..., 4) the wells after `hours` at a constant rate (broadcast against the leading axes)."""
    decay = np.exp(-hours / well_hours)
    inflow = np.asarray(rate, dtype=float)[..., np.newaxis] * (well_hours * (1 - decay))
    return np.asarray(wells * decay + inflow)


def depleted_fraction(drawn: Array, wells: Array, total: Array, strength: Array) -> Array:
    """Fraction of the `total` charge that is missing at the plates: the drawn charge plus the charge that lags."""
    return np.asarray((drawn + strength * (wells @ WELL_FRACTIONS)) / total)


def total_charge(capacity_c20: Array, strength: Array) -> Array:
    """Charge at an infinitely small rate, from the capacity at the 20-hour rate (both in units of rated C20)."""
    return np.asarray(capacity_c20 + strength * BOUND_AT_C20)


def _between(x: float, xs: tuple[float, ...], ys: tuple[float, ...]) -> float:
    """Linear between the points, flat beyond them; for one number much faster than NumPy's."""
    place = bisect_right(xs, x)
    if place == 0 or place == len(xs):
        return ys[min(place, len(xs) - 1)]
    part = (x - xs[place - 1]) / (xs[place] - xs[place - 1])
    return ys[place - 1] + part * (ys[place] - ys[place - 1])


def capacity_factor(battery_c: float) -> float:
    """Capacity at `battery_c` °C as a fraction of that at 25 °C, for rates of ten to twenty hours."""
    return _between(battery_c, _CELSIUS, _CAPACITY)


def load_factor(battery_c: float, rate: float = 0.0) -> float:
    """Divisor that turns a current into the current that empties a battery of 25 °C as fast.

    rate: that current in units of C20 per hour; 0 is any slow one.
    """
    slow = float(capacity_factor(battery_c) ** _ROOT)
    if rate <= _SLOW_RATE or battery_c >= REFERENCE_C:
        return slow
    below = min(slow / capacity_factor(_COLD_C[0]) ** _ROOT, 1.0)  # under IEEE's coldest row the makers' curve counts
    fast = min(below / _between(battery_c, _COLD_C, _SIZE), slow)
    part = min(math.log(rate / _SLOW_RATE) / math.log(_FAST_RATE / _SLOW_RATE), 1.0)
    return float(slow * (fast / slow) ** part)


def lagged_battery_c(battery_c: float, case_c: float, hours: float) -> float:
    """Battery temperature, °C, after `hours` in a case at `case_c`: first-order lag."""
    return case_c + (battery_c - case_c) * math.exp(-hours / BATTERY_LAG_HOURS)

"""Terminal voltage of one lead-acid cell, linear in seven coefficients, and the charge that lags behind in four wells.

All charge is in units of the battery's rated 20-hour capacity and all current in that unit per hour, so that a cell of
5 Ah and one of 1000 Ah look alike. The form: open-circuit voltage falls with the depleted share u (a straight and a
square term), collapses as B ln(1 - u), and under current loses a logarithmic activation part, asinh(i / i0), and a
resistive part that grows as the acid thins (Shepherd 1965 and Tremblay 2007 are of this family). The lag of charge
behind current, as exponential wells, extends the two-well model of Manwell and McGowan 1993.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Places = NDArray[np.intp]

TERMS = ("offset_v", "slope_v", "bend_v", "knee_v", "activation_v", "resistance_v", "thinning_v")
WELL_HOURS: Array = np.array([0.15, 0.7, 3.0, 15.0])
WELL_SHARES: Array = np.array([0.30, 0.29, 0.30, 0.20])
ACTIVATION_RATE = 0.02
FULLEST, SHARPEST, EMPTIEST = -0.3, 0.995, 1.2
# Charge that a discharge at the 20-hour rate leaves bound at its end, per unit of well strength.
BOUND_AT_C20 = float(np.sum(WELL_SHARES * WELL_HOURS * (1 - np.exp(-20 / WELL_HOURS))) / 20)


def terms(depleted: Array, rate: Array | float) -> Array:
    """(..., 7) what each coefficient is multiplied with, at a depleted share (1 at exhaustion) and a rate in 1/h.

    Past `SHARPEST` the knee goes on straight, along its tangent. The shape terms are zero at half depletion, so that
    `offset_v` is the voltage there and hardly mixes with the others.
    """
    u = np.clip(depleted, FULLEST, EMPTIEST)
    i = np.broadcast_to(np.asarray(rate, dtype=float), u.shape)
    left = 1 - np.minimum(u, SHARPEST)
    beyond = np.maximum(u - SHARPEST, 0) / (1 - SHARPEST)
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


def depleted_share(drawn: Array, wells: Array, capacity: Array, strength: Array) -> Array:
    """Share of the reachable charge that is gone at the plates: drawn plus what is still underway, over `capacity`."""
    return np.asarray((drawn + strength * (wells @ WELL_SHARES)) / capacity)


def whole_charge(capacity_c20: Array, strength: Array) -> Array:
    """Charge at an endlessly small rate, from the capacity at the 20-hour rate (both in units of rated C20)."""
    return np.asarray(capacity_c20 + strength * BOUND_AT_C20)

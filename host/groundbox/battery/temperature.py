"""Cold acts on a lead-acid battery as a heavier load would; a battery follows the air around it by hours.

Capacity against temperature at the 10- and 20-hour rates: makers' data sheets of several 12 V valve-regulated series
(secondary copies): 40 C 1.03, 25 C 1.00, 0 C 0.86, -15 C 0.65; 10 C 0.90 and -10 C 0.74 from one more maker. The
IEEE standards give less, for rates of some hours and faster: the size factors of IEEE 485 (read in a secondary copy
down to 4.4 C; below from memory) tell how much larger a battery the same load needs in the cold, 1.19 at 10 C. The
model follows the makers at slow rates, IEEE at fast ones, and goes from one to the other between.
"""

import math

import numpy as np

REFERENCE_C = 25.0
_CELSIUS = (-40.0, -20.0, -15.0, -10.0, 0.0, 10.0, 25.0, 30.0, 40.0, 60.0)
_CAPACITY = (0.30, 0.58, 0.65, 0.74, 0.86, 0.91, 1.00, 1.015, 1.03, 1.03)
# The 20-hour capacity of a battery falls with load about as load ** -0.15, so this root turns capacity into load.
_ROOT = 0.87
_COLD_C = (-3.9, -1.1, 1.7, 4.4, 7.2, 10.0, 12.8, 15.6, 18.3, 20.0, 25.0)
_SIZE = (1.52, 1.43, 1.35, 1.30, 1.25, 1.19, 1.15, 1.11, 1.08, 1.056, 1.00)
_SLOW_RATE, _FAST_RATE = 0.1, 0.5  # units of C20 per hour: the makers' 10 hours; an hour and a half (assumed)
BLOCK_LAG_HOURS = 3.0  # assumed: a block of some kilograms in still air; common practice says "hours", no source


def capacity_factor(battery_c: float) -> float:
    """Capacity at `battery_c` celsius as a share of that at 25 C, for rates of ten to twenty hours."""
    return float(np.interp(battery_c, _CELSIUS, _CAPACITY))


def load_factor(battery_c: float, rate: float = 0.0) -> float:
    """What to divide a current by to get the current that empties a 25 C battery as fast.

    rate: that current in units of C20 per hour; 0 is any slow one.
    """
    slow = float(capacity_factor(battery_c) ** _ROOT)
    if rate <= _SLOW_RATE or battery_c >= REFERENCE_C:
        return slow
    below = min(slow / capacity_factor(_COLD_C[0]) ** _ROOT, 1.0)  # colder than IEEE's factors go on as the makers'
    fast = min(below / float(np.interp(battery_c, _COLD_C, _SIZE)), slow)
    share = min(math.log(rate / _SLOW_RATE) / math.log(_FAST_RATE / _SLOW_RATE), 1.0)
    return float(slow * (fast / slow) ** share)


def followed(battery_c: float, case_c: float, hours: float) -> float:
    """Block temperature after `hours` in a case at `case_c`: first-order lag."""
    return case_c + (battery_c - case_c) * math.exp(-hours / BLOCK_LAG_HOURS)

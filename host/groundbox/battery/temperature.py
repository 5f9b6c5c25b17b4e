"""Cold acts on a lead-acid battery as a heavier load would; a battery block follows the air around it by hours.

Capacity against temperature at the 10- and 20-hour rates: makers' data sheets of several 12 V valve-regulated series
(secondary copies): 40 C 1.03, 25 C 1.00, 0 C 0.86, -15 C 0.65; 10 C 0.90 and -10 C 0.74 from one more maker. The
time factors of IEEE 450 and 1188 (read in a secondary copy), meant for faster rates, are lower: 0.79 at 10 C. The
model follows the makers, so runtime in the cold at fast rates may be too hopeful.
"""

import math

import numpy as np

REFERENCE_C = 25.0
_CELSIUS = (-40.0, -20.0, -15.0, -10.0, 0.0, 10.0, 25.0, 30.0, 40.0, 60.0)
_CAPACITY = (0.30, 0.58, 0.65, 0.74, 0.86, 0.91, 1.00, 1.015, 1.03, 1.03)
# The 20-hour capacity of a battery falls with load about as load ** -0.15, so this root turns capacity into load.
_ROOT = 0.87
BLOCK_LAG_HOURS = 3.0  # assumed: a block of some kilograms in still air; common practice says "hours", no source


def capacity_factor(block_c: float) -> float:
    """Capacity at `block_c` celsius as a share of that at 25 C, for rates of ten to twenty hours."""
    return float(np.interp(block_c, _CELSIUS, _CAPACITY))


def load_factor(block_c: float) -> float:
    """What to divide a current by to get the current that empties a 25 C battery as fast."""
    return float(capacity_factor(block_c) ** _ROOT)


def followed(block_c: float, case_c: float, hours: float) -> float:
    """Block temperature after `hours` in a case at `case_c`: first-order lag."""
    return case_c + (block_c - case_c) * math.exp(-hours / BLOCK_LAG_HOURS)

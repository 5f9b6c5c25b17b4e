"""Thermistor counts as temperature: table interpolation, whole numbers only.

The 10 k thermistor lies between the ADC's input and ground, a pull-up between input and the ADC's reference, so that
counts are a share of the reference and the reference's voltage does not matter.
"""

from array import array

from groundbox.wire.messages import UNKNOWN
from micropython import const

_LOWEST_CENTI_C = const(-4000)
_STEP_CENTI_C = const(500)

# Ohm at -40, -35 .. 125 C for settings.SENSOR_KINDS 1 and 2: R = 10000 exp(B (1/T - 1/298.15)), B = 3950 and 3435 K.
# Straight lines between these rows are within 0.1 K from 0 to 85 C, and 0.2 K elsewhere.
# fmt: off
OHMS = (
    (),
    (401860, 281577, 200204, 144317, 105385, 77898, 58246, 44026, 33621, 25925, 20175, 15837, 12535, 10000, 8037, 6506,
     5301, 4348, 3588, 2978, 2486, 2086, 1760, 1492, 1270, 1087, 934, 805, 698, 606, 529, 463, 407, 359),
    (248277, 182221, 135452, 101898, 77523, 59606, 46290, 36290, 28704, 22897, 18410, 14916, 12171, 10000, 8269, 6881,
     5759, 4847, 4101, 3488, 2981, 2559, 2207, 1912, 1662, 1451, 1272, 1118, 987, 874, 776, 692, 618, 554),
)
# fmt: on


def counts(kind, pullup_ohm):
    """array("H") of the counts at the rows of OHMS[kind] behind this pull-up, falling; made once, not in the step."""
    return array("H", [65535 * ohm // (ohm + pullup_ohm) for ohm in OHMS[kind]])


def centi_c(table, raw):
    """Hundredths of a degree Celsius at `raw` counts (0..65535) by a table of `counts`; UNKNOWN off its ends."""
    high = len(table) - 1
    if raw > table[0] or raw < table[high]:
        return UNKNOWN
    low = 0
    while high - low > 1:
        middle = (low + high) >> 1
        if table[middle] >= raw:
            low = middle
        else:
            high = middle
    share = (table[low] - raw) * _STEP_CENTI_C // (table[low] - table[high])
    return _LOWEST_CENTI_C + low * _STEP_CENTI_C + share

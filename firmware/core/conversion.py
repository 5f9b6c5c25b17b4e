"""Raw numbers of converters and chips as whole numbers with a unit, and their calibration.

Sources: INA226 and INA219 data sheets (maker's sheets), register maps and LSB weights; DS18B20 data sheet (maker's
sheet), memory map, temperature table and CRC of x^8 + x^5 + x^4 + 1.
"""

from array import array

from groundbox.wire.messages import UNKNOWN
from micropython import const

_INA219 = const(2)
_LOWEST_CENTI_C = const(-4000)
_STEP_CENTI_C = const(500)

SHORTED = const(-32767)  # all nine bytes 0, which the CRC alone would accept: the data line is held low

# Ohm at -40, -35 .. 125 °C for settings.SENSOR_KINDS 1 and 2: R = 10000 exp(B (1/T - 1/298.15)), B = 3950 and 3435 K.
# Straight lines between these rows are within 0.1 K from 0 to 85 °C, and 0.2 K elsewhere.
# fmt: off
OHMS = (
    (),
    (401860, 281577, 200204, 144317, 105385, 77898, 58246, 44026, 33621, 25925, 20175, 15837, 12535, 10000, 8037, 6506,
     5301, 4348, 3588, 2978, 2486, 2086, 1760, 1492, 1270, 1087, 934, 805, 698, 606, 529, 463, 407, 359),
    (248277, 182221, 135452, 101898, 77523, 59606, 46290, 36290, 28704, 22897, 18410, 14916, 12171, 10000, 8269, 6881,
     5759, 4847, 4101, 3488, 2981, 2559, 2207, 1912, 1662, 1451, 1272, 1118, 987, 874, 776, 692, 618, 554),
)
# fmt: on


def bus_mv(kind, register):
    """Bus voltage in mV of settings.MONITOR_KINDS[kind] from its register 0..65535."""
    if kind == _INA219:
        return (register >> 3) * 4
    return register * 5 >> 2


def shunt_ma(kind, register, shunt_micro_ohm):
    """Current in mA from the shunt voltage register 0..65535 (two's complement); shunt from 200 micro-ohm up.

    The current register is not used: it is 0 after a glitch on the chip's supply until someone writes its calibration
    again, and 0 A would look like a measurement.
    """
    value = register - 65536 if register & 0x8000 else register
    # 2.5 uV and 10 uV an LSB: nanovolts / micro-ohm = milliamperes. At most 32768 * 10000 < 2**30.
    return value * (10000 if kind == _INA219 else 2500) // shunt_micro_ohm


def thermistor_table(kind, pullup_ohm):
    """array("H") of the counts at the rows of OHMS[kind] behind this pull-up, falling; made once, not in the step.

    The 10 k thermistor is between the ADC's input and ground, the pull-up between input and the ADC's reference. Counts
    are a fraction of the reference, so the reference's voltage does not matter.
    """
    return array("H", [65535 * ohm // (ohm + pullup_ohm) for ohm in OHMS[kind]])


def thermistor_centi_c(table, raw):
    """Hundredths of a degree Celsius at `raw` counts (0..65535) by a `thermistor_table`; UNKNOWN off its ends."""
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
    part = (table[low] - raw) * _STEP_CENTI_C // (table[low] - table[high])
    return _LOWEST_CENTI_C + low * _STEP_CENTI_C + part


def crc8(scratchpad, length):
    """CRC-8 of the first `length` bytes of a 1-wire sensor's scratchpad."""
    crc = 0
    for i in range(length):
        crc ^= scratchpad[i]
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc


def scratchpad_raw(scratchpad):
    """Sixteenths of a degree Celsius from a 1-wire sensor's nine bytes.

    UNKNOWN for a damaged scratchpad (no sensor answers: all ones); SHORTED for all zeros.
    """
    bits = 0
    for i in range(9):
        bits |= scratchpad[i]
    if not bits:
        return SHORTED
    if crc8(scratchpad, 8) != scratchpad[8]:
        return UNKNOWN
    value = scratchpad[0] | scratchpad[1] << 8
    return value - 65536 if value & 0x8000 else value


class Calibration:
    """Two-point calibration of one channel: the straight line through what was read and what was true then.

    Args:
        settings: dictionary with every setting.
        channel: name of the channel, as in messages.CHANNELS.
        unit: unit of its settings: mv, ma or centi_c.

    groundbox.wire.settings keeps the line's slope within an eighth of 1 and its points apart. For values of 16 bits no
    intermediate then reaches 2**30: at most (32767 + 30000) * 60000 / 8.
    """

    def __init__(self, settings, channel, unit):
        raw1 = settings["%s_raw1_%s" % (channel, unit)]
        true1 = settings["%s_true1_%s" % (channel, unit)]
        self._raw1 = raw1
        self._offset = true1 - raw1
        self._span = settings["%s_raw2_%s" % (channel, unit)] - raw1
        self._gain = settings["%s_true2_%s" % (channel, unit)] - true1 - self._span

    def true(self, value):
        """`value` corrected; whole number of the same unit."""
        return value + self._offset + (value - self._raw1) * self._gain // self._span

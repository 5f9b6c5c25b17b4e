"""The two sources of the battery's voltage, before calibration: the shunt monitor's bus input, and divider and ADC."""

from core.channel import NOTHING
from core.conversion import bus_mv
from groundbox.wire.messages import UNKNOWN
from micropython import const

_OK = const(0)
_OPEN = const(1)
_RANGE = const(3)
_NOTHING_THERE_MV = const(1000)  # the board runs, and yet less than this: fuse, sense lead or divider open
_SATURATED = const(65300)
_HIGHEST_MV = const(31000)
_TOP = const(70000)  # above every raw number and value


def _code(mv):
    if mv < _NOTHING_THERE_MV:
        return _OPEN
    return _RANGE if mv > _HIGHEST_MV else _OK


class Accumulator:
    """Count, sum, minimum and maximum of the whole numbers put since `clear`.

    Attributes:
        count, total, low, high; low and high mean nothing while count is 0. With 2000 numbers of 65535 a second, a
        close after 5 s still leaves total below 2**30.
    """

    def __init__(self):
        self.clear()

    def clear(self):
        """Forgets everything put so far."""
        self.count = 0
        self.total = 0
        self.low = _TOP
        self.high = -_TOP

    def put(self, value):
        """Takes one number in."""
        self.count += 1
        self.total += value
        if value < self.low:
            self.low = value
        if value > self.high:
            self.high = value

    def merge(self, window):
        """Takes in what a core.interface.SampleRing has just taken."""
        self.count += window.count
        self.total += window.total
        if window.low < self.low:
            self.low = window.low
        if window.high > self.high:
            self.high = window.high

    def mean(self):
        """Mean, rounded; only while count is not 0."""
        return (self.total + (self.count >> 1)) // self.count


class VoltageDivider:
    """Fast samples of the ADC behind the divider.

    Attributes (BusVoltage has the same; all of the last `settle`):
        code: index in messages.SENSOR_STATES of what the raw numbers show, or NOTHING.
        mv, low_mv, high_mv: mean, minimum and maximum.
        still: the raw number if it was the same all the time, else UNKNOWN.
    """

    def __init__(self, limits):
        self._sum = Accumulator()
        # At most 3400 * 9600 / 1000 = 32640; times 32767 that stays below 2**30.
        self._full_mv = limits.reference_mv * limits.divider_ratio_e3 // 1000
        self.code = NOTHING
        self.mv = self.low_mv = self.high_mv = self.still = UNKNOWN

    def sense(self, inputs):
        """Takes in the fast samples since the last step."""
        window = inputs.window
        window.take()
        if window.count:
            self._sum.merge(window)

    def settle(self):
        """Reduces what came since the last call."""
        values = self._sum
        self.code = NOTHING
        if values.count:
            self.mv = self._mv(values.mean())
            self.low_mv = self._mv(values.low)
            self.high_mv = self._mv(values.high)
            self.still = values.low if values.low == values.high else UNKNOWN
            self.code = _RANGE if values.high >= _SATURATED else _code(self.mv)
            values.clear()

    def _mv(self, raw):
        return (raw >> 1) * self._full_mv // 32767


class BusVoltage:
    """Bus voltage register of the shunt monitor, one a step; attributes as those of VoltageDivider."""

    def __init__(self, limits):
        self._sum = Accumulator()
        self._kind = limits.voltage_monitor_kind
        self.code = NOTHING
        self.mv = self.low_mv = self.high_mv = self.still = UNKNOWN

    def sense(self, inputs):
        """Takes in one register, if it was read."""
        if inputs.monitor_bus != UNKNOWN:
            self._sum.put(bus_mv(self._kind, inputs.monitor_bus))

    def settle(self):
        """Reduces what came since the last call."""
        values = self._sum
        self.code = NOTHING
        if values.count:
            self.mv = values.mean()
            self.low_mv = values.low
            self.high_mv = values.high
            self.still = values.low if values.low == values.high else UNKNOWN
            self.code = _code(self.mv)
            values.clear()

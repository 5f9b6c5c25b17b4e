"""The two ways to the battery's voltage, uncalibrated: the shunt monitor's bus input, and a divider before the ADC."""

from core.channel import NOTHING
from core.means import Means
from core.monitor import bus_mv
from groundbox.wire.messages import UNKNOWN
from micropython import const

_OK = const(0)
_OPEN = const(1)
_RANGE = const(3)
_NOTHING_THERE_MV = const(1000)  # the board runs, and yet less than this: fuse, sense lead or divider open
_SATURATED = const(65300)
_HIGHEST_MV = const(31000)


def _code(mv):
    if mv < _NOTHING_THERE_MV:
        return _OPEN
    return _RANGE if mv > _HIGHEST_MV else _OK


class Divider:
    """Fast samples of the ADC behind the divider.

    Attributes (the second source has the same; all of the last `settle`):
        code: index in messages.SENSOR_STATES of what the raw numbers say, or NOTHING.
        mv, low_mv, high_mv: mean, lowest and highest.
        still: the raw number if it was one and the same all the time, else UNKNOWN.
    """

    def __init__(self, limits):
        self._means = Means()
        # At most 3400 * 9600 / 1000 = 32640; times 32767 that stays below 2**30.
        self._full_mv = limits.reference_mv * limits.divider_ratio_e3 // 1000
        self.code = NOTHING
        self.mv = self.low_mv = self.high_mv = self.still = UNKNOWN

    def sense(self, inputs):
        """Takes in the fast samples since the last step."""
        window = inputs.window
        window.take()
        if window.count:
            self._means.merge(window)

    def settle(self):
        """Reduces what came since the last call."""
        means = self._means
        self.code = NOTHING
        if means.count:
            self.mv = self._mv(means.mean())
            self.low_mv = self._mv(means.low)
            self.high_mv = self._mv(means.high)
            self.still = means.low if means.low == means.high else UNKNOWN
            self.code = _RANGE if means.high >= _SATURATED else _code(self.mv)
            means.clear()

    def _mv(self, raw):
        return (raw >> 1) * self._full_mv // 32767


class Monitor:
    """Bus voltage register of the shunt monitor, at the pace of the step; attributes as those of Divider."""

    def __init__(self, limits):
        self._means = Means()
        self._kind = limits.voltage_monitor_kind
        self.code = NOTHING
        self.mv = self.low_mv = self.high_mv = self.still = UNKNOWN

    def sense(self, inputs):
        """Takes in one register, if it was read."""
        if inputs.monitor_bus != UNKNOWN:
            self._means.put(bus_mv(self._kind, inputs.monitor_bus))

    def settle(self):
        """Reduces what came since the last call."""
        means = self._means
        self.code = NOTHING
        if means.count:
            self.mv = means.mean()
            self.low_mv = means.low
            self.high_mv = means.high
            self.still = means.low if means.low == means.high else UNKNOWN
            self.code = _code(self.mv)
            means.clear()

"""What the battery's profile shows under load, in five points of whole numbers, and the means it is read with."""

from groundbox.wire.messages import UNKNOWN
from micropython import const

_FIRST = const(3)  # of the points' numbers
_LAST = const(11)
_CHARGE_LIMIT = const(1 << 29)
_SETTLED_S = const(60)
_MEAN = const(64)  # seconds of the running means


class BatteryTable:
    """Mean voltage and current of the last minute, and the low time until turn-back by them.

    Attributes:
        numbers: load_ma, resistance_mohm, home_s, then mv and s of five points: voltage under that load, rising, and
            low time until turn-back. A load of 0: none is given.
        mean_ma: mean current, milliamperes; the assumed one where none is measured.
    """

    def __init__(self):
        self.numbers = [0] * (_LAST + 2)
        self.mean_ma = 0
        self._ma = 0  # times _MEAN
        self._mv = 0
        self._settled_s = 0
        self._measured = 0

    def assume(self, load_ma):
        """The mean current to begin with, until one is measured."""
        if not self._settled_s:
            self._put(load_ma * _MEAN)

    def step(self, seconds, battery_ma, battery_mv, assumed_ma):
        """Takes whole `seconds` (1 to 5) into the means; each value may be UNKNOWN."""
        self._measured = 0 if battery_ma == UNKNOWN else 1
        if not self._measured:
            self._put(max(assumed_ma, self.numbers[0]) * _MEAN)
        elif self._settled_s:
            self._put(self._ma + (battery_ma - self._ma // _MEAN) * seconds)
        else:
            self._put(battery_ma * _MEAN)
        if battery_mv == UNKNOWN:
            self._settled_s = 0
            return
        if self._settled_s:
            self._mv += (battery_mv - self._mv // _MEAN) * seconds
        else:
            self._mv = battery_mv * _MEAN
        self._settled_s = min(self._settled_s + seconds, _SETTLED_S)

    def left_s(self):
        """Low time until turn-back at the table's load, seconds; UNKNOWN without table, voltage or known load."""
        numbers = self.numbers
        load_ma = numbers[0]
        if not load_ma or self._settled_s < _SETTLED_S or (self._measured and self.mean_ma * 4 < load_ma):
            return UNKNOWN
        less_ma = load_ma - self.mean_ma if self._measured else load_ma  # not measured: as if nothing were drawn
        mv = self._mv // _MEAN - max(0, less_ma) * numbers[1] // 1000
        if mv < numbers[_FIRST]:
            return 0
        for i in range(_FIRST, _LAST, 2):
            if mv < numbers[i + 2]:
                rise_s = numbers[i + 3] - numbers[i + 1]
                return numbers[i + 1] + rise_s * (mv - numbers[i]) // (numbers[i + 2] - numbers[i])
        return numbers[-1]

    def full(self):
        """Charge until turn-back of a full battery, mA s; 0 without a table."""
        return min(self.numbers[0] * self.numbers[-1], _CHARGE_LIMIT)

    def _put(self, ma):
        self._ma = ma
        self.mean_ma = ma // _MEAN

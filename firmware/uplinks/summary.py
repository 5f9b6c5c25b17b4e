"""Summaries of ten seconds of readings: means, minima and maxima, the worst levels, the last states."""

from groundbox.wire.messages import LEVELS, UNKNOWN, fields_of
from micropython import const

_BEFORE = const(6)  # fields before the summed ones: box, boot, sequence, uptime_ms, number, readings
_MEAN = const(0)
_LOWEST = const(1)
_HIGHEST = const(2)
_LAST = const(3)

FIELDS = fields_of("summary")[_BEFORE:]
NAMES = [field[0] for field in FIELDS]


def _way(field):
    name, code = field[:2]
    if isinstance(code, tuple):
        return _HIGHEST if code is LEVELS else _LAST
    return _LOWEST if "_min_" in name else _HIGHEST if "_max_" in name else _MEAN


class SummaryBuilder:
    """What has been added since `clear`.

    Attributes:
        readings: how many readings.
    """

    def __init__(self):
        self._ways = [_way(field) for field in FIELDS]
        self._cells = [0] * len(FIELDS)
        self._known = [0] * len(FIELDS)
        self.readings = 0

    def clear(self):
        """Forgets everything added so far."""
        self.readings = 0
        for i in range(len(self._cells)):
            self._cells[i] = self._known[i] = 0

    def add(self, reading):
        """Takes the attributes of `reading`, named as in the registry."""
        self.readings += 1
        for i, name in enumerate(NAMES):
            value = getattr(reading, name)
            if value == UNKNOWN:
                continue
            way = self._ways[i]
            cell = self._cells[i]
            if way == _MEAN:
                self._cells[i] = cell + value
            elif way == _LAST or not self._known[i] or (value < cell if way == _LOWEST else value > cell):
                self._cells[i] = value
            self._known[i] += 1

    def values(self):
        """One whole number for each of FIELDS, UNKNOWN where no reading knew it."""
        return [self._value(i) for i in range(len(self._cells))]

    def _value(self, i):
        known = self._known[i]
        if not known:
            return UNKNOWN
        return (self._cells[i] + known // 2) // known if self._ways[i] == _MEAN else self._cells[i]

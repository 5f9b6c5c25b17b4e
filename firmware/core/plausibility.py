"""Whether the case sensor can be right, by the battery's temperature, the intake and the rise that heat must cause.

Two contradictions, each safe to be wrong about: the fans run, and the board says why.

    outvoted    battery and intake are both 10 K above the case for 5 min. Air in a case warms and cools with its walls,
                contents and intake; it does not stay under all of them.
    rise        the battery warms steadily, faster than the case, which reads too cold for that. Heat flows downhill:
                what warms it is at least 3.5 times as far above it as it rises in 6 min, since batteries lag by 20 min
                or more (2 Ah, fans on).

A rise is judged while the fans are not full, and by 5 K more while they blow: sun on the walls can warm a battery more
than the air that fans bring.
The battery's own heat is allowed for: no judgement of its rise while a charger is seen and for an hour after it, a
margin of 5 K, and 0.03 K more for each square ampere (30 milliohm, 1 W/K). The rise is three times the least of three
parts of 2 min, and none when the largest is more than four times the least: another battery brings one step.
All figures: common practice, no source. A contradiction holds for 30 min.
"""

from array import array

from groundbox.wire.messages import UNKNOWN
from micropython import const

_MINUTE_MS = const(60000)
_WINDOW = const(6)  # minutes
_PARTS = const(3)
_OUTVOTED_CENTI_C = const(1000)
_OUTVOTED_MS = const(300000)
_LEAST_RISE_CENTI_C = const(50)
_MARGIN_CENTI_C = const(500)
_UNKNOWN_HEAT_CENTI_C = const(300)  # as of 10 A
_CHARGED_MS = const(3600000)
_HELD_MS = const(1800000)


class CaseVote:
    """Attributes: doubt: True while the case sensor contradicts the others."""

    def __init__(self):
        self.doubt = False
        self._battery = array("h", (0 for _ in range(_WINDOW)))
        self._case = array("h", (0 for _ in range(_WINDOW)))
        self._highest = UNKNOWN
        self._minutes = 0
        self._minute_ms = 0
        self._gap_ms = 0
        self._outvoted_ms = 0
        self._charged_ms = 0
        self._held_ms = 0

    def step(self, elapsed_ms, case_centi_c, battery_centi_c, intake_centi_c, charging, battery_ma, fan_percent=0):
        """Lets `elapsed_ms` pass; UNKNOWN for what is not known. Allocates nothing."""
        self._charged_ms = _CHARGED_MS if charging else max(0, self._charged_ms - elapsed_ms)
        self._held_ms = max(0, self._held_ms - elapsed_ms)
        if fan_percent == 100:
            self._minutes = self._minute_ms = 0
        if case_centi_c == UNKNOWN or battery_centi_c == UNKNOWN:
            self._gap_ms += elapsed_ms
            if self._gap_ms >= _MINUTE_MS:
                self._minutes = self._gap_ms = 0
                self._highest = UNKNOWN
        else:
            self._gap_ms = 0
            self._vote(elapsed_ms, case_centi_c, battery_centi_c, intake_centi_c)
            margin = _MARGIN_CENTI_C * 2 if fan_percent else _MARGIN_CENTI_C
            self._collect(elapsed_ms, case_centi_c, battery_centi_c, margin + _own_heat(battery_ma))
        self.doubt = self._held_ms > 0

    def _vote(self, elapsed_ms, case, battery, intake):
        if intake != UNKNOWN and case < min(battery, intake) - _OUTVOTED_CENTI_C:
            self._outvoted_ms = min(_OUTVOTED_MS, self._outvoted_ms + elapsed_ms)
        else:
            self._outvoted_ms = max(0, self._outvoted_ms - elapsed_ms)
        if self._outvoted_ms >= _OUTVOTED_MS:
            self._held_ms = _HELD_MS

    def _collect(self, elapsed_ms, case, battery, margin):
        """Keeps the battery's temperature of each minute, and the case's highest."""
        self._highest = max(self._highest, case)
        self._minute_ms += elapsed_ms
        if self._minute_ms < _MINUTE_MS:
            return
        self._minute_ms %= _MINUTE_MS
        place = self._minutes % _WINDOW
        if self._minutes >= _WINDOW and not self._charged_ms and self._contradicts(case, battery, margin):
            self._held_ms = _HELD_MS
        self._battery[place] = battery
        self._case[place] = self._highest
        self._highest = UNKNOWN
        self._minutes += 1

    def _contradicts(self, case, battery, margin):
        rise = self._rise(battery)
        if rise < _LEAST_RISE_CENTI_C or case - self._case[self._minutes % _WINDOW] >= rise:
            return False
        highest = self._highest
        for value in self._case:
            highest = max(highest, value)
        return battery + rise * 7 // 2 - highest >= margin

    def _rise(self, battery):
        """Three times the least rise of three parts of the window that ends now; 0 when they differ much."""
        least = 0x7FFF
        most = 0
        for part in range(_PARTS):
            after = self._minutes + (part + 1) * (_WINDOW // _PARTS)
            end = battery if part == _PARTS - 1 else self._battery[after % _WINDOW]
            rise = end - self._battery[(self._minutes + part * (_WINDOW // _PARTS)) % _WINDOW]
            least = min(least, rise)
            most = max(most, rise)
        return least * _PARTS if most <= 4 * least else 0


def _own_heat(ma):
    """Hundredths of a kelvin by which a current may warm a battery above what is around it."""
    if ma == UNKNOWN:
        return _UNKNOWN_HEAT_CENTI_C
    amps = abs(ma) // 1000
    return 3 * amps * amps

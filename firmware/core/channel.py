"""One sensor's condition: its fault, its last trusted value, and the age of that value.

These faults are distinguished, each after two seconds (for a single bad second the last value holds):

    open, shorted   the raw number is at an end that only a broken or short-circuited wire gives
    range           a number, but none a battery or a case can have
    frozen          the raw number has not changed by one count for `frozen_s`, since something that must move it moved.
                    Being constant alone is no fault: a battery at rest is. The 1-wire sensor's
                    power-on value (85.00 °C without a rise) counts too: it answers without measuring.
    silent          nothing came for 5 s: no answer, or only damaged answers
    intermittent    a loose contact: wire faults or jumps come and go (core.thermometer)
    implausible     the other temperatures contradict it (core.plausibility)
    disagree        two ways to measure the same thing differ (core.supply)
"""

from groundbox.wire.messages import UNKNOWN
from micropython import const

NOTHING = const(-1)
_OK = const(0)
_SILENT = const(6)
_ABSENT = const(7)
_SILENT_MS = const(5000)
_BAD_MS = const(2000)
_CLEAN_MS = const(3000)
_MAX_AGE_MS = const(60000)


class Channel:
    """Keeps one sensor's state.

    Attributes:
        state: index in messages.SENSOR_STATES.
        value: last trusted value; UNKNOWN before the first and while state is not ok.
        age_ms: age of `value`; at most 60000.
    """

    def __init__(self):
        self.state = _OK
        self.value = UNKNOWN
        self.age_ms = 0
        self._pending = _OK
        self._silent_ms = 0
        self._bad_ms = 0
        self._clean_ms = 0
        self._still = UNKNOWN
        self._rival = UNKNOWN
        self._doubt_ms = 0

    def leave_out(self):
        """This sensor is not fitted (any more)."""
        self.state = _ABSENT
        self.value = UNKNOWN

    def step(self, step_ms, code, value):
        """Takes what came in the last `step_ms`: `code` is NOTHING, ok (then `value` counts) or a fault's index."""
        if code == _OK and self.state == _OK:
            self.value = value
            self.age_ms = self._silent_ms = self._bad_ms = 0
            self._pending = _OK
            return
        if self.age_ms < _MAX_AGE_MS:
            self.age_ms += step_ms
        if code == NOTHING:
            self._silent_ms += step_ms
        else:
            self._silent_ms = 0
            self._pending = code
        if self._silent_ms >= _SILENT_MS:
            self._silent_ms = _SILENT_MS
            self._fail(_SILENT)
        elif self._pending != _OK:
            self._bad_ms += step_ms
            if self._bad_ms >= _BAD_MS or self.state != _OK:
                self._fail(self._pending)
        else:
            self._recover(step_ms, code, value)

    def _fail(self, state):
        self.state = state
        self.value = UNKNOWN
        self._bad_ms = self._clean_ms = 0

    def _recover(self, step_ms, code, value):
        self._bad_ms = 0
        self._clean_ms += step_ms
        if self.state != _OK and code == _OK and self._clean_ms >= _CLEAN_MS:
            self.state = _OK
            self.value = value
            self.age_ms = 0

    def frozen(self, step_ms, raw, rival, move, limit_ms):
        """True once `raw` is constant though its rival moved.

        Args:
            step_ms: since the last call.
            raw: the raw number, or UNKNOWN when it was not one and the same through the whole step.
            rival: value of something that cannot move without moving `raw`; UNKNOWN while not known.
            move: how far the rival must have moved since `raw` changed.
            limit_ms: how long `raw` may be constant after that.
        """
        if raw == UNKNOWN or raw != self._still:
            self._still = raw
            self._rival = rival
            self._doubt_ms = 0
            return False
        if self._rival == UNKNOWN:
            self._rival = rival
        elif self._doubt_ms or (rival != UNKNOWN and abs(rival - self._rival) >= move):
            self._doubt_ms = min(self._doubt_ms + step_ms, limit_ms)
        return self._doubt_ms >= limit_ms

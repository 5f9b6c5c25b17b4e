"""The countdown to the turn-back time by buzzer and lamp: 10, 5 and 2 minutes before, then return now.

The steps are those that the host speaks (advice/limits.py). Three long tones are 10 minutes, two 5, one 2. Return now
is a tone of a second every two seconds until the return or the landing is marked, or a host gives more time. One tone
of three seconds, once: in flight, the time until turn-back is unknown. These sound over all other signals.
"""

from groundbox.wire.messages import UNKNOWN
from micropython import const

STEPS_S = (600, 300, 120)
_CLEAR_S = const(60)  # more than the first step: the countdown begins again
_TONE_MS = const(600)
_PERIOD_MS = const(1000)
_UNKNOWN_MS = const(3000)
_UNKNOWN_S = const(10)  # a host has this long to give a time after the launch
_NONE = const(3)  # no step given


class CountdownTones:
    """Decides once a second, sounds each step.

    Attributes:
        now: 1 while it is time to return.
    """

    def __init__(self):
        self.now = 0
        self._given = _NONE  # steps to come: index of the last one given, counted from the end
        self._unknown_s = 0
        self._sounds_ms = 0
        self._tone_ms = _TONE_MS
        self._period_ms = _PERIOD_MS

    def judge(self, seconds, left_s, counting):
        """Takes in the seconds until turn-back, or UNKNOWN; `counting`: in flight, and no return is marked."""
        if not counting:
            self.now = 0
            self._given = _NONE
            self._unknown_s = 0
            self._sounds_ms = 0
            return
        if left_s == UNKNOWN and self.now:
            return  # it was time to return, and nothing says otherwise
        if left_s == UNKNOWN:
            before_s = self._unknown_s
            self._unknown_s = min(before_s + seconds, _UNKNOWN_S)
            if before_s < _UNKNOWN_S <= self._unknown_s:
                self._sound(_UNKNOWN_MS, _UNKNOWN_MS)
            return
        self._unknown_s = 0
        if left_s > STEPS_S[0] + _CLEAR_S:
            self._given = _NONE
        if left_s <= 0:
            if not self.now:
                self._sounds_ms = 0
            self.now = 1
            return
        self.now = 0
        for to_come in range(3):
            if left_s <= STEPS_S[2 - to_come]:
                if to_come < self._given:
                    self._given = to_come
                    self._sound((to_come + 1) * _PERIOD_MS, _TONE_MS)
                return

    def step(self, step_ms, outputs):
        """Lets `step_ms` pass; puts its tone on buzzer and lamp where it has one."""
        if self.now:
            tone = 1 if self._sounds_ms < _PERIOD_MS else 0
            self._sounds_ms = (self._sounds_ms + step_ms) % (2 * _PERIOD_MS)
        elif self._sounds_ms > 0:
            tone = 1 if (self._sounds_ms - 1) % self._period_ms >= self._period_ms - self._tone_ms else 0
            self._sounds_ms -= step_ms
        else:
            return
        outputs.buzzer = outputs.lamp = tone

    def _sound(self, for_ms, tone_ms):
        self._sounds_ms = for_ms
        self._tone_ms = tone_ms
        self._period_ms = max(tone_ms, _PERIOD_MS)

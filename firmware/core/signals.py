"""Buzzer and lamp, which show severity and cause, and the one button.

The beeps in a group show the cause: 1 battery low, 2 case hot, 3 a fan or sensor has a fault, 4 overvoltage or
a battery that must not be charged. Groups repeat every 10 s (notice), 4 s (urgent) or 2 s (stop). Of several causes
the worst is shown, of equals the first of these. The lamp flashes alike; with no cause, once every 5 s.
"""

from micropython import const

_SLOT_MS = const(100)
_PERIODS_MS = (5000, 10000, 4000, 2000)
_CONFIRM_MS = const(300)
_LONG_MS = const(1500)


class Signals:
    """What buzzer and lamp do at this moment.

    Attributes:
        buzzer, lamp: 1 or 0.
        severity: index in messages.LEVELS of the worst cause.
    """

    def __init__(self, limits):
        self.buzzer = 0
        self.lamp = 0
        self.severity = 0
        self._cause = 0
        self._now = bytearray(4)
        self._silenced = bytearray(4)
        self._silenced_ms = 0
        self._phase_ms = 0
        self._confirm_ms = 0
        self._lamp_ms = 0
        self._buzzer_ms = 0
        self._limits = limits

    def judge(self, low_voltage, case_heat, fault, charge):
        """Takes in four severities, each an index in messages.LEVELS, in the order of their beeps."""
        now = self._now
        now[0] = low_voltage
        now[1] = case_heat
        now[2] = fault
        now[3] = charge
        severity = 0
        for cause in range(4):
            if now[cause] < self._silenced[cause]:
                self._silenced[cause] = now[cause]
            if now[cause] > severity:
                severity = now[cause]
                self._cause = cause
        if severity != self.severity:
            self.severity = severity
            self._phase_ms = 0

    def silence(self, level):
        """Silences causes up to `level` (messages.LEVELS) until one gets worse, or for `silence_s`; not the lamp."""
        for cause in range(4):
            self._silenced[cause] = min(level, self._now[cause])
        self._silenced_ms = self._limits.silence_s * 1000

    def confirm(self, beeps):
        """Sounds 1 or 2 long beeps once: a press of the button has been understood."""
        self._confirm_ms = 2 * _CONFIRM_MS * beeps

    def try_out(self, lamp, max_ms):
        """Lights the lamp (true) or sounds the buzzer for `max_ms`, over everything else."""
        if lamp:
            self._lamp_ms = max_ms
        else:
            self._buzzer_ms = max_ms

    def step(self, step_ms):
        """Lets `step_ms` pass and sets buzzer and lamp."""
        slot = self._phase_ms // _SLOT_MS
        self._phase_ms = (self._phase_ms + step_ms) % _PERIODS_MS[self.severity]
        beeps = self._cause + 1 if self.severity else 1
        self.lamp = 1 if slot < 4 * beeps and slot & 3 < 2 else 0
        self.buzzer = self.lamp if self._sounding() else 0
        if self._silenced_ms > 0:
            self._silenced_ms -= step_ms
        if self._confirm_ms > 0:
            self.buzzer = (self._confirm_ms - 1) // _CONFIRM_MS & 1
            self._confirm_ms -= step_ms
        if self._lamp_ms > 0:
            self._lamp_ms -= step_ms
            self.lamp = 1
        if self._buzzer_ms > 0:
            self._buzzer_ms -= step_ms
            self.buzzer = 1

    def _sounding(self):
        if not self.severity:
            return False
        loud = self._silenced_ms <= 0
        for cause in range(4):
            if self._now[cause] > self._silenced[cause]:
                loud = True
        return loud


class Button:
    """Attributes: short, long: 1 in the one step in which that press is recognised, else 0.

    A long press counts when its time is reached, not when let go; a short one when let go.
    """

    def __init__(self):
        self.short = 0
        self.long = 0
        self._held_ms = 0

    def step(self, step_ms, down):
        """Lets `step_ms` pass with the button held down (1) or not (0)."""
        self.short = self.long = 0
        held_ms = self._held_ms
        if down:
            self._held_ms = min(held_ms + step_ms, _LONG_MS)
            if held_ms < _LONG_MS <= self._held_ms:
                self.long = 1
        else:
            if 0 < held_ms < _LONG_MS:
                self.short = 1
            self._held_ms = 0

"""Buzzer and lamp, which show severity and cause, and the one button.

The beeps in a group show the cause: 1 battery low, 2 case hot, 3 a fan or sensor has a fault, 4 overvoltage, or a
battery too hot, or too cold or warm to charge. Groups repeat every 10 s (notice), 4 s (urgent) or 2 s (stop).

A new cause is heard at once, for two groups; then the worst cause that nobody has silenced, of equals the newest. A
notice is heard three times, then once in half an hour. A silenced cause is quiet until it gets worse, gains another
fault, comes again, or a launch is marked. The lamp flashes alike, and for silenced causes too; with no cause, once
every 5 s.
"""

from micropython import const

_SLOT_MS = const(100)
_PERIODS_MS = (5000, 10000, 4000, 2000)
_NEW_GROUPS = const(2)
_NOTICE_HEARD_MS = const(30000)
_NOTICE_AGAIN_MS = const(1800000)
_CONFIRM_MS = const(300)
_LONG_MS = const(1500)
_LET_GO_MS = const(5000)
_JAMMED_MS = const(30000)
_PRESSED = const(1)
_JAMMED = const(2)


class Signals:
    """What buzzer and lamp do at this moment.

    Attributes:
        buzzer, lamp: 1 or 0.
        severity: index in messages.LEVELS of the worst cause.
    """

    def __init__(self):
        self.buzzer = 0
        self.lamp = 0
        self.severity = 0
        self._now = bytearray(4)
        self._silenced = bytearray(4)
        self._bits = [0, 0, 0, 0]
        self._order = [0, 0, 0, 0]
        self._count = 0
        self._shown = 0
        self._groups = 0
        self._phase_ms = 0
        self._notice_ms = 0
        self._confirm_ms = 0
        self._lamp_ms = 0
        self._buzzer_ms = 0

    def judge(self, low_voltage, case_heat, fault, charge, fault_bits=0, charge_bits=0):
        """Takes in four severities, each an index in messages.LEVELS, in the order of their beeps.

        `fault_bits` and `charge_bits` have one bit for each thing behind their severity: a new bit is a new cause.
        """
        self._count += 1
        self._take(0, low_voltage, 0)
        self._take(1, case_heat, 0)
        self._take(2, fault, fault_bits)
        self._take(3, charge, charge_bits)
        self.severity = max(low_voltage, case_heat, fault, charge)
        newest = -1
        for cause in range(4):
            if self._order[cause] == self._count and (newest < 0 or self._now[cause] > self._now[newest]):
                newest = cause
        if newest >= 0:
            self._groups = _NEW_GROUPS
            self._notice_ms = 0
            self._phase_ms = 0
            self._shown = newest
        elif not self._groups or not self._now[self._shown]:
            self._show_worst()

    def _take(self, cause, level, bits):
        new = level and bits & ~self._bits[cause]
        if level > self._now[cause] or new:
            self._order[cause] = self._count
        self._silenced[cause] = 0 if new else min(level, self._silenced[cause])
        self._now[cause] = level
        self._bits[cause] = bits

    def _show_worst(self):
        """Chooses the worst cause that sounds, of equals the newest; while none sounds, the worst of all."""
        self._groups = 0
        best = 0
        for cause in range(1, 4):
            if self._rank(cause) > self._rank(best):
                best = cause
        if best != self._shown:
            self._shown = best
            self._phase_ms = 0

    def _rank(self, cause):
        level = self._now[cause]
        sounds = 4 if level > self._silenced[cause] else 0
        return ((sounds + level) << 27) + self._order[cause] if level else 0  # one judgement a second: 4 years

    def silence(self, level):
        """Silences the present causes up to `level` (messages.LEVELS) until they change; not the lamp."""
        for cause in range(4):
            self._silenced[cause] = max(self._silenced[cause], min(level, self._now[cause]))
        self._show_worst()

    def sound_again(self):
        """Ends every silence: what a person heard on the ground is heard once more in flight."""
        for cause in range(4):
            self._silenced[cause] = 0
        self._notice_ms = 0
        self._show_worst()

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
        level = self._now[self._shown]
        slot = self._phase_ms // _SLOT_MS
        beeps = self._shown + 1 if level else 1
        self.lamp = 1 if slot < 4 * beeps and slot & 3 < 2 else 0
        loud = level > self._silenced[self._shown] and (level > 1 or self._notice_ms < _NOTICE_HEARD_MS)
        self.buzzer = self.lamp if loud else 0
        self._pass(step_ms, _PERIODS_MS[level])
        if self._confirm_ms > 0:
            self.buzzer = (self._confirm_ms - 1) // _CONFIRM_MS & 1
            self._confirm_ms -= step_ms
        if self._lamp_ms > 0:
            self._lamp_ms -= step_ms
            self.lamp = 1
        if self._buzzer_ms > 0:
            self._buzzer_ms -= step_ms
            self.buzzer = 1

    def _pass(self, step_ms, period_ms):
        self._notice_ms += step_ms
        if self._notice_ms >= _NOTICE_AGAIN_MS:
            self._notice_ms = _NOTICE_HEARD_MS - _PERIODS_MS[1]
            self._phase_ms = 0
            return
        self._phase_ms += step_ms
        if self._phase_ms >= period_ms:
            self._phase_ms %= period_ms
            if self._groups:
                self._groups -= 1
                if not self._groups:
                    self._show_worst()


class Button:
    """Presses. A change that lasts for one step only is noise.

    Attributes:
        short: 1 in the one step in which a press under 1.5 s is let go, else 0.
        long: 1 in the one step in which a press reaches 1.5 s.
        held: 1 in the one step in which a press of 1.5 to 5 s is let go.
        state: index in messages.BUTTON_STATES; jammed after 30 s.
    """

    def __init__(self):
        self.short = self.long = self.held = 0
        self.state = 0
        self._down = 0
        self._last = 0
        self._held_ms = 0

    def step(self, step_ms, down):
        """Lets `step_ms` pass with the button held down (1) or not (0)."""
        self.short = self.long = self.held = 0
        if down == self._last:
            self._down = down
        self._last = down
        held_ms = self._held_ms
        if self._down:
            self._held_ms = min(held_ms + step_ms, _JAMMED_MS)
            self.long = 1 if held_ms < _LONG_MS <= self._held_ms else 0
            self.state = _JAMMED if self._held_ms >= _JAMMED_MS else _PRESSED
        else:
            self.short = 1 if 0 < held_ms < _LONG_MS else 0
            self.held = 1 if _LONG_MS <= held_ms <= _LET_GO_MS else 0
            self._held_ms = self.state = 0

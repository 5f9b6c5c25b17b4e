"""The one button: a short press and a long one told apart."""

from micropython import const

_LONG_MS = const(1500)


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

"""One limit with a delay on the way in and a gap and a delay on the way out."""


class Level:
    """Whether something has been beyond its limit for long enough.

    Time beyond the limit counts up and time within it counts down, so that a load that pulses around the limit trips it
    only when it is beyond for more than half of the time. Going back takes `gap` and the whole `clear_s` in one piece.

    Attributes:
        on: True while tripped.
    """

    def __init__(self):
        self.on = False
        self._beyond_ms = 0
        self._clear_ms = 0

    def step(self, step_ms, depth, delay_s, gap, clear_s):
        """Lets `step_ms` pass at `depth` beyond the limit (negative: within it)."""
        if self.on:
            self._clear_ms = self._clear_ms + step_ms if depth <= -gap else 0
            if self._clear_ms >= clear_s * 1000:
                self.reset()
        elif depth > 0:
            self._beyond_ms += step_ms
            self.on = self._beyond_ms >= delay_s * 1000
            self._clear_ms = 0
        else:
            self._beyond_ms = max(0, self._beyond_ms - step_ms)

    def reset(self):
        """Back to clear, at once."""
        self.on = False
        self._beyond_ms = self._clear_ms = 0

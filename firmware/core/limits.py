"""The settings in force as attributes, and the one way in which a limit trips and clears."""


class LimitTable:
    """One attribute for each setting of groundbox.wire.settings, named like it, except the points of calibrations.

    Every part reads the table where it needs a setting, so that a change counts at once.

    Args:
        settings: dictionary with every setting, already accepted by `refusal_of_all`.

    Attributes:
        settings: that dictionary, for settings with a number or a channel in their name.
    """

    def __init__(self, settings):
        self.take(settings)

    def take(self, settings):
        """Puts changed settings in force; allocates."""
        self.settings = settings
        for name in settings:
            if "_raw" not in name and "_true" not in name:
                setattr(self, name, settings[name])


class DelayedLimit:
    """A limit with a delay to trip, and with hysteresis and a delay to clear.

    Time beyond the limit counts up and time within it counts down. A load that pulses around the limit trips it only
    when it is beyond for more than half of the time. To clear takes the hysteresis and `clear_s` without a break.

    Attributes:
        on: True while tripped.
    """

    def __init__(self):
        self.on = False
        self._beyond_ms = 0
        self._clear_ms = 0

    def step(self, step_ms, depth, delay_s, hysteresis, clear_s):
        """Lets `step_ms` pass at `depth` beyond the limit (negative: within it)."""
        if self.on:
            self._clear_ms = self._clear_ms + step_ms if depth <= -hysteresis else 0
            if self._clear_ms >= clear_s * 1000:
                self.reset()
        elif depth > 0:
            self._beyond_ms += step_ms
            self.on = self._beyond_ms >= delay_s * 1000
            self._clear_ms = 0
        else:
            self._beyond_ms = max(0, self._beyond_ms - step_ms)

    def reset(self):
        """Clears the limit at once."""
        self.on = False
        self._beyond_ms = self._clear_ms = 0

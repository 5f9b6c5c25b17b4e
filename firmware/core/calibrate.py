"""Two-point calibration: a straight line through what was read and what was true then."""


class Calibration:
    """The line for one channel.

    Args:
        settings: dictionary with every setting.
        channel: name of the channel, as in messages.CHANNELS.
        unit: unit of its settings: mv, ma or centi_c.

    groundbox.wire.settings keeps the line's slope within an eighth of 1 and its points apart, so that for values of 16
    bits no intermediate reaches 2**30: at most (32767 + 30000) * 60000 / 8.
    """

    def __init__(self, settings, channel, unit):
        raw1 = settings["%s_raw1_%s" % (channel, unit)]
        true1 = settings["%s_true1_%s" % (channel, unit)]
        self._raw1 = raw1
        self._offset = true1 - raw1
        self._span = settings["%s_raw2_%s" % (channel, unit)] - raw1
        self._gain = settings["%s_true2_%s" % (channel, unit)] - true1 - self._span

    def true(self, value):
        """`value` corrected; whole number of the same unit."""
        return value + self._offset + (value - self._raw1) * self._gain // self._span

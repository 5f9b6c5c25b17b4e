"""The fans as they are mounted: pairs, one blowing in and one out, that run together."""

from core.fan_drive import FanDrive


class FanPair:
    """Two fans; either may be missing.

    Attributes:
        first, second: core.fan_drive.FanDrive.
        fault: True while one of them is stalled or too fast, so that nobody knows that it turns.
    """

    def __init__(self, limits, number):
        self.first = FanDrive(limits, 2 * number - 1)
        self.second = FanDrive(limits, 2 * number)
        self.fault = False

    def apply(self):
        """Looks again at what is fitted, after the settings changed."""
        self.first.apply()
        self.second.apply()

    def drive(self, step_ms, percent):
        """Drives both with `percent`; fully, unless that is 0, while one of them is in doubt."""
        if percent and self.fault:
            percent = 100
        self.first.drive(step_ms, percent)
        self.second.drive(step_ms, percent)

    def measure(self, elapsed_ms, first_pulses, second_pulses):
        """Judges both tachometers' pulses of the last `elapsed_ms`."""
        self.first.measure(elapsed_ms, first_pulses)
        self.second.measure(elapsed_ms, second_pulses)
        self.fault = self.first.in_doubt or self.second.in_doubt


class Fans:
    """Both pairs of a box.

    Attributes:
        pair1, pair2: Pair, of fans 1 and 2, and of fans 3 and 4.
        fault: True while any fan is stalled or too fast.
    """

    def __init__(self, limits):
        self.pair1 = FanPair(limits, 1)
        self.pair2 = FanPair(limits, 2)
        self.fault = False
        self._counted = [0, 0, 0, 0]

    def apply(self):
        """Looks again at what is fitted, after the settings changed."""
        self.pair1.apply()
        self.pair2.apply()

    def drive(self, step_ms, percent, outputs):
        """Drives all with `percent` for the next `step_ms`, into core.interface.Outputs."""
        self.pair1.drive(step_ms, percent)
        self.pair2.drive(step_ms, percent)
        outputs.fan1_percent = self.pair1.first.percent
        outputs.fan2_percent = self.pair1.second.percent
        outputs.fan3_percent = self.pair2.first.percent
        outputs.fan4_percent = self.pair2.second.percent

    def try_out(self, fan, percent, max_ms):
        """Drives fan 0 to 3 with at least `percent` for `max_ms`; False when there is none."""
        pair = self.pair2 if fan > 1 else self.pair1
        return (pair.second if fan & 1 else pair.first).try_out(percent, max_ms)

    def measure(self, elapsed_ms, pulses):
        """Judges the four counters of core.interface.Inputs, `elapsed_ms` after the last time."""
        self.pair1.measure(elapsed_ms, self._since(0, pulses), self._since(1, pulses))
        self.pair2.measure(elapsed_ms, self._since(2, pulses), self._since(3, pulses))
        self.fault = self.pair1.fault or self.pair2.fault

    def pass_over(self, pulses):
        """Leaves the counters' pulses since the last time unjudged."""
        for fan in range(4):
            self._since(fan, pulses)

    def _since(self, fan, pulses):
        count = pulses[fan]
        new = (count - self._counted[fan]) & 0xFFFF
        self._counted[fan] = count
        return new

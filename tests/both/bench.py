"""A board's core with a simple box around it, for tests that run on both interpreters."""

from core import conversion
from core.control import Control
from core.interface import Inputs
from core.limits import LimitTable
from groundbox.wire.messages import UNKNOWN
from groundbox.wire.settings import defaults, refusal_of_all
from uplinks.outbox import Outbox

PULLUP_OHM = 10000
TABLES = (None, conversion.thermistor_table(1, PULLUP_OHM), conversion.thermistor_table(2, PULLUP_OHM))


def settings(**changes):
    """Settings dictionary: the defaults and a battery sensor with `changes`, which must be allowed."""
    values = defaults()
    changes = dict({"battery_sensor_kind": 1}, **changes)  # most boxes have one
    reason = refusal_of_all(changes, values)
    assert not reason, reason
    values.update(changes)
    return values


def limits(**changes):
    """core.limits.LimitTable of such settings."""
    return LimitTable(settings(**changes))


def ntc_counts(centi_c, kind=1):
    """Counts that core.conversion reads as `centi_c`, to a few hundredths."""
    table = TABLES[kind]
    row = (centi_c + 4000) // 500
    share = (centi_c + 4000) % 500
    return table[row] - (table[row] - table[row + 1]) * share // 500


class Box:
    """A battery, three thermistors and four fans that obey, second by second.

    Attributes to set: battery_mv, check_mv (None: as the battery), battery_ma, case, block, intake in centi-C; UNKNOWN
    for what answers nothing; case_counts (None: as `case`); stuck, fans (1 to 4) that do not turn; button.
    """

    def __init__(self, **changes):
        self.outbox = Outbox(240)
        self.control = Control(settings(**changes), self.outbox)
        self.inputs = Inputs()
        self.battery_mv = 12500
        self.check_mv = None
        self.battery_ma = 2000
        self.case = self.battery = self.intake = 2500
        self.case_counts = None
        self.noise = 0
        self.stuck = ()
        self.button = 0
        self.second = 0

    def run(self, seconds):
        """Lets so many seconds pass in steps of 100 ms, and closes each reading."""
        for _ in range(seconds * 10):
            self.step(100)
        return self.control.reading

    def step(self, step_ms):
        """One step of the control, with everything sensed."""
        inputs = self.inputs
        self.noise ^= 1
        if self.battery_mv != UNKNOWN:
            inputs.monitor_bus = min(65535, self.battery_mv * 4 // 5 + self.noise)
        if self.battery_ma != UNKNOWN:
            inputs.monitor_shunt = (self.battery_ma * 4 // 5 + self.noise) & 0xFFFF
        check_mv = self.battery_mv if self.check_mv is None else self.check_mv
        if check_mv != UNKNOWN:
            for _ in range(5):
                inputs.window.put(min(65535, check_mv * 65535 // 18000 + self.noise))
        self._warmth(inputs)
        self._turn(step_ms)
        inputs.button = self.button
        self.control.step(step_ms, inputs)
        if self.control.reading_due:
            self.control.close_reading(0)

    def _warmth(self, inputs):
        noise = self.noise
        counts = self.case_counts
        if counts is not None:
            inputs.case_raw = counts
        elif self.case != UNKNOWN:
            inputs.case_raw = ntc_counts(self.case) + noise
        if self.battery != UNKNOWN:
            inputs.battery_raw = ntc_counts(self.battery) + noise
        if self.intake != UNKNOWN:
            inputs.intake_raw = ntc_counts(self.intake) + noise

    def _turn(self, step_ms):
        """Fans of 3000 rpm at full drive, two pulses a turn."""
        outputs = self.control.outputs
        percents = (outputs.fan1_percent, outputs.fan2_percent, outputs.fan3_percent, outputs.fan4_percent)
        for i in range(4):
            if i + 1 not in self.stuck:
                pulses = self.inputs.pulses
                pulses[i] = (pulses[i] + percents[i] * step_ms // 1000) & 0xFFFF

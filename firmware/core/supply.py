"""The battery's voltage by two ways and its current: which source can be trusted, means and extremes."""

from core.channel import NOTHING, Channel
from core.conversion import Calibration, shunt_ma
from core.voltage import Accumulator, BusVoltage, VoltageDivider
from groundbox.wire.messages import UNKNOWN
from micropython import const

_OK = const(0)
_RANGE = const(3)
_FROZEN = const(4)
_HIGHEST = const(32000)
_RIVAL_MV = const(100)
_CURRENT_RIVAL_MV = const(300)


class Supply:
    """Measures the battery. The shunt monitor is the primary where fitted and the divider the check, else the divider.

    The fast samples are the divider's: they show how far the voltage dipped and rose around its mean; the primary gives
    the mean. Without a divider the extremes are those of the monitor, at the pace of the step.

    Attributes, UNKNOWN where not known:
        battery, check, current: core.channel.Channel each.
        disagree: True while both voltages work and differ, after `disagree_s`.
        battery_mv, battery_min_mv, battery_max_mv: of the primary, or of the check while only that works.
        check_mv; battery_ma, battery_min_ma, battery_max_ma (positive = discharge).
        low_mv, high_mv: the lower and the higher of both sources while they disagree, else battery_mv.
        sources, highest_mv: how many sources give a value now, and the highest of these.
        plain_mv, plain_check_mv, plain_ma: before calibration.
    """

    def __init__(self, limits):
        self.battery = Channel()
        self.check = Channel()
        self.current = Channel()
        self.battery_mv = self.battery_min_mv = self.battery_max_mv = self.check_mv = UNKNOWN
        self.battery_ma = self.battery_min_ma = self.battery_max_ma = UNKNOWN
        self.low_mv = self.high_mv = self.highest_mv = UNKNOWN
        self.sources = 0
        self.plain_mv = self.plain_check_mv = self.plain_ma = UNKNOWN
        self._shunt = Accumulator()
        self._differ_ms = 0
        self.disagree = False
        self._limits = limits
        self.apply()

    def apply(self):
        """Looks again at what is fitted and how it is calibrated, after the settings changed."""
        limits = self._limits
        divider = VoltageDivider(limits) if limits.check_adc_fitted else None
        monitor = BusVoltage(limits) if limits.voltage_monitor_kind else None
        self._primary = monitor or divider
        self._second = divider if monitor else None
        self._fast = divider or monitor
        self._has_current = monitor and limits.current_fitted
        self._battery_line = Calibration(limits.settings, "voltage", "mv")
        self._check_line = Calibration(limits.settings, "check", "mv")
        self._current_line = Calibration(limits.settings, "current", "ma")

    def sense(self, inputs):
        """Takes one step's raw numbers in."""
        self._primary.sense(inputs)
        if self._second:
            self._second.sense(inputs)
        if self._has_current and inputs.monitor_shunt != UNKNOWN:
            limits = self._limits
            self._shunt.put(shunt_ma(limits.voltage_monitor_kind, inputs.monitor_shunt, limits.shunt_micro_ohm))

    def settle(self, step_ms):
        """Makes values and states out of what came in the last `step_ms`."""
        self._primary.settle()
        if self._second:
            self._second.settle()
            self._voltage(step_ms, self.battery, self._primary, self._second, self._battery_line)
            self._voltage(step_ms, self.check, self._second, self._primary, self._check_line)
            self.plain_check_mv = self._second.mv
            self._compare(step_ms)
        else:
            self._voltage(step_ms, self.battery, self._primary, None, self._battery_line)
            self.check.leave_out()
            self.disagree = False
        self.plain_mv = self._primary.mv
        self._choose()
        if self._has_current:
            self._settle_current(step_ms)
        else:
            self.current.leave_out()
            self.battery_ma = self.battery_min_ma = self.battery_max_ma = UNKNOWN

    def _voltage(self, step_ms, channel, source, other, line):
        code = source.code
        if code == _OK and other:
            rival = other.mv if other.code == _OK else UNKNOWN
            if channel.frozen(step_ms, source.still, rival, _RIVAL_MV, self._limits.frozen_s * 1000):
                code = _FROZEN
        channel.step(step_ms, code, line.true(source.mv))

    def _compare(self, step_ms):
        limit_ms = self._limits.disagree_s * 1000
        battery_mv = self.battery.value
        check_mv = self.check.value
        if battery_mv == UNKNOWN or check_mv == UNKNOWN:
            self._differ_ms = 0
        elif abs(battery_mv - check_mv) > self._limits.disagree_mv:
            self._differ_ms = min(self._differ_ms + step_ms, limit_ms)
        else:
            self._differ_ms = max(self._differ_ms - step_ms, 0)
        if self._differ_ms >= limit_ms:
            self.disagree = True
        elif not self._differ_ms:
            self.disagree = False

    def _choose(self):
        primary = self.battery.value
        check = self.check.value
        mv = primary
        if primary == UNKNOWN or (self._primary.code != _OK and check != UNKNOWN and self._second.code == _OK):
            mv = check
        self.battery_mv = self.low_mv = self.high_mv = mv
        self.check_mv = check
        self.sources = (primary != UNKNOWN) + (check != UNKNOWN)
        self.highest_mv = max(primary, check)
        if mv == UNKNOWN:
            self.battery_min_mv = self.battery_max_mv = UNKNOWN
            return
        fast = self._fast if self._fast.code == _OK else self._primary
        self.battery_min_mv = max(0, mv - (fast.mv - fast.low_mv))
        self.battery_max_mv = min(_HIGHEST, mv + (fast.high_mv - fast.mv))
        if self.disagree:
            self.low_mv = min(primary, check)
            self.high_mv = max(primary, check)

    def _settle_current(self, step_ms):
        means = self._shunt
        code = NOTHING
        ma = UNKNOWN
        if means.count:
            self.plain_ma = means.mean()
            code = _RANGE
            if means.low >= -_HIGHEST and means.high <= _HIGHEST:  # else correcting it could leave the small integers
                ma = self._current_line.true(self.plain_ma)
                code = _RANGE if abs(ma) > _HIGHEST else _OK
            still = means.low if means.low == means.high else UNKNOWN
            limit_ms = self._limits.frozen_s * 1000
            if self.current.frozen(step_ms, still, self.battery_mv, _CURRENT_RIVAL_MV, limit_ms) and code == _OK:
                code = _FROZEN
        self.current.step(step_ms, code, ma)
        self.battery_ma = self.current.value
        self.battery_min_ma = self.battery_max_ma = self.battery_ma
        if code == _OK and self.battery_ma != UNKNOWN:
            self.battery_min_ma = max(-_HIGHEST, ma - (self.plain_ma - means.low))
            self.battery_max_ma = min(_HIGHEST, ma + (means.high - self.plain_ma))
        means.clear()

"""The battery: low and high voltage, charging, its heat, and whether its temperature allows charging."""

from core.limits import DelayedLimit
from groundbox.wire.messages import UNKNOWN
from micropython import const

_STOP = const(3)
_UNSURE_S = const(60)
_NO = const(0)
_YES = const(1)
_COLD = const(2)
_WARM = const(3)
_HOT = const(4)
_OVER_GAP_MV = const(200)
_BEGIN_MS = const(5000)
_END_MS = const(10000)
_RISE_MV = const(30)
_RISE_WINDOW_MS = const(60000)
_HOLD_MV = const(200)  # charging by voltage lasts until this far under the limit
_CERTAIN_MV = const(400)  # nothing but a charger holds a lead-acid battery this far above the limit
_GAP_CENTI_C = const(200)


class LowLevels:
    """The three low-voltage limits over one voltage."""

    def __init__(self, limits):
        self._notice = DelayedLimit()
        self._urgent = DelayedLimit()
        self._stop = DelayedLimit()
        self._limits = limits

    def step(self, step_ms, mv, sure):
        """Lets `step_ms` pass; the worst tripped level, index in messages.LEVELS. UNKNOWN `mv`: levels stay.

        Not `sure`: only the stop level counts, and only after a minute.
        """
        limits = self._limits
        gap = limits.low_clear_mv
        clear_s = limits.low_clear_s
        if not sure:
            self._notice.reset()
            self._urgent.reset()
        elif mv != UNKNOWN:
            self._notice.step(step_ms, limits.low_notice_mv - mv, limits.low_notice_s, gap, clear_s)
            self._urgent.step(step_ms, limits.low_urgent_mv - mv, limits.low_urgent_s, gap, clear_s)
        if mv != UNKNOWN:
            delay_s = limits.low_stop_s if sure else max(limits.low_stop_s, _UNSURE_S)
            self._stop.step(step_ms, limits.low_stop_mv - mv, delay_s, gap, clear_s)
        return _STOP if self._stop.on else 2 if self._urgent.on else 1 if self._notice.on else 0


class BatteryWatch:
    """Levels the board signals by itself.

    Args:
        limits: core.limits.LimitTable.

    Attributes:
        low_voltage: index in messages.LEVELS: the worst of the tripped limits.
        overvoltage: 0 or 3 (stop); the limit falls with the temperature, taken within 0 and 50 °C, 25 °C if unknown.
        charging: index in messages.CHARGE_STATES.
        heat: index in messages.LEVELS, urgent or stop: the battery's own temperature, charging or not. It stays as it
            was while that is unknown.
    """

    def __init__(self, limits):
        self.low_voltage = 0
        self.overvoltage = 0
        self.charging = _NO
        self.heat = 0
        self._low = LowLevels(limits)
        self._over = DelayedLimit()
        self._charging_ms = 0
        self._ended_ms = 0
        self._minimum_mv = UNKNOWN
        self._window_ms = 0
        self._limits = limits

    def step(self, step_ms, low_mv, high_mv, battery_ma, battery_centi_c):
        """Lets `step_ms` pass.

        Args:
            low_mv, high_mv: battery voltage, two ways if they disagree, else the same twice; UNKNOWN: levels stay.
            battery_ma: positive = discharge, or UNKNOWN.
            battery_centi_c: temperature of the battery (or the nearest known), or UNKNOWN.
        """
        self.low_voltage = self._low.step(step_ms, low_mv, True)
        self._step_over(step_ms, high_mv, battery_centi_c)
        if low_mv != UNKNOWN:
            self._step_charging(step_ms, low_mv, battery_ma)
        if self.charging:
            self._judge_battery(battery_centi_c)

    def judge_heat(self, centi_c):
        """Judges the battery's own temperature, UNKNOWN while not known."""
        if centi_c == UNKNOWN:
            return
        limits = self._limits
        if centi_c >= limits.battery_stop_centi_c - (_GAP_CENTI_C if self.heat == _STOP else 0):
            self.heat = _STOP
        else:
            self.heat = 2 if centi_c >= limits.battery_urgent_centi_c - (_GAP_CENTI_C if self.heat else 0) else 0

    def _step_over(self, step_ms, mv, battery_centi_c):
        warmth = 0 if battery_centi_c == UNKNOWN else min(5000, max(0, battery_centi_c)) - 2500
        limits = self._limits
        limit = limits.over_mv - limits.over_mv_per_c * warmth // 100
        if mv != UNKNOWN:
            self._over.step(step_ms, mv - limit, limits.over_s, _OVER_GAP_MV, limits.over_s)
        self.overvoltage = _STOP if self._over.on else 0

    def _step_charging(self, step_ms, mv, ma):
        if self._looks_charging(step_ms, mv, ma):
            self._charging_ms = min(self._charging_ms + step_ms, _BEGIN_MS)
            self._ended_ms = 0
            if self._charging_ms >= _BEGIN_MS and not self.charging:
                self.charging = _YES
        else:
            self._charging_ms = 0
            self._ended_ms = min(self._ended_ms + step_ms, _END_MS)
            if self._ended_ms >= _END_MS:
                self.charging = _NO

    def _looks_charging(self, step_ms, mv, ma):
        """Current into the battery, or, with no current to speak of either way, the voltage."""
        rising = self._is_rising(step_ms, mv)
        if ma != UNKNOWN and abs(ma) >= self._limits.charge_seen_ma:
            return ma < 0
        over_mv = mv - self._limits.charge_seen_mv
        if self.charging or self._charging_ms:
            return over_mv >= -_HOLD_MV
        return over_mv >= _CERTAIN_MV or (rising and over_mv >= 0)

    def _is_rising(self, step_ms, mv):
        """Above the lowest voltage of the last minute by more than noise."""
        self._window_ms += step_ms
        if self._window_ms >= _RISE_WINDOW_MS or mv < self._minimum_mv or self._minimum_mv == UNKNOWN:
            self._minimum_mv = mv
            self._window_ms = 0
        return mv - self._minimum_mv >= _RISE_MV

    def _judge_battery(self, centi_c):
        if centi_c == UNKNOWN:
            self.charging = _YES
            return
        limits = self._limits
        state = self.charging
        if centi_c >= limits.battery_hot_centi_c - (_GAP_CENTI_C if state == _HOT else 0):
            self.charging = _HOT
        elif centi_c >= limits.battery_warm_centi_c - (_GAP_CENTI_C if state >= _WARM else 0):
            self.charging = _WARM
        elif centi_c < limits.battery_cold_centi_c + (_GAP_CENTI_C if state == _COLD else 0):
            self.charging = _COLD
        else:
            self.charging = _YES

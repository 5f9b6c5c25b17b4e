"""The battery: low and high voltage, charging, and whether its block is fit to be charged."""

from core.level import Level
from groundbox.wire.messages import UNKNOWN
from micropython import const

_STOP = const(3)
_NO = const(0)
_YES = const(1)
_COLD = const(2)
_WARM = const(3)
_HOT = const(4)
_OVER_GAP_MV = const(200)
_SEEN_MS = const(5000)
_GONE_MS = const(10000)
_RISE_MV = const(30)
_RISE_WINDOW_MS = const(60000)
_HOLD_MV = const(200)  # charging by voltage goes on until this far under the limit
_SURELY_MV = const(400)  # nothing but a charger holds a lead-acid block this far above the limit
_BLOCK_GAP = const(200)


class BatteryWatch:
    """Levels the board signals by itself.

    Attributes:
        low_voltage: index in messages.LEVELS: the worst of the tripped limits.
        overvoltage: 0 or 3 (stop); the limit falls with the temperature, taken within 0 and 50 C, 25 C if unknown.
        charging: index in messages.CHARGE_STATES.
        spare: True when, after a marked landing, the battery is under the limit that spares it.
    """

    def __init__(self, settings):
        self.low_voltage = 0
        self.overvoltage = 0
        self.charging = _NO
        self.spare = False
        self._notice = Level()
        self._urgent = Level()
        self._stop = Level()
        self._over = Level()
        self._spare = Level()
        self._seen_ms = 0
        self._gone_ms = 0
        self._lowest_mv = UNKNOWN
        self._window_ms = 0
        self.apply(settings)

    def apply(self, settings):
        """Takes changed settings into force."""
        self._notice_mv = settings["low_notice_mv"]
        self._urgent_mv = settings["low_urgent_mv"]
        self._stop_mv = settings["low_stop_mv"]
        self._spare_mv = settings["spare_mv"]
        self._notice_ms = settings["low_notice_s"] * 1000
        self._urgent_ms = settings["low_urgent_s"] * 1000
        self._stop_ms = settings["low_stop_s"] * 1000
        self._spare_ms = settings["spare_s"] * 1000
        self._gap_mv = settings["low_clear_mv"]
        self._clear_ms = settings["low_clear_s"] * 1000
        self._over_mv = settings["over_mv"]
        self._over_mv_per_c = settings["over_mv_per_c"]
        self._over_ms = settings["over_s"] * 1000
        self._charge_mv = settings["charge_seen_mv"]
        self._charge_ma = settings["charge_seen_ma"]
        self._cold = settings["block_cold_centi_c"]
        self._warm = settings["block_warm_centi_c"]
        self._hot = settings["block_hot_centi_c"]

    def step(self, step_ms, low_mv, high_mv, battery_ma, block_centi_c, landed):
        """Lets `step_ms` pass.

        Args:
            low_mv, high_mv: battery voltage, two ways if they disagree, else the same twice; UNKNOWN: levels stay.
            battery_ma: positive = discharge, or UNKNOWN.
            block_centi_c: temperature of the battery's block (or the nearest known), or UNKNOWN.
            landed: 1 after a marked landing, until the next launch.
        """
        self._step_low(step_ms, low_mv, landed)
        self._step_over(step_ms, high_mv, block_centi_c)
        if low_mv != UNKNOWN:
            self._step_charging(step_ms, low_mv, battery_ma)
        if self.charging:
            self._judge_block(block_centi_c)

    def _step_low(self, step_ms, mv, landed):
        gap = self._gap_mv
        clear_ms = self._clear_ms
        known = mv != UNKNOWN
        self._notice.step(step_ms, self._notice_mv - mv if known else UNKNOWN, self._notice_ms, gap, clear_ms)
        self._urgent.step(step_ms, self._urgent_mv - mv if known else UNKNOWN, self._urgent_ms, gap, clear_ms)
        self._stop.step(step_ms, self._stop_mv - mv if known else UNKNOWN, self._stop_ms, gap, clear_ms)
        self.low_voltage = _STOP if self._stop.on else 2 if self._urgent.on else 1 if self._notice.on else 0
        if landed:
            self._spare.step(step_ms, self._spare_mv - mv if known else UNKNOWN, self._spare_ms, gap, clear_ms)
        else:
            self._spare.reset()
        self.spare = self._spare.on

    def _step_over(self, step_ms, mv, block_centi_c):
        warmth = 0 if block_centi_c == UNKNOWN else min(5000, max(0, block_centi_c)) - 2500
        limit = self._over_mv - self._over_mv_per_c * warmth // 100
        depth = mv - limit if mv != UNKNOWN else UNKNOWN
        self._over.step(step_ms, depth, self._over_ms, _OVER_GAP_MV, self._over_ms)
        self.overvoltage = _STOP if self._over.on else 0

    def _step_charging(self, step_ms, mv, ma):
        if self._looks_charging(step_ms, mv, ma):
            self._seen_ms = min(self._seen_ms + step_ms, _SEEN_MS)
            self._gone_ms = 0
            if self._seen_ms >= _SEEN_MS and not self.charging:
                self.charging = _YES
        else:
            self._seen_ms = 0
            self._gone_ms = min(self._gone_ms + step_ms, _GONE_MS)
            if self._gone_ms >= _GONE_MS:
                self.charging = _NO

    def _looks_charging(self, step_ms, mv, ma):
        """Current into the battery, or, with no current to speak of either way, the voltage."""
        rising = self._is_rising(step_ms, mv)
        if ma != UNKNOWN and abs(ma) >= self._charge_ma:
            return ma < 0
        if self.charging or self._seen_ms:
            return mv >= self._charge_mv - _HOLD_MV
        return mv >= self._charge_mv + _SURELY_MV or (rising and mv >= self._charge_mv)

    def _is_rising(self, step_ms, mv):
        """Above the lowest voltage of the last minute by more than noise."""
        self._window_ms += step_ms
        if self._window_ms >= _RISE_WINDOW_MS or mv < self._lowest_mv or self._lowest_mv == UNKNOWN:
            self._lowest_mv = mv
            self._window_ms = 0
        return mv - self._lowest_mv >= _RISE_MV

    def _judge_block(self, centi_c):
        if centi_c == UNKNOWN:
            self.charging = _YES
            return
        gap = _BLOCK_GAP
        state = self.charging
        if centi_c >= self._hot - (gap if state == _HOT else 0):
            self.charging = _HOT
        elif centi_c >= self._warm - (gap if state >= _WARM else 0):
            self.charging = _WARM
        elif centi_c < self._cold + (gap if state == _COLD else 0):
            self.charging = _COLD
        else:
            self.charging = _YES

"""Drive of the case's fans: from temperatures, charging and faults to percent. It knows no fan and no pin.

What decides, the first that applies:

    1. fault         no fresh case reading for 5 s, or none yet: full. A fan has stalled: full whenever any blowing is
                     wanted.
    2. hot limit     the case has reached its notice limit, or the battery its urgent limit: full
    3. charging      at or above the lowest running speed
    4. intake        warmer than the case by 2 K: no more than the lowest running speed
    5. minimum times once running, run on; once paused, stay paused
    6. thermostat    on at or above `fan_on`, off at or below `fan_off`, in between as before

The first three do not wait for the minimum times, nor does a fan fault.
"""

from groundbox.wire.messages import UNKNOWN
from micropython import const

LOST_MS = const(5000)
_LONG_MS = const(1000000)
_PROPORTIONAL = const(1)


class Thermostat:
    """Decides for all fan pairs of one case.

    Args:
        limits: core.limits.LimitTable.

    Attributes:
        percent: what the fans shall do, 0 (off) or the lowest running speed to 100.
        case_heat: index in messages.LEVELS; stays as it was while the case temperature is unknown.
        cooling_demand: True when the case's temperature alone asks for the fans.
    """

    def __init__(self, limits):
        self.percent = 100  # as the hardware has them through a restart, until there is something to judge by
        self.case_heat = 0
        self.cooling_demand = False
        self._judged = False
        self._warmer = False
        self._fraction_percent = 100
        self._state_ms = _LONG_MS
        self._limits = limits

    def step(self, step_ms, case_centi_c, case_age_ms, intake_centi_c, charging, fan_fault, battery_heat=0):
        """Lets `step_ms` pass.

        Args:
            case_centi_c: last trusted case temperature, or UNKNOWN (within 5 s: all stays as it was).
            case_age_ms: age of that value, 5000 or more when the sensor has a fault.
            intake_centi_c: air drawn in, or UNKNOWN: rule 4 is left out.
            charging, fan_fault, battery_heat: true or false.
        """
        first = not self._judged
        if case_centi_c != UNKNOWN:
            self.case_heat = self._heat(case_centi_c)
            self._judge(case_centi_c, intake_centi_c)
            self._judged = True
        full = case_age_ms >= LOST_MS or self.case_heat or battery_heat or not self._judged
        percent = 100 if full else self._requested(step_ms, charging, fan_fault)
        if first:
            self._state_ms = 0 if percent and self._judged else _LONG_MS  # no minimum time after a start
        elif (percent > 0) != (self.percent > 0):
            self._state_ms = 0
        elif self._state_ms < _LONG_MS:
            self._state_ms += step_ms
        self.percent = percent

    def _heat(self, case):
        limits = self._limits
        level = self.case_heat
        gap = limits.case_clear_centi_c
        if case >= limits.case_stop_centi_c - (gap if level >= 3 else 0):
            return 3
        if case >= limits.case_urgent_centi_c - (gap if level >= 2 else 0):
            return 2
        return 1 if case >= limits.case_notice_centi_c - (gap if level >= 1 else 0) else 0

    def _judge(self, case, intake):
        """The thermostat itself, and whether the air outside is any use."""
        limits = self._limits
        on = limits.fan_on_centi_c
        if case >= on:
            self.cooling_demand = True
        elif case <= limits.fan_off_centi_c:
            self.cooling_demand = False
        self._fraction_percent = 100
        if limits.fan_mode == _PROPORTIONAL:
            lowest = limits.fan_lowest_percent
            fraction = lowest + (case - on) * (100 - lowest) // (limits.fan_full_centi_c - on)
            self._fraction_percent = min(100, max(lowest, fraction))
        warmer_by = limits.intake_warmer_centi_c >> 1 if self._warmer else limits.intake_warmer_centi_c
        self._warmer = intake != UNKNOWN and intake - case >= warmer_by

    def _requested(self, step_ms, charging, fan_fault):
        limits = self._limits
        lowest = limits.fan_lowest_percent
        running = self.percent > 0
        minimum_s = limits.fan_shortest_run_s if running else limits.fan_shortest_pause_s
        if fan_fault or self._state_ms + step_ms >= minimum_s * 1000:
            running = self.cooling_demand
        percent = 0
        if running:
            percent = self._fraction_percent if self.cooling_demand else self.percent
            if self._warmer:
                percent = min(percent, lowest)
        if charging and percent < lowest:
            percent = lowest
        if fan_fault and percent:
            percent = 100
        return percent

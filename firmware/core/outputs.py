"""The switched outputs: on unless a person, or for a sheddable one the battery or the heat, has it off."""

from core.battery import LowLevels
from core.limits import DelayedLimit
from groundbox.wire.messages import UNKNOWN
from micropython import const

_ABSENT = const(0)
_ON = const(1)
_OFF = const(2)
_SHED = const(3)
_SHED_SOON = const(4)
_STARTING = const(5)
_SHEDDABLE = const(2)
_URGENT = const(2)
_STOP = const(3)
_WARNING_MS = const(60000)
_FIRST_OFF_MS = const(60000)
_LONGEST_OFF_MS = const(3840000)
_STEADY_MS = const(3600000)  # on for so long: the next time off is the first again


class ShedWatch:
    """Whether the battery's voltage allows a load to be shed: one drifting source alone never does so.

    While two sources measure, the higher voltage counts, or the lower one when the measured charge is used up as well.
    While one does, only the stop level counts, held for a minute.

    Attributes:
        level: index in messages.LEVELS.
        spare: True when, after a marked landing, the battery is under the limit that spares it.
    """

    def __init__(self, limits):
        self.level = 0
        self.spare = False
        self._levels = LowLevels(limits)
        self._spare = DelayedLimit()
        self._limits = limits

    def step(self, step_ms, mv, sure, landed):
        """Lets `step_ms` pass; `mv` is the voltage that counts, `sure` when two measurements agree on it.

        `landed` is 1 after a marked landing.
        """
        limits = self._limits
        self.level = self._levels.step(step_ms, mv, sure)
        if not (landed and sure):
            self._spare.reset()
        elif mv != UNKNOWN:
            self._spare.step(step_ms, limits.spare_mv - mv, limits.spare_s, limits.low_clear_mv, limits.low_clear_s)
        self.spare = self._spare.on


class OutputSwitch:
    """Output number 1 or 2, by core.limits.LimitTable.

    Only a person switches an essential output. A sheddable one is shed when the level of ShedWatch rises to its shed
    level, when the limit that spares the battery trips, or at the third level of case heat. In flight that waits for a
    minute, with a warning. While charging the battery sheds nothing; afterwards every level counts again.

    It is restored no sooner than its shortest time off, which doubles each time: after heat, when the case is under its
    second level; after a low battery, when it charges and no level is left. A person switches it on at any time; then
    it is shed again only when its cause gets worse.

    Attributes:
        state: index in messages.OUTPUT_STATES.
        feeds: 1 while the load has power; an output that is not fitted stays as the hardware has it.
    """

    def __init__(self, limits, number):
        self.state = _ON
        self._number = number
        self._level = 0
        self._heat = 0
        self._by_battery = False
        self._shortest_ms = 0
        self._state_ms = 0
        self._limits = limits
        self.apply()

    def apply(self):
        """Looks again at what is fitted, after the settings changed."""
        limits = self._limits
        self._kind = limits.output2_kind if self._number == 2 else limits.output1_kind
        if not self._kind:
            self.state = _ABSENT
        elif self.state == _ABSENT:
            self.state = _ON
        self._set_feeds()

    def restore(self, state, powered):
        """Takes up the state of the last start; `powered`: power had failed, and a sheddable load starts later."""
        if not self._kind:
            return
        sheddable = self._kind == _SHEDDABLE
        if state == _OFF or (state == _SHED and sheddable):
            self._change(state)
            self._by_battery = True
        else:
            self._change(_STARTING if powered and sheddable and self._limits.output2_start_s else _ON)

    def step(self, step_ms, watch, charging, heat, in_flight):
        """Lets `step_ms` pass.

        Args:
            watch: ShedWatch.
            charging: true while the battery charges.
            heat: case heat, index in messages.LEVELS.
            in_flight: true between a marked launch and landing.
        """
        if self._kind != _SHEDDABLE:
            return
        if self._state_ms < _LONGEST_OFF_MS:
            self._state_ms += step_ms
        shed_level = self._limits.output2_shed_level
        level = 0 if charging else max(watch.level, shed_level if watch.spare else 0)
        low = level >= shed_level
        worse = (low and level > self._level) or (heat >= _STOP and heat > self._heat)
        self._level = level
        self._heat = heat
        state = self.state
        if state == _SHED:
            self._by_battery = self._by_battery or low
            cleared = heat < _URGENT and (not self._by_battery or (charging and not watch.level))
            if cleared and self._state_ms >= self._shortest_ms:
                self._change(_ON)
        elif state == _SHED_SOON:
            if not low and heat < _STOP:
                self._change(_ON)
            elif not in_flight or self._state_ms >= _WARNING_MS:
                self._shed(low)
        elif state == _ON:
            if worse and in_flight:
                self._change(_SHED_SOON)
            elif worse:
                self._shed(low)
            elif self._state_ms >= _STEADY_MS:
                self._shortest_ms = 0
        elif state == _STARTING:
            if worse:
                self._shed(low)
            elif self._state_ms >= self._limits.output2_start_s * 1000:
                self._change(_ON)

    def switch(self, on):
        """A person switches it; False when it is not fitted."""
        if not self._kind:
            return False
        self._shortest_ms = 0
        self._change(_ON if on else _OFF)
        return True

    def _shed(self, low):
        self._by_battery = low
        self._shortest_ms = min(max(2 * self._shortest_ms, _FIRST_OFF_MS), _LONGEST_OFF_MS)
        self._change(_SHED)

    def _change(self, state):
        self.state = state
        self._state_ms = 0
        self._set_feeds()

    def _set_feeds(self):
        state = self.state
        on = state in (_ON, _SHED_SOON) or (state == _ABSENT and self._number == 1)
        self.feeds = 1 if on else 0

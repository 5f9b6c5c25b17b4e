"""One switched output: on unless a person, or for a sheddable one the battery, has it off."""

from micropython import const

_ABSENT = const(0)
_ON = const(1)
_OFF = const(2)
_SHED = const(3)
_SHEDDABLE = const(2)


class OutputSwitch:
    """Output number 1 or 2, by core.limits.LimitTable.

    An essential output is never switched by voltage. A sheddable one is shed when the low-voltage level rises to its
    shed level or above, or the limit that spares the battery after landing trips. It stays shed, since the voltage
    rebounds without the load, until charging begins or a person switches it on. What a person switched on is shed
    again only when the level rises once more. While charging nothing is shed; afterwards every level counts again.

    Attributes:
        state: index in messages.OUTPUT_STATES.
    """

    def __init__(self, limits, number):
        self.state = _ON
        self._name = "output%d" % number
        self._level = 0
        self._limits = limits
        self.apply()

    def apply(self):
        """Looks again at what is fitted, after the settings changed."""
        self._kind = getattr(self._limits, self._name + "_kind")
        self._shed_level = getattr(self._limits, self._name + "_shed_level")
        if not self._kind:
            self.state = _ABSENT
        elif self.state == _ABSENT or (self.state == _SHED and self._kind != _SHEDDABLE):
            self.state = _ON

    def restore(self, state):
        """Takes up the state of the last start where it fits what is fitted."""
        if state == _SHED and self._kind != _SHEDDABLE:
            state = _ON
        if self._kind and _ON <= state <= _SHED:
            self.state = state

    def step(self, low_voltage, spare, charging):
        """Looks at the battery: its level (messages.LEVELS), whether to spare it after landing, whether it charges."""
        if self._kind != _SHEDDABLE:
            return
        if charging:
            self._level = 0
            if self.state == _SHED:
                self.state = _ON
            return
        level = low_voltage
        if spare and level < self._shed_level:
            level = self._shed_level
        if self.state == _ON and level > self._level and level >= self._shed_level:
            self.state = _SHED
        self._level = level

    def switch(self, on):
        """A person switches it; False when it is not fitted."""
        if not self._kind:
            return False
        self.state = _ON if on else _OFF
        return True

"""The shunt monitor on its bus: found, configured, read each step, and looked for again when it falls silent."""

from core import monitor
from groundbox.wire.messages import UNKNOWN
from micropython import const

_AGAIN_MS = const(1000)


class Shunt:
    """One monitor.

    Args:
        i2c: bus with readfrom_mem_into and writeto_mem, which raise OSError when nobody answers.
        kind: index in wire.settings.MONITOR_KINDS, not 0.

    Attributes:
        bus, shunt: registers as read, 0 to 65535, or UNKNOWN.
    """

    def __init__(self, i2c, kind):
        self._i2c = i2c
        self._kind = kind
        self._word = bytearray(2)
        self._ready = False
        self._until_ms = 0
        self.bus = UNKNOWN
        self.shunt = UNKNOWN

    def read(self, step_ms):
        """Reads both registers; UNKNOWN where the monitor does not answer."""
        self.bus = UNKNOWN
        self.shunt = UNKNOWN
        try:
            if self._ready or self._found(step_ms):
                self.shunt = self._register(monitor.SHUNT)
                self.bus = self._register(monitor.BUS)
        except OSError:
            self._ready = False
            self.shunt = UNKNOWN

    def _found(self, step_ms):
        self._until_ms -= step_ms
        if self._until_ms > 0:
            return False
        self._until_ms = _AGAIN_MS
        wanted = monitor.CONFIGURATION_WORDS[self._kind]
        self._word[0] = wanted >> 8
        self._word[1] = wanted & 0xFF
        self._i2c.writeto_mem(monitor.ADDRESS, monitor.CONFIGURATION, self._word)
        self._ready = self._register(monitor.CONFIGURATION) == wanted and self._is_itself()
        return self._ready

    def _is_itself(self):
        return self._kind != 1 or self._register(monitor.IDENTITY_REGISTER) == monitor.IDENTITY

    def _register(self, register):
        self._i2c.readfrom_mem_into(monitor.ADDRESS, register, self._word)
        return self._word[0] << 8 | self._word[1]

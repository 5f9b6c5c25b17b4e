"""The shunt monitor on its bus: found, configured, read each step, and looked for again when it falls silent.

Source: INA226 and INA219 data sheets (maker's sheets), register maps.
"""

from groundbox.wire.messages import UNKNOWN
from micropython import const

_AGAIN_MS = const(1000)
_ADDRESS = const(0x40)
_CONFIGURATION = const(0)
_SHUNT = const(1)
_BUS = const(2)
# Continuous, 16 averages: 35 ms (INA226, 1.1 ms each) and 17 ms (INA219, 12 bits, 32 V, +-320 mV) for a pair of values.
_CONFIGURATION_WORDS = (0, 0x4527, 0x3E67)  # by settings' voltage_monitor_kind
_INA226 = const(1)
_IDENTITY_REGISTER = const(0xFE)  # INA226 only
_IDENTITY = const(0x5449)


class Shunt:
    """One _

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
                self.shunt = self._register(_SHUNT)
                self.bus = self._register(_BUS)
        except OSError:
            self._ready = False
            self.shunt = UNKNOWN

    def _found(self, step_ms):
        self._until_ms -= step_ms
        if self._until_ms > 0:
            return False
        self._until_ms = _AGAIN_MS
        wanted = _CONFIGURATION_WORDS[self._kind]
        self._word[0] = wanted >> 8
        self._word[1] = wanted & 0xFF
        self._i2c.writeto_mem(_ADDRESS, _CONFIGURATION, self._word)
        self._ready = self._register(_CONFIGURATION) == wanted and self._is_itself()
        return self._ready

    def _is_itself(self):
        return self._kind != _INA226 or self._register(_IDENTITY_REGISTER) == _IDENTITY

    def _register(self, register):
        self._i2c.readfrom_mem_into(_ADDRESS, register, self._word)
        return self._word[0] << 8 | self._word[1]

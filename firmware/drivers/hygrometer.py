"""The humidity sensor on the shunt monitor's bus, left to measure by itself once a second.

Source: HDC2080 data sheet (maker's sheet): register map, and humidity in percent = 100 x register / 2**16.
"""

from groundbox.wire.messages import UNKNOWN
from micropython import const

_ADDRESS = const(0x41)  # its address pin high: 0x40 is the monitor's
_HUMIDITY = const(0x02)
_CONFIGURATION = const(0x0E)
_EACH_SECOND = const(0x50)
_MEASURE = const(0x0F)
_BEGIN = const(0x01)
_IDENTITY_REGISTER = const(0xFC)
_IDENTITY = const(0x5449)
_PERIOD_MS = const(1000)


class Hygrometer:
    """One sensor.

    Args:
        i2c: bus with readfrom_mem_into and writeto_mem, which raise OSError when nobody answers.
    """

    def __init__(self, i2c):
        self._i2c = i2c
        self._byte = bytearray(1)
        self._word = bytearray(2)
        self._ready = False
        self._until_ms = 0
        self._centi_percent = UNKNOWN

    def read(self, step_ms):
        """Relative humidity, 0 to 10000 hundredths of a percent, or UNKNOWN; touches the bus once a second."""
        self._until_ms -= step_ms
        if self._until_ms <= 0:
            self._until_ms = _PERIOD_MS
            try:
                self._centi_percent = self._measured() if self._ready else self._begin()
            except OSError:
                self._ready = False
                self._centi_percent = UNKNOWN
        return self._centi_percent

    def _begin(self):
        self._ready = self._register(_IDENTITY_REGISTER) == _IDENTITY
        if self._ready:
            self._set(_CONFIGURATION, _EACH_SECOND)
            self._set(_MEASURE, _BEGIN)
        return UNKNOWN

    def _measured(self):
        return self._register(_HUMIDITY) * 10000 >> 16

    def _register(self, register):
        self._i2c.readfrom_mem_into(_ADDRESS, register, self._word)
        return self._word[1] << 8 | self._word[0]

    def _set(self, register, value):
        self._byte[0] = value
        self._i2c.writeto_mem(_ADDRESS, register, self._byte)

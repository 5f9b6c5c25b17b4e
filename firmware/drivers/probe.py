"""A 1-wire temperature sensor, read without waiting: one short piece of the exchange a turn.

Times of a bit-banged bus at standard speed: a reset 1 ms, a byte 0.6 ms; a conversion of 12 bits 750 ms (DS18B20
data sheet).
"""

from core.conversion import scratchpad_raw
from groundbox.wire.messages import UNKNOWN
from micropython import const

_SKIP_ROM = const(0xCC)  # one sensor a pin, so no addresses
_CONVERT = const(0x44)
_READ_SCRATCHPAD = const(0xBE)
_CONVERSION_MS = const(750)
_BYTES = const(9)


class OneWireProbe:
    """One sensor on its own pin.

    Args:
        bus: onewire.OneWire of that pin.
    """

    def __init__(self, bus):
        self._bus = bus
        self._scratch = bytearray(_BYTES)
        self._waited_ms = -1  # -1: no conversion is running
        self._got = -1  # bytes read of the scratchpad; -1: reading has not begun

    def read(self, step_ms, turn):
        """Sixteenths of a degree when a scratchpad is complete, else UNKNOWN; touches the bus only when `turn`."""
        if self._waited_ms >= 0:
            self._waited_ms += step_ms
        if not turn:
            return UNKNOWN
        if self._got >= 0:
            return self._read_on()
        if self._waited_ms < 0:
            if self._command(_CONVERT):
                self._waited_ms = 0
        elif self._waited_ms >= _CONVERSION_MS:
            self._waited_ms = -1
            if self._command(_READ_SCRATCHPAD):
                self._got = 0
        return UNKNOWN

    def _command(self, command):
        if not self._bus.reset():
            return False
        self._bus.writebyte(_SKIP_ROM)
        self._bus.writebyte(command)
        return True

    def _read_on(self):
        for _ in range(3):
            self._scratch[self._got] = self._bus.readbyte()
            self._got += 1
        if self._got < _BYTES:
            return UNKNOWN
        self._got = -1
        return scratchpad_raw(self._scratch)

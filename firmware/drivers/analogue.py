"""What is behind an input pin: an NTC, nothing, and the two callbacks that run in interrupts and only store."""

from groundbox.wire.messages import UNKNOWN
from micropython import const

_READS = const(8)  # evens out the converter's noise: on RP2040 it is worth about 8.7 bits (from memory)


class ThermistorInput:
    """An NTC on the analogue converter.

    Args:
        adc: its channel, with read_u16.
        irq: where disable_irq and enable_irq are, or None. A hard timer's callback uses the same converter: it could
            turn the channel selector between our selecting and our reading.
    """

    def __init__(self, adc, irq):
        self._adc = adc
        self._irq = irq

    def read(self, _step_ms, _turn):
        """Fraction of the reference, 0 to 65535, mean of a few reads."""
        total = 0
        for _ in range(_READS):
            state = self._irq.disable_irq() if self._irq else 0
            total += self._adc.read_u16()
            if self._irq:
                self._irq.enable_irq(state)
        return total // _READS


class NoSensor:
    """No sensor."""

    def read(self, _step_ms, _turn):
        """UNKNOWN."""
        return UNKNOWN


def counter(pulses, i):
    """Pin callback that counts pulses[i] on, wrapping at 65536."""

    def count(_pin):
        pulses[i] = (pulses[i] + 1) & 0xFFFF

    return count


def sampler(adc, window):
    """Timer callback that puts one reading of `adc` into `window`."""
    read = adc.read_u16
    put = window.put

    def take(_timer):
        put(read())

    return take

"""What is behind an input pin: an NTC, nothing, and the two callbacks that run in interrupts and only store."""

from groundbox.wire.messages import UNKNOWN
from micropython import const

_READS = const(8)  # evens out the converter's noise: on RP2040 it is worth about 8.7 bits (from memory)


def even(raw):
    """A reading of RP2040's converter, 0 to 65535, without the jumps of its uneven steps.

    Codes 511, 1535, 2559 and 3583 are about 10 codes wide (RP2040 data sheet, erratum RP2040-E11). The jumps are 9
    codes (five measured boards: hardware/values.py). Between them 9 codes in 1024 are taken off again, so that no gain
    results. A reading of a wide code becomes its middle.
    """
    code = raw >> 4
    return raw + 144 * (code + 512 >> 10) - (raw * 9 + 1023 >> 10) + (0 if code + 513 & 1023 else 72)


class ThermistorInput:
    """An NTC on the analogue converter.

    Args:
        read: reads its channel, 0 to 65535.
        irq: where disable_irq and enable_irq are, or None. A hard timer's callback uses the same converter: it could
            turn the channel selector between our selecting and our reading.
    """

    def __init__(self, read, irq):
        self._read = read
        self._irq = irq

    def read(self, _step_ms, _turn):
        """Fraction of the reference, 0 to 65535, mean of a few reads."""
        total = 0
        for _ in range(_READS):
            state = self._irq.disable_irq() if self._irq else 0
            total += self._read()
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


def sampler(read, window):
    """Timer callback that puts what `read` gives into `window`."""
    put = window.put

    def take(_timer):
        put(read())

    return take

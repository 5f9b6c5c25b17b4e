"""The analogue converter's hot path for MicroPython; fallback/rig_converter.py is the same in plain Python.

A day has some fifteen million reads; compiled to machine code each takes a third of the time.
"""

from array import array

import micropython

import rig_clock

incoming = rig_clock.incoming
noise = array("h", rig_clock.wiring["adc_noise"])


class Converter:
    """Twelve bits spread over sixteen, with noise, and with the wide codes 511, 1535, 2559 and 3583 of RP2040-E11.

    Args:
        slot: place in `incoming` of the level at its pin, in sixteenths of a step.
        start: where in the ring of noise it begins.
    """

    def __init__(self, slot, start):
        self._state = array("i", (start & 255, slot))

    @micropython.viper
    def read_u16(self) -> int:
        """One conversion, 0 to 65535."""
        state = ptr32(self._state)  # noqa: F821 (known to the compiler)
        i = (state[0] + 1) & 255
        state[0] = i
        step = ptr16(noise)[i]  # noqa: F821
        if step > 32767:
            step -= 65536
        level = ptr32(incoming)[state[1] * 2] + step  # noqa: F821 (low half of 64 bits)
        if level < 0:
            return 0
        if level > 65535:
            return 65535
        jumps = (level + 8192) >> 14
        level -= 144 * jumps
        count = (level + level * 9 // 1015) >> 4
        low = 1024 * jumps - 513
        if count < low:
            count = low
        high = 1024 * jumps + 511
        if count > high:
            count = high
        if count > 4095:
            count = 4095
        return count << 4 | count >> 8

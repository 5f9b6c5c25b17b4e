"""The analogue converter's hot path for MicroPython; fallback/rig_converter.py is the same in plain Python.

A day has some fifteen million reads; compiled to machine code each takes a third of the time.
"""

from array import array

import micropython

import rig_clock

incoming = rig_clock.incoming
noise = array("h", rig_clock.wiring["adc_noise"])


class Converter:
    """Twelve bits spread over sixteen, with noise.

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
        count = (ptr32(incoming)[state[1] * 2] + step) >> 4  # noqa: F821 (low half of 64 bits)
        if count < 0:
            return 0
        if count > 4095:
            return 65535
        return count << 4 | count >> 8

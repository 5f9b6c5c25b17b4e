"""../rig_converter.py for CPython."""

import rig_clock

incoming = rig_clock.incoming
noise = rig_clock.wiring["adc_noise"]


class PlainConverter:
    def __init__(self, slot, start):
        self._slot = slot
        self._next = start & 255

    def read_u16(self):
        i = self._next = (self._next + 1) & 255
        count = (incoming[self._slot] + noise[i]) >> 4
        if count < 0:
            return 0
        if count > 4095:
            return 65535
        return count << 4 | count >> 8


Converter = PlainConverter

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
        level = incoming[self._slot] + noise[i]
        if level < 0:
            return 0
        if level > 65535:
            return 65535
        jumps = level + 8192 >> 14
        level -= 144 * jumps
        count = level + level * 9 // 1015 >> 4
        count = min(max(count, 1024 * jumps - 513), 1024 * jumps + 511, 4095)
        return count << 4 | count >> 8


Converter = PlainConverter

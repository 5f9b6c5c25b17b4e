"""The 1-wire temperature sensor's nine scratchpad bytes as a raw number in sixteenths of a degree.

Source: DS18B20 data sheet (maker's sheet), memory map, temperature table and CRC of x^8 + x^5 + x^4 + 1.
"""

from groundbox.wire.messages import UNKNOWN
from micropython import const

SHORTED = const(-32767)  # all nine bytes 0, which the CRC alone would let through: the data line is held low


def crc8(scratch, length):
    """CRC-8 of the first `length` bytes."""
    crc = 0
    for i in range(length):
        crc ^= scratch[i]
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc


def raw(scratch):
    """Sixteenths of a degree Celsius; UNKNOWN for a damaged scratchpad (no sensor answers: all ones), or SHORTED."""
    seen = 0
    for i in range(9):
        seen |= scratch[i]
    if not seen:
        return SHORTED
    if crc8(scratch, 8) != scratch[8]:
        return UNKNOWN
    value = scratch[0] | scratch[1] << 8
    return value - 65536 if value & 0x8000 else value

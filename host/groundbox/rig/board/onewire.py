"""A 1-wire bus with one temperature sensor on the pin.

Source: maker's data sheet of DS18B20: commands, scratchpad, power-on value, conversion time; times of the slots as the
driver of the board's port spends them (from memory).
"""

import rig_clock

OPEN = -32768  # slot values for a broken line; else sixteenths of a degree
SHORTED = -32767

_POWER_ON = 0x0550  # 85 degrees, until the first conversion
_CONVERSION_US = 750000
_RESET_US = 960
_BYTE_US = 560
_MATCH = 0x55
_SKIP = 0xCC
_READ_ROM = 0x33
_CONVERT = 0x44
_READ = 0xBE


class OneWireError(Exception):
    pass


class OneWire:
    def __init__(self, pin):
        self.pin = pin
        self._slot = rig_clock.slot_of_input[pin.id]
        self._raw = _POWER_ON
        self._ready_us = 0
        self._answer = b""
        self._skip = 0  # bytes of a number still to come
        rom = b"\x28" + bytes((pin.id, 0x5A, 0x11, 0, 0, 0))
        self._rom = rom + bytes((self.crc8(rom),))

    def reset(self, required=False):
        rig_clock.spend(_RESET_US)
        self._answer = b""
        self._skip = 0
        present = rig_clock.incoming[self._slot] != OPEN  # a line to ground looks like a presence pulse
        if required and not present:
            raise OneWireError
        return present

    def writebyte(self, value):
        rig_clock.spend(_BYTE_US)
        if self._skip:
            self._skip -= 1
        elif value == _MATCH:
            self._skip = 8
        elif value == _READ_ROM:
            self._answer = self._rom
        elif value == _CONVERT:
            self._ready_us = rig_clock.now_us + _CONVERSION_US
        elif value == _READ:
            self._answer = self._scratchpad()

    def write(self, buffer):
        for value in buffer:
            self.writebyte(value)

    def readbyte(self):
        rig_clock.spend(_BYTE_US)
        if rig_clock.incoming[self._slot] == SHORTED:
            return 0
        if not self._answer or rig_clock.incoming[self._slot] == OPEN:
            return 255
        value = self._answer[0]
        self._answer = self._answer[1:]
        return value

    def readinto(self, buffer):
        for i in range(len(buffer)):
            buffer[i] = self.readbyte()

    def select_rom(self, rom):
        self.reset()
        self.writebyte(_MATCH)
        self.write(rom)

    def scan(self):
        rig_clock.spend(20 * _BYTE_US)
        raw = rig_clock.incoming[self._slot]
        return [] if raw in (OPEN, SHORTED) else [bytearray(self._rom)]

    def crc8(self, data):
        crc = 0
        for byte in data:
            crc ^= byte
            for _ in range(8):
                crc = crc >> 1 ^ 0x8C if crc & 1 else crc >> 1
        return crc

    def _scratchpad(self):
        if self._ready_us and rig_clock.now_us >= self._ready_us:
            self._raw = rig_clock.incoming[self._slot] & 0xFFFF
            self._ready_us = 0
        head = bytes((self._raw & 255, self._raw >> 8, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10))
        return head + bytes((self.crc8(head),))

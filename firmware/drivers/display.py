"""A reflective display of two lines of 16 characters, behind an expander on the shunt monitor's bus.

One short message a step: the start by instruction, then line after line, round and round, each second once.

Sources: HD44780U data sheet (maker's sheet): start in 4 bits with its waits (4.1 ms, here a step), instructions, 37 us
for each, 1.52 ms to clear. PCF8574 data sheet (maker's sheet): one byte sets all pins; 100 kHz, so that a nibble takes
longer than an instruction. Pins of the expander: bits 0 to 3 are RS, RW, E and the light, 4 to 7 the data; address
0x27: common practice, no source.
"""

from micropython import const

_ADDRESS = const(0x27)
_RS = const(1)
_ENABLE = const(4)
_START = b"\x30\x30\x30\x20\x28\x0c\x01\x06"  # three nibbles of 8 bits, one to 4 bits; then whole instructions
_NIBBLES = const(4)
_BEGUN = const(8)
_LINES = (0x80, 0xC0)  # instruction: address of the first character
_STEPS_A_LINE = const(5)  # the address, and four times four characters
_AGAIN_MS = const(1000)


class Display:
    """One display.

    Args:
        i2c: bus with writeto, which raises OSError when nobody answers.
    """

    def __init__(self, i2c):
        self._i2c = i2c
        self._bytes = bytearray(16)
        view = memoryview(self._bytes)
        self._two = view[:2]
        self._four = view[:4]
        self._at = 0
        self._wait_ms = 0

    def step(self, step_ms, text):
        """Sends the next piece of `text`, a bytearray of 32; begins again a second after the display fell silent."""
        self._wait_ms -= step_ms
        if self._wait_ms > 0:
            return
        try:
            self._send(text)
        except OSError:
            self._at = 0
            self._wait_ms = _AGAIN_MS

    def _send(self, text):
        at = self._at
        if at < _NIBBLES:
            self._bytes[0] = _START[at] | _ENABLE
            self._bytes[1] = _START[at]
            self._i2c.writeto(_ADDRESS, self._two)
        elif at < _BEGUN:
            self._instruct(_START[at])
        else:
            line = (at - _BEGUN) // _STEPS_A_LINE
            piece = (at - _BEGUN) % _STEPS_A_LINE
            if not piece:
                self._instruct(_LINES[line])
            else:
                first = 16 * line + 4 * piece - 4
                for i in range(4):
                    self._put(4 * i, text[first + i], _RS)
                self._i2c.writeto(_ADDRESS, self._bytes)
        self._at = at + 1 if at + 1 < _BEGUN + 2 * _STEPS_A_LINE else _BEGUN

    def _instruct(self, instruction):
        self._put(0, instruction, 0)
        self._i2c.writeto(_ADDRESS, self._four)

    def _put(self, at, byte, rs):
        """Two nibbles, each taken at the fall of E."""
        for half in range(2):
            nibble = byte << 4 * half & 0xF0
            self._bytes[at] = nibble | rs | _ENABLE
            self._bytes[at + 1] = nibble | rs
            at += 2

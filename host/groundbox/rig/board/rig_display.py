"""A display of two lines of 16 characters behind its expander; writes what it shows into the file ../display.

Written from the data sheets of the controller and the expander apart from the firmware: a nibble is taken at the fall
of E (bit 2); after the start in 4 bits two nibbles are one byte, RS (bit 0) high for a character.
"""

DISPLAY_ADDRESS = 0x27
_FASTEST_HZ = 100000


class SimDisplay:
    def __init__(self, hz):
        self._hz = hz
        self._last = 0
        self._nibbles = []
        self._four_bits = False
        self._on = False
        self._at = 0
        self._memory = bytearray(b" " * 0x80)

    def answers(self):
        return self._hz <= _FASTEST_HZ

    def take(self, buffer):
        for pins in buffer:
            if self._last & 4 and not pins & 4:
                self._nibble(self._last >> 4, self._last & 1)
            self._last = pins

    def _nibble(self, nibble, rs):
        if not self._four_bits:
            self._nibbles.append(nibble)
            self._four_bits = self._nibbles[-4:] == [3, 3, 3, 2]
            if self._four_bits:
                self._nibbles = []
            return
        self._nibbles.append(nibble)
        if len(self._nibbles) == 2:
            self._byte(self._nibbles[0] << 4 | self._nibbles[1], rs)
            self._nibbles = []

    def _byte(self, byte, rs):
        if rs:
            self._memory[self._at] = byte
            self._at = (self._at + 1) & 0x7F
            if self._at == 0x50:
                self._show()
        elif byte & 0x80:
            self._at = byte & 0x7F
        elif byte & 0xF8 == 0x08:
            self._on = bool(byte & 4)
        elif byte == 1:
            self._memory[:] = b" " * 0x80
            self._at = 0

    def _show(self):
        lines = (self._memory[:16], self._memory[0x40:0x50]) if self._on else ()
        with open("../display", "wb") as file:
            for line in lines:
                file.write(bytes(line) + b"\n")

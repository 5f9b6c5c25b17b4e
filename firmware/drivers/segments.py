"""An append-only ring of small records in flash blocks. Pure: the device is handed in, when to erase is the caller's.

A block is a head of 64 bytes and 72 slots of 56. Its head has two parts, written at different times: how often the
block was erased, right after erasing; and the number of its first record, when it is begun. A slot is a record of 52
bytes and its CRC-32. Blocks are used in a ring, so that all wear alike, and the next is erased ahead. Nothing is
written twice, so a power cut at any byte costs what was being written and nothing else: a slot whose checksum is wrong
is passed over, a block whose head is wrong is erased again.

A device has `blocks`, the number of its blocks, and read_into(block, offset, buffer), program(block, offset, data) on
bytes that are erased, and erase(block), after which all of the block's bytes are 255.
"""

from binascii import crc32
from struct import pack, unpack

from micropython import const

BLOCK = const(4096)
RECORD = const(52)
SLOTS = const(72)  # of a block
_SLOT = const(56)
_HEAD = const(64)
_BEGUN_AT = const(32)
_PART = const(8)  # a number and its checksum
_ERASED = b"\xff" * 64


class Segments:
    """Records by number, counted through for ever.

    Args:
        device: see above.

    Attributes:
        oldest: number of the oldest record still held.
        newest: number of the newest; oldest - 1 while there is none.
        wear: most times a block was erased, as far as is known.
        prepared: True while the next block is erased.
    """

    def __init__(self, device):
        self._device = device
        self._part = bytearray(_PART)
        self._slot = bytearray(_SLOT)
        self.wear = 0
        self.prepared = False
        self._block = device.blocks - 1  # the one being filled
        self._first = 1 - SLOTS  # its first number: as if a block that is full came before all others
        self._used = SLOTS
        self.oldest = 1
        self._open()

    @property
    def newest(self):
        return self._first + self._used - 1

    def room(self):
        """True when a record can be appended."""
        return self._used < SLOTS or self.prepared

    def wants_erasing(self):
        """True when the next block should be erased: half of this one is full."""
        return not self.prepared and self._used >= SLOTS // 2

    def prepare(self):
        """Erases the next block, with the oldest records in it."""
        block = self._next()
        worn = self._number(block, 0)
        worn = max(self.wear - 1, 0) if worn is None else worn  # all wear alike
        self._device.erase(block)
        self._put_number(block, 0, worn + 1)
        self.wear = max(self.wear, worn + 1)
        self.oldest = max(self.oldest, self._first - (self._device.blocks - 2) * SLOTS)
        self.prepared = True

    def append(self, record):
        """Writes a record of RECORD bytes; its number. Only when there is `room`."""
        if self._used == SLOTS:
            first = self._first + SLOTS
            self.prepared = False
            self._block = self._next()
            self._first = first
            self._used = 0
            self._put_number(self._block, _BEGUN_AT, first)
        offset = _HEAD + self._used * _SLOT
        self._used += 1  # first: what is half written counts as used
        self._device.program(self._block, offset, record + pack("<I", crc32(record) & 0xFFFFFFFF))
        return self.newest

    def read(self, number):
        """The record of that number as bytes; None when it is not held or was damaged."""
        if not self.oldest <= number <= self.newest:
            return None
        back = (self._first - number + SLOTS - 1) // SLOTS
        block = (self._block - back) % self._device.blocks
        first = self._first - back * SLOTS
        if back and self._number(block, _BEGUN_AT) != first:
            return None
        return self._record(block, number - first)

    # --- what is there ---

    def _open(self):
        """Finds the newest block, where it ends, and whether the next is erased already."""
        begun = []
        for block in range(self._device.blocks):
            worn = self._number(block, 0)
            first = self._number(block, _BEGUN_AT) if worn is not None else None
            self.wear = max(self.wear, worn or 0)
            if first is not None:
                begun.append((first, block))
        if not begun:
            self.prepared = self._is_prepared()
            return
        self._first, self._block = max(begun)
        oldest_first = self._first - (self._device.blocks - 1) * SLOTS
        self.oldest = max(1, min([first for first, _ in begun if first >= oldest_first]))
        self._used = SLOTS
        while self._used and self._is_free(self._used - 1):
            self._used -= 1
        self.prepared = self._is_prepared()

    def _is_prepared(self):
        block = self._next()
        if self._number(block, 0) is None:
            return False
        buffer = bytearray(64)
        for offset in range(_PART, BLOCK, 64):
            view = memoryview(buffer)[: min(64, BLOCK - offset)]
            self._device.read_into(block, offset, view)
            if bytes(view) != _ERASED[: len(view)]:
                return False
        return True

    def _next(self):
        return (self._block + 1) % self._device.blocks

    def _is_free(self, slot):
        self._device.read_into(self._block, _HEAD + slot * _SLOT, self._slot)
        return self._slot == _ERASED[:_SLOT]

    def _record(self, block, slot):
        self._device.read_into(block, _HEAD + slot * _SLOT, self._slot)
        record = bytes(self._slot[:RECORD])
        return record if unpack("<I", self._slot[RECORD:])[0] == crc32(record) & 0xFFFFFFFF else None

    def _number(self, block, offset):
        """A number of a block's head; None when it was not written whole."""
        self._device.read_into(block, offset, self._part)
        number, check = unpack("<II", self._part)
        return number if check == crc32(self._part[:4]) & 0xFFFFFFFF and number < 1 << 30 else None

    def _put_number(self, block, offset, number):
        body = pack("<I", number)
        self._device.program(block, offset, body + pack("<I", crc32(body) & 0xFFFFFFFF))

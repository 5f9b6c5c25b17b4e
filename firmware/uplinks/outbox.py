"""The ring of records that wait until a host has stored them.

Slots of one fixed size in one kept buffer; sequence number s is in slot s % slots. Putting allocates nothing and
never fails: when the ring is full the oldest record is overwritten and, if no host had stored it, counted in `dropped`.

A slot: kind (1 byte), seconds since the start (4), milliseconds (2), then the fields of the registry after the uptime:
whole numbers by their struct code, words as one byte, the index in their tuple. Little-endian, nothing between.
"""

from struct import calcsize, pack_into, unpack_from

from groundbox.wire.messages import UNKNOWN, fields_of
from micropython import const

_READING = const(0)
_EVENT = const(1)
_HEAD = "<BIH"
_HEAD_SIZE = const(7)
_BEFORE = const(4)  # fields before the packed ones: box, boot, sequence, uptime_ms
_NAMES = ("reading", "event")


def _codes(name):
    """Struct codes of a message's packed fields."""
    return ["<B" if isinstance(field[1], tuple) else "<" + field[1] for field in fields_of(name)[_BEFORE:]]


class Outbox:
    """Records of this start.

    Args:
        slots: how many records it holds.

    Attributes:
        sequence: number of the newest record, 0 before the first.
        oldest: number of the oldest record the ring still holds (sequence + 1 while empty).
        stored_to: every record up to this one is stored on a host.
        dropped: records overwritten before a host had stored them.
        dropped_from, dropped_to: the first and the last of them; 0 for none.
    """

    def __init__(self, slots=240):
        self.sequence = 0
        self.oldest = 1
        self.stored_to = 0
        self.dropped = 0
        self.dropped_from = self.dropped_to = 0
        self._slots = slots
        self._names = [field[0] for field in fields_of("reading")[_BEFORE:]]
        self._codes = _codes("reading")
        self._size = _HEAD_SIZE + sum([calcsize(code) for code in self._codes])
        self._buffer = bytearray(slots * self._size)

    def put_reading(self, uptime_s, uptime_ms, reading):
        """Packs the attributes of `reading`, named as in the registry. uptime_ms is the part under a second."""
        at = self._next(_READING, uptime_s, uptime_ms)
        names = self._names
        codes = self._codes
        buffer = self._buffer
        for i in range(len(names)):
            code = codes[i]
            pack_into(code, buffer, at, getattr(reading, names[i]))
            at += 1 if code == "<B" else 2 if code == "<h" else 4

    def put_event(self, uptime_s, uptime_ms, kind, value):
        """Packs an event; `kind` is its index in messages.EVENTS, `value` -32767 to 32767 or UNKNOWN."""
        at = self._next(_EVENT, uptime_s, uptime_ms)
        self._buffer[at] = kind
        pack_into("<h", self._buffer, at + 1, value)

    def _next(self, kind, uptime_s, uptime_ms):
        """Takes the slot after the newest record; returns where its fields begin."""
        self.sequence += 1
        if self.sequence - self.oldest >= self._slots:
            if self.oldest > self.stored_to:
                self.dropped += 1
                self.dropped_to = self.oldest
                if not self.dropped_from:
                    self.dropped_from = self.oldest
            self.oldest += 1
        at = self.sequence % self._slots * self._size
        pack_into(_HEAD, self._buffer, at, kind, uptime_s, uptime_ms)
        return at + _HEAD_SIZE

    def stored(self, sequence):
        """A host has every record up to `sequence`, of this start, on its disk."""
        if self.stored_to < sequence <= self.sequence:
            self.stored_to = sequence

    def unpack(self, sequence):
        """(message name, values) of a held record; link side, allocates.

        `values` are for line.encode, without the three head fields (box, boot, sequence). None when it is not held.
        """
        if not self.oldest <= sequence <= self.sequence:
            return None
        at = sequence % self._slots * self._size
        kind, seconds, milliseconds = unpack_from(_HEAD, self._buffer, at)
        name = _NAMES[kind]
        codes = self._codes if kind == _READING else _codes(name)
        at += _HEAD_SIZE
        values = [seconds * 1000 + milliseconds]
        for i, field in enumerate(fields_of(name)[_BEFORE:]):
            values.append(_value(field, unpack_from(codes[i], self._buffer, at)[0]))
            at += calcsize(codes[i])
        return name, values


def _value(field, cell):
    """The value on the line for a record's cell; None for unknown."""
    if isinstance(field[1], tuple):
        return field[1][cell]
    return None if cell == UNKNOWN else cell

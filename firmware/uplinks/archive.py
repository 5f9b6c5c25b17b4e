"""Summaries in flash that wait until a host has stored them, for what the outbox cannot hold or a reset loses.

A record: start, number of the newest reading, uptime in units of 10 ms, the summary up to which none need be sent any
more, readings summed up, then the registry's fields. Which are still wanted: of an earlier start all that nobody has
acknowledged; of this start those with readings that the outbox dropped before a host had stored them (the host counts
these as lost, and may report "stored" beyond them).
"""

from struct import pack, unpack_from

from drivers.segments import RECORD
from uplinks.summary import FIELDS
from groundbox.wire.messages import UNKNOWN
from micropython import const

_FORMAT = "<iiIih%s" % "".join(["B" if isinstance(field[1], tuple) else field[1] for field in FIELDS])
AHEAD = const(8)  # summaries on their way to a host that has not acknowledged them
_AT_ONCE = const(4)


class Archive:
    """The summaries of a board.

    Args:
        segments: drivers.segments.Segments.
        outbox: uplinks.outbox.Outbox of this start, only read here.
        boot: number of this start.

    Attributes:
        done_to: no summary up to this number need be sent any more.
        lost: summaries overwritten before a host had them.
    """

    def __init__(self, segments, outbox, boot):
        self.segments = segments
        self._outbox = outbox
        self._boot = boot
        self._acknowledged = []
        self.lost = 0
        self.done_to = segments.oldest - 1
        number = segments.newest
        while number >= segments.oldest:
            record = segments.read(number)
            if record is not None:
                self.done_to = max(self.done_to, unpack_from("<i", record, 12)[0])
                break
            number -= 1

    def put(self, uptime_s, summary):
        """Appends a uplinks.summary.SummaryBuilder; only where the segments have room."""
        record = pack(
            _FORMAT,
            self._boot,
            self._outbox.sequence,
            uptime_s * 100,
            self.done_to,
            summary.readings,
            *summary.values(),
        )
        self.segments.append(record + bytes(RECORD - len(record)))

    def prepare(self):
        """Erases ahead; counts what is overwritten unsent."""
        self.segments.prepare()
        overwritten = self.segments.oldest - 1
        if overwritten > self.done_to:
            self.lost += overwritten - self.done_to
            self.done_to = overwritten

    def acknowledge(self, number):
        """A host has summary `number` on its disk."""
        if self.done_to < number <= self.done_to + AHEAD and number not in self._acknowledged:
            self._acknowledged.append(number)
            self.settle()  # at once: it makes room for the next to be sent

    def settle(self):
        """Passes over what need not be sent; a few at a time."""
        for _ in range(_AT_ONCE):
            number = self.done_to + 1
            if number > self.segments.newest or self.wanted(number) is not False:
                return
            self.done_to = number
            if number in self._acknowledged:
                self._acknowledged.remove(number)

    def wanted(self, number):
        """True: a host should get it; False: it need not; None: the outbox still holds its readings."""
        if number <= self.done_to or number in self._acknowledged:
            return False
        record = self.segments.read(number)
        if record is None:
            return False
        boot, sequence, _, _, readings = unpack_from("<iiIih", record)
        outbox = self._outbox
        if boot != self._boot or outbox.dropped_from <= sequence and sequence - readings < outbox.dropped_to:
            return True
        return False if sequence <= outbox.stored_to else None

    def values(self, number):
        """Values of `summary` behind the box's name; allocates."""
        cells = unpack_from(_FORMAT, self.segments.read(number))
        values = [cells[0], cells[1], cells[2] * 10, number, cells[4]]
        for field, cell in zip(FIELDS, cells[5:]):  # noqa: B905 (MicroPython's zip has no strict)
            if isinstance(field[1], tuple):
                values.append(field[1][cell])
            else:
                values.append(None if cell == UNKNOWN else cell)
        return values

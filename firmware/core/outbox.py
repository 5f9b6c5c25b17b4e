"""The ring of records that wait until a host has stored them.

Slots of one fixed size in one kept buffer; sequence number s lives in slot s % slots. Putting allocates nothing and
never fails: when the ring is full the oldest record is overwritten and, if no host had stored it, counted in `dropped`.
"""


class Outbox:
    """Records of this start.

    Attributes:
        sequence: number of the newest record, 0 before the first.
        oldest: number of the oldest record the ring still holds (sequence + 1 while empty).
        stored_to: every record up to this one is stored on a host.
        dropped: records overwritten before a host had stored them.
    """

    def __init__(self, slots=240):
        self.sequence = 0
        self.oldest = 1
        self.stored_to = 0
        self.dropped = 0

    def put_reading(self, uptime_s, uptime_ms, reading):
        """Packs the attributes of `reading`, named as in the registry. uptime_ms is the part under a second."""

    def put_event(self, uptime_s, uptime_ms, kind, value):
        """Packs an event; `kind` is its index in messages.EVENTS, `value` -32767 to 32767 or UNKNOWN."""

    def stored(self, sequence):
        """A host has every record up to `sequence`, of this start, on its disk."""

    def unpack(self, sequence):
        """(message name, values) of a held record; link side, allocates.

        `values` are for line.encode, without the three head fields (box, boot, sequence). None when it is not held.
        """

"""Which record goes out next: live ones first, then what the host lacks, the oldest of it first. Pure."""

from micropython import const

_LIVE_BEHIND = const(4)  # further behind than this the newest goes first and the rest joins the backlog


class Sender:
    """Chooses among the records of an outbox for one link.

    Args:
        outbox: uplinks.outbox.Outbox, only read here.
    """

    def __init__(self, outbox):
        self._outbox = outbox
        self._live = outbox.sequence
        self._from = 1
        self._to = 0

    def next(self):
        """Sequence number of the record to send now, or 0. Each call moves on."""
        newest = self._outbox.sequence
        if newest > self._live:
            if newest - self._live > _LIVE_BEHIND:
                self.want(self._live + 1, newest - 1)
                self._live = newest - 1
            self._live += 1
            return self._live
        self._from = max(self._from, self._outbox.oldest)
        if self._from > self._to:
            return 0
        self._from += 1
        return self._from - 1

    def want(self, first, last):
        """The host lacks records `first` to `last`: they go out behind the live ones."""
        if self._from > self._to:
            self._from, self._to = first, min(last, self._outbox.sequence)
        else:
            self._from = min(self._from, first)
            self._to = max(self._to, min(last, self._outbox.sequence))

    def want_unstored(self):
        """The host may lack whatever it has not said it stored, up to the last record sent live."""
        self.want(self._outbox.stored_to + 1, self._live)

    def idle(self):
        """True while no backlog waits."""
        return max(self._from, self._outbox.oldest) > self._to

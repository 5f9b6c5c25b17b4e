"""Which records of the present start have come over one connection, and what to ask for again: pure."""

from groundbox.wire.sequences import Sequences

RESEND_S = 5.0
LONGEST_RESEND_S = 60.0


class Missing:
    """The records of one start, from the oldest the board still held when the connection began.

    Args:
        oldest: number of the oldest record the board holds.
        newest: number of its newest record; 0 before the first.

    Attributes:
        newest: the highest record number heard of.
    """

    def __init__(self, oldest: int | None, newest: int) -> None:
        self._records = Sequences(max(0, (oldest or 1) - 1))
        self.newest = newest
        self._first = self._last = 0  # what was last asked for
        self._ask_at_s, self._wait_s = 0.0, RESEND_S

    def came(self, sequence: int) -> int | None:
        """How many records were skipped by this one, where it is the newest; None for one from the backlog."""
        self._records.add(sequence)
        if sequence <= self.newest:
            return None
        skipped = sequence - self.newest - 1
        self.newest = sequence
        return skipped

    def told(self, oldest: int | None, newest: int) -> int:
        """Takes in a later hello; the number of records that were missing and are gone from the board now."""
        self.newest = max(self.newest, newest)
        return self._records.gone_below(oldest or 0)

    def to_ask(self, now_s: float) -> tuple[int, int, bool] | None:
        """(first, last, asked before) of the records to ask for at real time `now_s`; None while nothing is due."""
        missing = self._records.missing(self.newest)
        if not missing:
            self._first = self._last = 0
            return None
        first, last = missing[0]
        if self._first < first <= self._last:  # they are coming
            self._first, self._ask_at_s, self._wait_s = first, now_s + RESEND_S, RESEND_S
            return None
        before = first == self._first
        if before and now_s < self._ask_at_s:
            return None
        self._wait_s = min(2 * self._wait_s, LONGEST_RESEND_S) if before else RESEND_S
        self._first, self._last, self._ask_at_s = first, last, now_s + self._wait_s
        return first, last, before

"""A box that one of several programs holds: its records as the store gets them, from any of the programs."""

from groundbox.model import Event, Reading
from groundbox.store import Reader
from groundbox.store.schema import REPEAT
from groundbox.wire.sequences import Sequences

GIVE_UP_S = 120.0  # so long may a gap of a box that cannot be asked hold up what came after it


class Held:
    """Follows box `name` in the store.

    Attributes:
        boot: number in the tables of the start followed.
        came: its records that are in the store.
    """

    def __init__(self, reader: Reader, name: str) -> None:
        self.name = name
        self.confirmed = 0
        self.boot, self.came = 0, Sequences()
        self._gap_since_s: float | None = None
        latest = reader.latest(name)
        if latest is not None:
            self._begin(reader, latest.boot)
            for sequence in reader.sequences(name, self.boot, self.came.complete_to):
                self.came.add(sequence)
            self.confirmed = self.came.complete_to

    @property
    def own_boot(self) -> int:
        """The board's own number of the start."""
        return self.boot % REPEAT

    def news(self, reader: Reader) -> list[Reading | Event]:
        """Records that have come into the store since last asked, in the order measured."""
        found: list[Reading | Event] = []
        for record in reader.records_after(self.name, self.boot, self.came.complete_to):
            if record.boot > self.boot:
                self._begin(reader, record.boot)
            if record.boot == self.boot and self.came.add(record.sequence):
                found.append(record)
        return found

    def gaps(self, reader: Reader) -> list[tuple[int, int]]:
        """(first, last) of each stretch missing, but for what the board says it has no longer."""
        self._gone(reader)
        return self.came.missing(self.came.highest)

    def give_up(self, now_s: float) -> None:
        """Passes over a gap that nobody can ask for, once it has been there for long."""
        gaps = self.came.missing(self.came.highest)
        if not gaps:
            self._gap_since_s = None
        elif self._gap_since_s is None:
            self._gap_since_s = now_s
        elif now_s - self._gap_since_s >= GIVE_UP_S:
            self._gap_since_s = None
            self.came.lost_below(gaps[-1][1] + 1)

    def to_tell(self) -> int | None:
        """Up to which record all is stored, when that is news."""
        if self.came.complete_to <= self.confirmed:
            return None
        self.confirmed = self.came.complete_to
        return self.confirmed

    def _begin(self, reader: Reader, boot: int) -> None:
        self.boot, self.came, self.confirmed, self._gap_since_s = boot, Sequences(), 0, None
        self._gone(reader)

    def _gone(self, reader: Reader) -> None:
        hello = reader.hello(self.name)
        if hello and hello.boot == self.boot:
            self.came.lost_below(hello.oldest_sequence or 0)

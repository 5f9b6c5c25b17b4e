"""The store: one SQLite database, one connection that writes; `Reader` looks on without disturbing it."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from groundbox.model import (
    Acknowledge,
    EstimatorState,
    Event,
    Fitted,
    Health,
    Hello,
    Item,
    KnownBattery,
    LinkCount,
    Mark,
    Reading,
    Stored,
    WarningChange,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Committed:
    """What one commit did."""

    stored: tuple[Stored, ...]  # what boards may be told
    inserted: int  # records that were new
    repeated: int  # records that were in the store already
    handed: tuple[Mark | Acknowledge, ...]  # left by other processes (`hand_over`), now in the store
    notices: tuple[str, ...]  # one line each for the person


class Reader:
    """Read-only view of a store; may be opened while another process writes.

    All times are seconds since 1970 UTC; rows come in the order measured (start, sequence).

    Raises (on opening and on every call):
        StoreError: one line that says what is wrong with the database and what to do.
    """

    def __init__(self, path: Path | str) -> None: ...

    def close(self) -> None:
        """Closes the connection."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None) -> None:
        self.close()

    def boxes(self) -> list[str]:
        """Names of all boxes that ever said hello or sent a record, sorted."""
        raise NotImplementedError

    def latest(self, box: str) -> Reading | None:
        """The newest reading of `box`; None when there is none."""
        raise NotImplementedError

    def readings(self, box: str, since_s: float | None = None, until_s: float | None = None) -> Iterator[Reading]:
        """Readings of `box` with since_s <= wall time < until_s, oldest first; with both None also those without."""
        raise NotImplementedError

    def series(
        self, box: str, columns: Sequence[str], since_s: float | None = None, until_s: float | None = None
    ) -> Iterator[tuple[object, ...]]:
        """Tuples of `columns` of table `reading`, in wire units (`wall_ms`, `battery_mv`, ...): fast, for plots."""
        raise NotImplementedError

    def events(self, box: str | None = None, since_s: float | None = None) -> list[Event]:
        """Events of `box` (None: all) since `since_s`."""
        raise NotImplementedError

    def marks(self, box: str | None = None, since_s: float | None = None) -> list[Mark]:
        """Marks, oldest first, those still waiting to be taken over by the writer included."""
        raise NotImplementedError

    def warnings(self, box: str | None = None, since_s: float | None = None) -> list[WarningChange]:
        """The warning log, oldest first."""
        raise NotImplementedError

    def open_warnings(self, box: str | None = None) -> list[WarningChange]:
        """The last change of every warning that is not cleared."""
        raise NotImplementedError

    def hello(self, box: str) -> Hello | None:
        """The newest hello of `box`."""
        raise NotImplementedError

    def health(self, box: str) -> Health | None:
        """The newest health of `box`."""
        raise NotImplementedError

    def counts(self, box: str | None = None, since_s: float | None = None) -> LinkCount:
        """Sums of the link counts (source "", wall_s of the newest)."""
        raise NotImplementedError

    def batteries(self) -> list[KnownBattery]:
        """Known batteries by name."""
        raise NotImplementedError

    def fitted(self, box: str, at_s: float | None = None) -> Fitted | None:
        """The battery in `box` at `at_s` (None: now)."""
        raise NotImplementedError

    def fittings(self, box: str | None = None) -> list[Fitted]:
        """Every fitting, oldest first."""
        raise NotImplementedError

    def estimator(self, box: str, battery: str) -> EstimatorState | None:
        """The saved estimator state of that battery in that box."""
        raise NotImplementedError


class Store(Reader):
    """The one writer. Everything given to it waits in memory until `commit`.

    A failed `commit` loses nothing: what waits goes on waiting, boards have not been told, and the next `commit` tries
    again. While `waiting` is above MOST_WAITING take no more from the links.

    Raises (on opening):
        StoreError: read-only, locked by another program (a second `groundbox log`), not a database, newer version.
    """

    MOST_WAITING = 20_000

    def __init__(self, path: Path | str, *, busy_s: float = 5.0) -> None: ...

    @property
    def waiting(self) -> int:
        """Rows not yet committed."""
        raise NotImplementedError

    def add(self, items: Iterable[Item]) -> None:
        """Takes items from links; StartTime moves the times of records already here."""

    def add_mark(self, mark: Mark) -> None:
        """A mark; a swap with a name also becomes a fitting."""

    def add_warning(self, change: WarningChange) -> None:
        """A line of the warning log."""

    def add_battery(self, battery: KnownBattery) -> None:
        """A battery's name and papers; replaces those of the same name."""

    def add_fitted(self, fitted: Fitted) -> None:
        """That a battery is in a box from a time on."""

    def save_estimator(self, state: EstimatorState) -> None:
        """Replaces the saved state of that battery in that box; commits together with the readings it has seen."""

    def commit(self) -> Committed:
        """Writes all that waits, durably.

        Raises:
            StoreError: nothing was written; what waits goes on waiting.
        """
        raise NotImplementedError


def hand_over(path: Path | str, request: Mark | Acknowledge) -> None:
    """Leaves a mark or acknowledgement for the store at `path` from any process.

    The process that writes the store takes it over with its next commit (`Committed.handed`); when none runs it is
    written at once. It is on the disk when this returns.

    Raises:
        StoreError: the folder cannot be written.
    """

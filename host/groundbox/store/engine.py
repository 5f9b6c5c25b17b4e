"""What a store asks of the database under it: the same statements, in the part of SQL that SQLite and PostgreSQL share.

Values stand in statements as `?`. Transactions are begun and ended by name; a statement outside one is kept at once.
"""

from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager
from typing import Any, Protocol

from groundbox.errors import StoreError
from groundbox.model import Acknowledge, Mark

Row = tuple[Any, ...]


class Engine(Protocol):
    """A connection to look with.

    Attributes:
        name: what a person knows it by, without secrets.
        least, greatest: its words for the minimum and maximum of several values.
        next_row: its expression for the next number of `row_order`.
    """

    name: str
    least: str
    greatest: str
    next_row: str

    def sentences(self) -> AbstractContextManager[None]:
        """Turns its errors into StoreError, one line that says what to do."""

    def rows(self, statement: str, values: Sequence[object] = ()) -> list[Row]:
        """All rows of a query."""
        raise NotImplementedError

    def stream(self, statement: str, values: Sequence[object] = ()) -> Iterator[Row]:
        """Rows of a query, a few at a time."""
        raise NotImplementedError

    def execute(self, statement: str, values: Sequence[object] = ()) -> int:
        """Does something; how many rows were concerned."""
        raise NotImplementedError

    def waiting_marks(self) -> list[tuple[str, Mark]]:
        """(name, mark) of those left by other processes and in no table yet."""
        raise NotImplementedError

    def close(self) -> None:
        """Ends the connection; harmless when ended."""


class Writer(Engine, Protocol):
    """A connection to write with."""

    run: int  # number of this run
    session: int  # counts connections: what was held ends with the one it was held by

    def hold(self, boxes: Sequence[str]) -> list[str]:
        """Those of `boxes` that are this program's to follow from now on, until its session ends."""
        raise NotImplementedError

    def begin(self) -> None:
        """Begins a transaction."""

    def commit(self) -> None:
        """Ends it; all of it is on the disk when this returns."""

    def rollback(self) -> None:
        """Ends it undone; harmless outside one."""

    def insert(self, table: str, rows: Sequence[Row]) -> Sequence[Row]:
        """Keeps rows of a board's message unless their keys are there; those that were new."""
        raise NotImplementedError

    def merge(self, table: str, columns: Sequence[str], rows: Sequence[Row], merging: str) -> None:
        """Puts rows (box, start_ms, *columns) of sums in; `merging` says what becomes of one that is there."""

    def take_over(self) -> Sequence[Mark | Acknowledge]:
        """What other processes have left, put into the tables: part of the transaction."""
        raise NotImplementedError

    def kept(self) -> list[str]:
        """After a commit: tidies up; lines for the person."""
        raise NotImplementedError

    def make_room(self, error: Exception) -> str | None:
        """After a failed commit: a line for the person when there is room now where there was none."""
        raise NotImplementedError


def refuse_newer(applied: set[str], known: Sequence[str], name: str) -> None:
    """Refuses a database that holds migrations which this version does not know.

    Raises:
        StoreError: it does.
    """
    unknown = sorted(applied - set(known))
    if unknown:
        raise StoreError(f"{name}: from a newer version of groundbox (it has {unknown[0]}); update this program")

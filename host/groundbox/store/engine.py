"""What a store needs of its database: the same statements for SQLite and PostgreSQL, in the SQL that both understand.

`?` marks a value. Transactions are begun and ended by name; a statement outside one is committed at once.
"""

from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager
from typing import Any, Protocol

from groundbox.errors import StoreError
from groundbox.model import Acknowledge, Mark

Row = tuple[Any, ...]


class Engine(Protocol):
    """A connection to read with.

    Attributes:
        name: address or path for people, without secrets.
        least, greatest: its words for the minimum and maximum of several values.
        next_row: its expression for the next number of `row_order`.
    """

    name: str
    least: str
    greatest: str
    next_row: str

    def store_errors(self) -> AbstractContextManager[None]:
        """Turns errors of the database into StoreError: one line with the fault and what to do."""

    def rows(self, statement: str, values: Sequence[object] = ()) -> list[Row]:
        """All rows of a query."""
        raise NotImplementedError

    def stream(self, statement: str, values: Sequence[object] = ()) -> Iterator[Row]:
        """Rows of a query, a few at a time."""
        raise NotImplementedError

    def execute(self, statement: str, values: Sequence[object] = ()) -> int:
        """Executes a statement; the number of rows that it changed."""
        raise NotImplementedError

    def waiting_marks(self) -> list[tuple[str, Mark]]:
        """(id, mark) of those that other processes left and that are in no table yet."""
        raise NotImplementedError

    def close(self) -> None:
        """Ends the connection; does nothing when ended."""


class Writer(Engine, Protocol):
    """A connection to write with."""

    run: int  # number of this run
    session: int  # counts connections: boxes held by one are released when it ends

    def hold(self, boxes: Sequence[str]) -> list[str]:
        """Reserves `boxes` for this program until its session ends; those that no other program holds."""
        raise NotImplementedError

    def begin(self) -> None:
        """Begins a transaction."""

    def commit(self) -> None:
        """Ends the transaction; all of it is on the disk when this returns."""

    def rollback(self) -> None:
        """Undoes the transaction; does nothing outside one."""

    def insert(self, table: str, rows: Sequence[Row]) -> Sequence[Row]:
        """Inserts rows of a board's message unless their keys exist; gives the rows that were new."""
        raise NotImplementedError

    def merge(self, table: str, columns: Sequence[str], rows: Sequence[Row], merging: str) -> None:
        """Inserts roll-ups (box, start_ms, *columns); `merging` is the SET clause for a row that exists."""

    def take_over(self) -> Sequence[Mark | Acknowledge]:
        """Puts what other processes left into the tables, within the transaction; gives what was new."""
        raise NotImplementedError

    def kept(self) -> list[str]:
        """Cleans up after a commit; gives lines for the person."""
        raise NotImplementedError

    def make_room(self, error: Exception) -> str | None:
        """Frees space after a failed commit; gives a line for the person if it did."""
        raise NotImplementedError


def boxes_in(engine: Engine) -> list[str]:
    """Names of all boxes that sent a hello or a reading, sorted."""
    found: list[str] = []
    box = ""
    while True:  # jumps from box to box in the keys, where DISTINCT would walk all rows
        rows = engine.rows(
            "SELECT min(box) FROM (SELECT min(box) AS box FROM reading WHERE box > ?"
            " UNION ALL SELECT min(box) FROM hello WHERE box > ?) AS next",
            (box, box),
        )
        if rows[0][0] is None:
            return found
        box = rows[0][0]
        found.append(box)


def refuse_newer(applied: set[str], known: Sequence[str], name: str) -> None:
    """Refuses a database that holds migrations which this version does not know.

    Raises:
        StoreError: it does.
    """
    unknown = sorted(applied - set(known))
    if unknown:
        raise StoreError(f"{name}: from a newer version of groundbox (it has {unknown[0]}); update this program")

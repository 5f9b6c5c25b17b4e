"""Writing to a store in a PostgreSQL database: one program, or several that divide the boxes."""

import time
from collections.abc import Iterable, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING

import groundbox
from groundbox.model import Acknowledge, Mark
from groundbox.store import handover, rollups, schema
from groundbox.store.engine import Row, refuse_newer
from groundbox.store.postgresql import SCHEMA, PostgresReader, ServerError
from groundbox.store.sqlite import Busy

if TYPE_CHECKING:
    import psycopg  # where it is missing, store.postgresql reports it

LET_GO_S = 2.0
DAY_S = 86_400
_MAKING, _WRITING, _BOX = 0x6762_0001, 0x6762_0002, 0x6762_0003  # advisory locks: "gb" and what for


class PostgresWriter(PostgresReader):
    """Writes to the database at `url`.

    Args:
        shared: other programs may write too, each for the boxes it holds (`hold`).

    Attributes:
        session: counts connections; boxes held by a connection are released when it ends.
    """

    def __init__(self, url: str, name: str, shared: bool = False) -> None:
        self.name, self._url, self._shared = name, url, shared
        self.session = self._last_handed = 0
        self._days: dict[tuple[str, int], int] = {}  # of each start
        self._partitions: set[int] = set()
        self._new_starts: list[tuple[str, int]] = []  # starts that are new in this transaction
        self._used: set[str] = set()  # arriving tables with rows in this transaction
        self._taken = 0
        with self.store_errors():
            self.connection = self._connect()
            try:
                self._last_handed = self.rows("SELECT coalesce(max(number), 0) FROM handed")[0][0]
                insert = (
                    "INSERT INTO run (program, database) VALUES (?, current_setting('server_version')) RETURNING run"
                )
                self.run: int = self.rows(insert, (groundbox.__version__,))[0][0]
            except BaseException:
                self.close()
                raise

    def _connect(self) -> "psycopg.Connection[Row]":
        connection = super()._connect()
        try:
            connection.execute("SET synchronous_commit TO on")
            connection.execute("SET lock_timeout TO '20s'")
            self._lock(connection)
            self._bring_up(connection)
            for table in (*schema.KEYS, *(level for level, _ in rollups.LEVELS)):  # into which rows are copied first
                copy = f"CREATE TEMPORARY TABLE arriving_{table} (LIKE {table}) ON COMMIT DELETE ROWS"
                connection.execute(copy.encode())
        except BaseException:
            connection.close()
            raise
        self.session += 1
        return connection

    def _lock(self, connection: "psycopg.Connection[Row]") -> None:
        """Takes the right to write, alone or with others; the server may need a moment to release an ended program."""
        lock = f"SELECT pg_try_advisory_lock{'_shared' if self._shared else ''}({_WRITING})".encode()
        end_s = time.monotonic() + LET_GO_S
        while connection.execute(lock).fetchall() != [(True,)]:
            if time.monotonic() > end_s:
                raise Busy(f"{self.name}: another groundbox is writing to it; stop that one, or start all with --share")
            time.sleep(0.05)

    def _bring_up(self, connection: "psycopg.Connection[Row]") -> None:
        """Makes the tables, or what is missing of them."""
        with connection.transaction():
            connection.execute(f"SELECT pg_advisory_xact_lock({_MAKING})".encode())
            connection.execute(f"CREATE SCHEMA IF NOT EXISTS {SCHEMA}".encode())
            if connection.execute("SELECT to_regclass('step') IS NULL").fetchall() == [(True,)]:
                for statement in schema.first_tables(schema.POSTGRESQL):
                    connection.execute(statement.encode())
                for name in schema.STEPS:
                    connection.execute("INSERT INTO step VALUES (%s)", (name,))
            refuse_newer({row[0] for row in connection.execute("SELECT name FROM step")}, schema.STEPS, self.name)
            known = set(
                connection.execute(
                    "SELECT table_name::text, column_name::text FROM information_schema.columns"
                    " WHERE table_schema = current_schema()"
                )
            )
            for statement in schema.missing_columns(known, schema.POSTGRESQL):
                connection.execute(statement.encode())

    def begin(self) -> None:
        """See Writer."""
        self._alive().execute("BEGIN")

    def commit(self) -> None:
        """See Writer."""
        self.connection.execute("COMMIT")

    def rollback(self) -> None:
        """See Writer."""
        for start in self._new_starts:
            self._days.pop(start, None)
        self._forget()
        self._partitions.clear()
        with suppress(ServerError):
            self.connection.execute("ROLLBACK")

    def insert(self, table: str, rows: Sequence[Row]) -> Sequence[Row]:
        """See Writer."""
        width = len(schema.KEYS[table])
        once: dict[Row, Row] = {}
        for row in rows:
            once.setdefault(row[:width], row)
        if not once:
            return []
        columns = [name for name, _ in schema.columns(table)]
        key, parted = list(schema.KEYS[table]), table == schema.PARTITIONED
        if parted:
            columns, key = [*columns, "day"], [*key, "day"]
        arriving = self._with_days(list(once.values())) if parted else once.values()
        self._copy(table, columns, arriving)
        keys = ", ".join(schema.KEYS[table])
        found = self.connection.execute(
            f"INSERT INTO {table} ({', '.join(columns)}) SELECT {', '.join(columns)} FROM arriving_{table}"
            f" ORDER BY {keys} ON CONFLICT ({', '.join(key)}) DO NOTHING RETURNING {keys}".encode()
        ).fetchall()
        return rows if len(found) == len(rows) else [once[one] for one in found]

    def merge(self, table: str, columns: Sequence[str], rows: Sequence[Row], merging: str) -> None:
        """See Writer."""
        if not rows:
            return
        names = ["box", "start_ms", *columns]
        self._copy(table, names, rows)
        self.connection.execute(
            f"INSERT INTO {table} ({', '.join(names)}) SELECT {', '.join(names)} FROM arriving_{table}"
            f" ORDER BY box, start_ms ON CONFLICT (box, start_ms) DO UPDATE SET {merging}".encode()
        )

    def take_over(self) -> Sequence[Mark | Acknowledge]:
        """See Writer: `leave` put them into the tables already; here they are only read."""
        found = self.rows(
            "SELECT number, handed.kind, request, row_order FROM handed LEFT JOIN mark ON mark.id = handed.id"
            " WHERE number > ? ORDER BY number",
            (self._last_handed,),
        )
        self._taken = found[-1][0] if found else self._last_handed
        return [handover.with_row(handover.from_json(kind, request), row) for _, kind, request, row in found]

    def kept(self) -> list[str]:
        """See Writer."""
        self._last_handed = self._taken
        self._forget()
        return []

    def make_room(self, error: Exception) -> str | None:
        """See Writer: the program does not manage the disk of the server."""
        return None

    def hold(self, boxes: Sequence[str]) -> list[str]:
        """See Writer."""
        hold = "SELECT box FROM unnest(?::text[]) AS wanted (box) WHERE pg_try_advisory_lock(hashtextextended(box, ?))"
        return [box for (box,) in self.rows(hold, (list(boxes), _BOX))]

    def _forget(self) -> None:
        self._new_starts, self._used = [], set()

    def _copy(self, table: str, columns: Sequence[str], rows: Iterable[Row]) -> None:
        if table in self._used:
            self.connection.execute(f"TRUNCATE arriving_{table}".encode())
        self._used.add(table)
        statement = f"COPY arriving_{table} ({', '.join(columns)}) FROM STDIN".encode()
        with self.connection.cursor() as cursor, cursor.copy(statement) as copy:
            for row in rows:
                copy.write_row(row)

    def _with_days(self, rows: Sequence[Row]) -> list[Row]:
        """The rows, each with the day on which its start was first received."""
        new = sorted({row[:2] for row in rows} - self._days.keys())
        if new:
            self._begin_start(new)
        days = self._days
        return [(*row, days[row[:2]]) for row in rows]

    def _begin_start(self, starts: list[Row]) -> None:
        today = int(time.time() // DAY_S)
        boxes, boots = [one[0] for one in starts], [one[1] for one in starts]
        self.execute(
            "INSERT INTO start (box, boot, day) SELECT box, boot, ? "
            "FROM unnest(?::text[], ?::bigint[]) AS met (box, boot)"
            " ORDER BY 1, 2 ON CONFLICT (box, boot) DO NOTHING",
            (today, boxes, boots),
        )
        for box, boot, day in self.rows(
            "SELECT box, boot, day FROM start JOIN unnest(?::text[], ?::bigint[]) AS met (box, boot) USING (box, boot)",
            (boxes, boots),
        ):
            self._days[box, boot] = day
            self._new_starts.append((box, boot))
            if day not in self._partitions:
                self._make_partition(day)

    def _make_partition(self, day: int) -> None:
        self._partitions.add(day)
        if self.rows("SELECT to_regclass(?) IS NULL", (f"reading_{day}",)) == [(False,)]:
            return
        self.rows("SELECT pg_advisory_xact_lock(?)", (_MAKING,))
        if self.rows("SELECT to_regclass(?) IS NULL", (f"reading_{day}",)) == [(True,)]:
            name = f"reading_{day}"
            self.execute(f"CREATE TABLE {name} (LIKE reading INCLUDING DEFAULTS)")
            self.execute(f"ALTER TABLE reading ATTACH PARTITION {name} FOR VALUES FROM ({day}) TO ({day + 1})")

"""The store in a SQLite file: opening it, one writer, and explaining its errors in one line."""

import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, closing, contextmanager, suppress
from functools import cache
from itertools import count
from pathlib import Path

import groundbox
from groundbox.errors import StoreError
from groundbox.model import Acknowledge, Mark
from groundbox.store import handover, schema
from groundbox.store.disk_reserve import DiskReserve
from groundbox.store.engine import Row, refuse_newer

LARGE_LOG_BYTES = 64 << 20
_CHUNK = 500
BESIDE_BUSY_S = 1.0
_OF_THE_NEW_FILE = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)

_EXPLANATIONS = {
    sqlite3.SQLITE_BUSY: "locked by another program; close what has it open (a database browser, a second log)",
    sqlite3.SQLITE_LOCKED: "locked by another program; close what has it open (a database browser, a second log)",
    sqlite3.SQLITE_READONLY: "read-only; make the file and its folder writable, or name another database",
    sqlite3.SQLITE_FULL: "the disk is full; free space; boards keep what is not stored",
    sqlite3.SQLITE_NOTADB: "not a database; name another file, or move this one away",
    sqlite3.SQLITE_CORRUPT: "damaged; keep a copy, move it away with the files beside it, and start a new one",
    sqlite3.SQLITE_CANTOPEN: "cannot be opened; check that folder and file exist and may be read and written",
    sqlite3.SQLITE_IOERR: "the disk reports an error; check whether it is full, worn or unplugged",
}


class Busy(StoreError):
    """Another groundbox is writing to the store."""


@contextmanager
def store_errors(path: Path) -> Iterator[None]:
    """Turns what SQLite and the file system raise into StoreError."""
    try:
        yield
    except sqlite3.Error as error:
        raise StoreError(f"{path}: {_explain(error, path)}") from error
    except OSError as error:
        raise StoreError(f"{path}: {error.strerror or error}; check rights and free space of the folder") from error


def _explain(error: sqlite3.Error, path: Path) -> str:
    code = getattr(error, "sqlite_errorcode", None)
    if code and code & 0xFF == sqlite3.SQLITE_CANTOPEN and path.parent.is_dir() and not os.access(path.parent, os.W_OK):
        return _EXPLANATIONS[sqlite3.SQLITE_READONLY]
    return _EXPLANATIONS.get(code & 0xFF if code else 0, f"{error}")


class SqliteReader:
    """Reads the file at `path` without disturbing the program that writes."""

    least, greatest = "min", "max"
    next_row = (
        "(SELECT 1 + max(coalesce((SELECT max(row_order) FROM mark), 0),"
        " coalesce((SELECT max(row_order) FROM event), 0)))"
    )

    def __init__(self, path: Path) -> None:
        self.path, self.name = path, str(path)
        self.connection = open_to_read(path)

    def store_errors(self) -> AbstractContextManager[None]:
        """See Engine."""
        return store_errors(self.path)

    def rows(self, statement: str, values: Sequence[object] = ()) -> list[Row]:
        """See Engine."""
        return self.connection.execute(statement, values).fetchall()

    def stream(self, statement: str, values: Sequence[object] = ()) -> Iterator[Row]:
        """See Engine."""
        cursor = self.connection.execute(statement, values)
        while rows := cursor.fetchmany(_CHUNK):
            yield from rows

    def execute(self, statement: str, values: Sequence[object] = ()) -> int:
        """See Engine."""
        return self.connection.execute(statement, values).rowcount

    def waiting_marks(self) -> list[tuple[str, Mark]]:
        """See Engine."""
        waiting = handover.waiting(self.path)
        return [(one.id, one.request) for one in waiting if isinstance(one.request, Mark)]

    def close(self) -> None:
        """See Engine."""
        self.connection.close()


class SqliteWriter(SqliteReader):
    """The one program that writes the file at `path`.

    A file that was deleted, renamed or replaced under it keeps nothing of what is written. The rows then move to a new
    file beside, whose name is `name`; other processes still leave their marks at `path`.
    """

    session = 1

    def __init__(self, path: Path, busy_s: float) -> None:
        self.path, self.name = path, str(path)
        self._file = path
        self._locks = [lock(path)]
        try:
            self.connection = open_to_write(path, busy_s)
            with store_errors(path):
                self.run = self._begin_run()
                self._identity = _identity(path)
        except BaseException:
            self.close()
            raise
        self.reserve = DiskReserve(path)
        self.reserve.make()
        self._taken: list[handover.Handed] = []
        self._refused: set[Path] = set()
        self._notices: list[str] = []
        self._warned_of_log = False

    def _begin_run(self) -> int:
        """The number of this run; being the first write, it detects a read-only or locked database."""
        insert = "INSERT INTO run (program, database) VALUES (?, ?)"
        number = self.connection.execute(insert, (groundbox.__version__, sqlite3.sqlite_version)).lastrowid
        assert number is not None
        return number

    def close(self) -> None:
        """See Engine."""
        with suppress(AttributeError):
            self.connection.close()
        for held in self._locks:
            held.close()

    def hold(self, boxes: Sequence[str]) -> list[str]:
        """See Writer: only one program writes a file."""
        return list(boxes)

    def begin(self) -> None:
        """See Writer."""
        self._stay()
        self.connection.execute("BEGIN IMMEDIATE")

    def commit(self) -> None:
        """See Writer: on the disk, and under a name."""
        self.connection.execute("COMMIT")
        self._stay()

    def _stay(self) -> None:
        """Moves to a file beside when the one that is written is no longer there by its name."""
        if _identity(self._file) == self._identity:
            return
        beside = _free_name(self.path)
        locks = [lock(beside)]
        with suppress(Busy):  # the file of the lock may be gone too
            locks.append(lock(self.path))
        try:
            whole = self._copy(beside)
            connection = open_to_write(beside, BESIDE_BUSY_S)
        except BaseException:
            for held in locks:
                held.close()
            raise
        self.connection.close()
        self.connection, self._locks = connection, [*self._locks, *locks]
        self.name, lost, self._file, self._identity = str(beside), self._file, beside, _identity(beside)
        if not whole:
            insert = "INSERT INTO run (run, program, database) VALUES (?, ?, ?)"
            self.connection.execute(insert, (self.run, groundbox.__version__, sqlite3.sqlite_version))
        rows = "all its rows were copied" if whole else "its earlier rows could not be read"
        self._notices.append(
            f"{lost} was deleted, renamed or replaced: recording continues in {beside}, {rows}; after the session end"
            f" this program, and start it with --database {beside.name}"
        )

    def _copy(self, beside: Path) -> bool:
        """Copies what was written to `beside`; False where it cannot be read any more."""
        try:
            with closing(sqlite3.connect(beside)) as new:
                self.connection.backup(new)
        except sqlite3.Error as error:
            beside.unlink(missing_ok=True)
            if getattr(error, "sqlite_errorcode", 0) & 0xFF in _OF_THE_NEW_FILE:
                raise
            return False
        return True

    def rollback(self) -> None:
        """See Writer."""
        self._taken = []
        if self.connection.in_transaction:
            self.connection.execute("ROLLBACK")

    def insert(self, table: str, rows: Sequence[Row]) -> Sequence[Row]:
        """See Writer: in one batch where all are new; else one by one, to know which are new."""
        if not rows:
            return rows
        self.connection.execute("SAVEPOINT batch")
        new: Sequence[Row] = rows
        if self.connection.executemany(_insert(table), rows).rowcount < len(rows):
            self.connection.execute("ROLLBACK TO batch")
            new = [row for row in rows if self.connection.execute(_insert(table), row).rowcount]
        self.connection.execute("RELEASE batch")
        return new

    def merge(self, table: str, columns: Sequence[str], rows: Sequence[Row], merging: str) -> None:
        """See Writer."""
        marks = ", ".join("?" * (len(columns) + 2))
        self.connection.executemany(
            f"INSERT INTO {table} (box, start_ms, {', '.join(columns)}) VALUES ({marks})"
            f" ON CONFLICT (box, start_ms) DO UPDATE SET {merging}",
            rows,
        )

    def take_over(self) -> Sequence[Mark | Acknowledge]:
        """See Writer."""
        self._taken, strange = handover.sort(self.path)
        for file in strange:
            self._refuse(file)
        found = [handover.take_over(self, self.run, one.id, one.request) for one in self._taken]
        return [request for request in found if request is not None]

    def _refuse(self, file: Path) -> None:
        """Moves a file aside that is no mark, and reports it once."""
        if file in self._refused:  # it could not be moved
            return
        name = file.name.encode("ascii", "backslashreplace").decode()
        try:
            where = f"moved to {handover.move_aside(self.path, file).parent.name}"
        except OSError as error:
            self._refused.add(file)
            where = f"not used; delete it ({error.strerror})"
        self._notices.append(f"{name[:80]} in {file.parent.name} is no mark and no acknowledgement: {where}")

    def kept(self) -> list[str]:
        """See Writer."""
        with suppress(OSError):  # a file that remains is known by its name, and counts once
            for one in self._taken:
                handover.remove(one)
        self._taken = []
        notices, self._notices = [*self._notices, *self._log_notice()], []
        if self.reserve.restore():
            notices.append(f"{self.path}: the disk has space again; {self.reserve.megabytes} MB are in reserve again")
        return notices

    def make_room(self, error: Exception) -> str | None:
        """See Writer."""
        code = getattr(error.__cause__, "sqlite_errorcode", None)
        if code is None or code & 0xFF != sqlite3.SQLITE_FULL or not self.reserve.release():
            return None
        return f"{self.path}: the disk is full; the reserve of {self.reserve.megabytes} MB is in use: free space"

    def _log_notice(self) -> list[str]:
        """A line, once, when an open reader keeps SQLite from emptying the write-ahead log."""
        if self._warned_of_log:
            return []
        try:
            size = os.stat(f"{self._file}-wal").st_size
        except OSError:
            return []
        if size < LARGE_LOG_BYTES:
            return []
        self._warned_of_log = True
        return [f"{self._file}: its -wal file has {size >> 20} MB; close the program that keeps the database open"]


def _identity(path: Path) -> tuple[int, int] | None:
    """Device and number of the file at `path`; None where there is none."""
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _free_name(path: Path) -> Path:
    """The first of session-2.db, session-3.db, ... that no file has."""
    numbered = (path.with_name(f"{path.stem}-{number}{path.suffix}") for number in count(2))
    return next(one for one in numbered if not one.exists() and not one.with_name(one.name + "-wal").exists())


@cache
def _insert(table: str) -> str:
    """The statement that keeps a row unless its key is there; any other conflict is an error, not silence."""
    names = [name for name, _ in schema.columns(table)]
    values = ["?"] * len(names)
    if table == "event":
        names, values = [*names, "row_order"], [*values, SqliteReader.next_row]
    key = ", ".join(schema.KEYS[table])
    return f"INSERT INTO {table} ({', '.join(names)}) VALUES ({', '.join(values)}) ON CONFLICT ({key}) DO NOTHING"


def open_to_read(path: Path) -> sqlite3.Connection:
    """A read-only connection to a store of this version."""
    if not path.exists():
        raise StoreError(f"{path}: no such database; `groundbox log` makes it, or name another")
    with store_errors(path):
        how = "mode=ro" if _wants_writing(path) else "mode=ro&immutable=1"
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?{how}", uri=True, timeout=5.0)
        try:
            _check_version(connection, path)
        except BaseException:
            connection.close()
            raise
    return connection


def _wants_writing(path: Path) -> bool:
    """False on a disk that nobody can write, such as a card write-protected: SQLite's notes beside it cannot be made.

    What a log killed at its end left in its -wal file would be passed over, so there it stays an error.
    """
    wal = path.with_name(path.name + "-wal")
    read_only = hasattr(os, "statvfs") and bool(os.statvfs(path.parent).f_flag & os.ST_RDONLY)
    return not read_only or (wal.exists() and wal.stat().st_size > 0)


def open_to_write(path: Path, busy_s: float) -> sqlite3.Connection:
    """A connection to a store of this version, made or brought up to it; every commit is on the disk.

    It runs in autocommit mode: transactions are begun and ended by name.
    """
    with store_errors(path):
        connection = sqlite3.connect(path, timeout=busy_s, isolation_level=None)
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            _bring_up(connection, path)
        except BaseException:
            connection.close()
            raise
    return connection


def lock(path: Path) -> sqlite3.Connection:
    """Holds the right to write the store at `path` until closed or the process ends, however it ends.

    SQLite before 3.51.3 can damage a database that two connections write and checkpoint at one instant ("WAL-reset
    bug", SQLite's own page on write-ahead logging); so one program writes. The lock is a database of its own, since
    SQLite's locks work on every platform.
    """
    with store_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        holder = sqlite3.connect(path.with_name(path.name + ".lock"), timeout=0, isolation_level=None)
        try:
            holder.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            holder.close()
            if getattr(error, "sqlite_errorcode", 0) & 0xFF != sqlite3.SQLITE_BUSY:
                raise
            raise Busy(f"{path}: another groundbox is writing to it; stop that one, or name another") from None
    return holder


def _bring_up(connection: sqlite3.Connection, path: Path) -> None:
    """Makes the tables, or the columns that the registry has gained."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        applied = _applied(connection)
        if not applied and connection.execute("SELECT 1 FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'").fetchone():
            raise StoreError(f"{path}: a database of another program; name another file")
        refuse_newer(applied, schema.STEPS, str(path))
        if not applied:
            for statement in schema.first_tables(schema.SQLITE):
                connection.execute(statement)
            connection.executemany("INSERT INTO step VALUES (?)", [(name,) for name in schema.STEPS])
        for statement in schema.missing_columns(_columns(connection), schema.SQLITE):
            connection.execute(statement)
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _applied(connection: sqlite3.Connection) -> set[str]:
    """Names of the migrations applied; empty for a new database."""
    there = connection.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'step'").fetchone()
    return {name for (name,) in connection.execute("SELECT name FROM step")} if there else set()


def _columns(connection: sqlite3.Connection) -> set[tuple[str, str]]:
    """(table, column) of the tables for a board's messages."""
    return {(table, row[1]) for table in schema.KEYS for row in connection.execute(f"PRAGMA table_info({table})")}


def _check_version(connection: sqlite3.Connection, path: Path) -> None:
    applied = _applied(connection)
    refuse_newer(applied, schema.STEPS, str(path))
    if applied != set(schema.STEPS) or schema.missing_columns(_columns(connection), schema.SQLITE):
        raise StoreError(f"{path}: not yet a store of this version; run `groundbox log` on it once, or name another")

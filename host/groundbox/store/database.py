"""Opening a store and saying in one line what is wrong with it."""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from groundbox.errors import StoreError
from groundbox.store import schema

_SENTENCES = {
    sqlite3.SQLITE_BUSY: "locked by another program; close what has it open (a database browser, a second log)",
    sqlite3.SQLITE_LOCKED: "locked by another program; close what has it open (a database browser, a second log)",
    sqlite3.SQLITE_READONLY: "read-only; make the file and its folder writable, or name another database",
    sqlite3.SQLITE_FULL: "the disk is full; free some space: what is not stored yet stays on the boards meanwhile",
    sqlite3.SQLITE_NOTADB: "not a database; name another file, or move this one away",
    sqlite3.SQLITE_CORRUPT: "damaged; keep a copy, move it away with the files beside it, and start a new one",
    sqlite3.SQLITE_CANTOPEN: "cannot be opened; look whether folder and file exist and may be read and written",
    sqlite3.SQLITE_IOERR: "the disk reports an error; look whether it is full, worn out or unplugged",
}


class Busy(StoreError):
    """Another groundbox is writing to the store."""


@contextmanager
def sentences(path: Path) -> Iterator[None]:
    """Turns what SQLite and the file system raise into StoreError."""
    try:
        yield
    except sqlite3.Error as error:
        raise StoreError(f"{path}: {_sentence(error, path)}") from error
    except OSError as error:
        raise StoreError(f"{path}: {error.strerror or error}; look at the folder's permissions and space") from error


def _sentence(error: sqlite3.Error, path: Path) -> str:
    code = getattr(error, "sqlite_errorcode", None)
    if code and code & 0xFF == sqlite3.SQLITE_CANTOPEN and path.parent.is_dir() and not os.access(path.parent, os.W_OK):
        return _SENTENCES[sqlite3.SQLITE_READONLY]
    return _SENTENCES.get(code & 0xFF if code else 0, f"{error}")


def is_full(error: StoreError) -> bool:
    """True when the disk was full."""
    code = getattr(error.__cause__, "sqlite_errorcode", None)
    return code is not None and code & 0xFF == sqlite3.SQLITE_FULL


def open_to_read(path: Path) -> sqlite3.Connection:
    """A read-only connection to a store of this version."""
    if not path.exists():
        raise StoreError(f"{path}: no such database; `groundbox log` makes it, or name another")
    with sentences(path):
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
    with sentences(path):
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
    with sentences(path):
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
    """Makes the tables, or what is missing of them."""
    applied = _applied(connection)
    if not applied and connection.execute("SELECT 1 FROM sqlite_master").fetchone():
        raise StoreError(f"{path}: a database of another program; name another file")
    _refuse_newer(applied, path)
    missing = _missing_columns(connection) if applied else []
    if missing or applied != set(schema.STEPS):
        from groundbox.store.migrations import migrate  # sqlite-utils takes a while to load and is seldom needed

        migrate(connection, missing)


def _applied(connection: sqlite3.Connection) -> set[str]:
    """Names of the steps applied; empty for a new database."""
    there = connection.execute("SELECT 1 FROM sqlite_master WHERE name = '_sqlite_migrations'").fetchone()
    if not there:
        return set()
    rows = connection.execute("SELECT name FROM _sqlite_migrations WHERE migration_set = 'groundbox'")
    return {name for (name,) in rows}


def _missing_columns(connection: sqlite3.Connection) -> list[tuple[str, str, str]]:
    """(table, column, type) of what the registry has and the database has not."""
    missing = []
    for table in schema.KEYS:
        there = {row[1] for row in connection.execute(f"PRAGMA table_info({table})")}
        missing += [(table, name, kind) for name, kind in schema.columns(table) if name not in there]
    return missing


def _check_version(connection: sqlite3.Connection, path: Path) -> None:
    applied = _applied(connection)
    _refuse_newer(applied, path)
    if applied != set(schema.STEPS) or _missing_columns(connection):
        raise StoreError(f"{path}: not yet a store of this version; run `groundbox log` on it once, or name another")


def _refuse_newer(applied: set[str], path: Path) -> None:
    unknown = sorted(applied - set(schema.STEPS))
    if unknown:
        raise StoreError(f"{path}: from a newer version of groundbox (it has {unknown[0]}); update this program")

"""The store in a PostgreSQL database, for many boxes: reading it, and explaining its errors in one line."""

from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from functools import cache
from uuid import uuid4

from groundbox.errors import StoreError
from groundbox.model import Acknowledge, Mark
from groundbox.store import handover, schema
from groundbox.store.engine import Row, refuse_newer

try:
    import psycopg
    from psycopg import errors
    from psycopg.types.numeric import FloatLoader
except ImportError as error:
    raise StoreError("a store in PostgreSQL needs psycopg: pip install 'groundbox[postgresql]'") from error

ServerError = psycopg.Error
SCHEMA = "groundbox"
WAIT_S = 5
_CHUNK = 2000
_EXPLANATIONS: tuple[tuple[type[psycopg.Error], str], ...] = (
    (
        errors.DiskFull,
        "the disk of the server is full; free space; boards keep what is not stored",
    ),
    (errors.InsufficientPrivilege, "this user lacks a right; grant it CREATE on that database"),
    (errors.ReadOnlySqlTransaction, "the server is read-only; name its primary server"),
    (errors.InvalidPassword, "wrong user or password; put the password into ~/.pgpass, not into the address"),
    (errors.InvalidCatalogName, "no such database; make it with createdb, or name another"),
    (errors.DeadlockDetected, "another program holds a lock; end it, or try again"),
    (errors.LockNotAvailable, "another program holds a lock; end it, or try again"),
)


@contextmanager
def _store_errors(name: str) -> Iterator[None]:
    try:
        yield
    except psycopg.Error as error:
        raise StoreError(f"{name}: {_explain(error)}") from error


def _explain(error: psycopg.Error) -> str:
    for kind, sentence in _EXPLANATIONS:
        if isinstance(error, kind):
            return sentence
    text = str(error)
    if error.sqlstate is None and isinstance(error, psycopg.OperationalError):
        for part, sentence in _BY_WORDS:
            if part in text:
                return sentence
        return "no PostgreSQL server answers; check address, server and network"
    if isinstance(error, psycopg.ProgrammingError) and error.sqlstate is None:
        return "not a PostgreSQL address; write postgresql://USER@HOST/DATABASE"
    return text.strip().partition("\n")[0] or type(error).__name__


# Refused connections have no error code: they are known by the words of the server.
_BY_WORDS = (
    ("password", "wrong user or password; put the password into ~/.pgpass, not into the address"),
    ("authentication failed", "the server refuses this user; check its pg_hba.conf"),
    ("no pg_hba.conf entry", "the server refuses this user from this computer; check its pg_hba.conf"),
    ("does not exist", "the server has no such user or database; make them with createuser and createdb"),
)


@cache
def sql(statement: str) -> bytes:
    return statement.replace("%", "%%").replace("?", "%s").encode()


class PostgresReader:
    """Reads the database at `url`; `name` is the address without secrets."""

    least, greatest = "least", "greatest"
    next_row = "nextval('row_order')"

    def __init__(self, url: str, name: str) -> None:
        self.name, self._url = name, url
        with self.store_errors():
            self.connection = self._connect()
            try:
                self._check_version()
            except BaseException:
                self.close()
                raise

    def store_errors(self) -> AbstractContextManager[None]:
        """See Engine."""
        return _store_errors(self.name)

    def rows(self, statement: str, values: Sequence[object] = ()) -> list[Row]:
        """See Engine."""
        return self._alive().execute(sql(statement), values).fetchall()

    def stream(self, statement: str, values: Sequence[object] = ()) -> Iterator[Row]:
        """See Engine."""
        with self._alive().cursor(name=f"look_{uuid4().hex}", withhold=True) as cursor:
            cursor.execute(sql(statement), values)
            while rows := cursor.fetchmany(_CHUNK):
                yield from rows

    def execute(self, statement: str, values: Sequence[object] = ()) -> int:
        """See Engine."""
        return self._alive().execute(sql(statement), values).rowcount

    def waiting_marks(self) -> list[tuple[str, Mark]]:
        """See Engine: here they are in the tables at once."""
        return []

    def close(self) -> None:
        """See Engine."""
        self.connection.close()

    def _alive(self) -> "psycopg.Connection[Row]":
        if self.connection.closed:
            self.connection = self._connect()
        return self.connection

    def _connect(self) -> "psycopg.Connection[Row]":
        connection = psycopg.connect(
            self._url, autocommit=True, connect_timeout=WAIT_S, application_name="groundbox", client_encoding="utf8"
        )
        connection.adapters.register_loader("numeric", FloatLoader)
        connection.execute(f"SET search_path TO {SCHEMA}".encode())
        return connection

    def _check_version(self) -> None:
        not_yet = (
            f"{self.name}: not yet a store of this version; run `groundbox log --store` on it once, or name another"
        )
        if self.rows("SELECT to_regclass('step') IS NULL") == [(True,)]:
            raise StoreError(not_yet)
        applied = {name for (name,) in self.rows("SELECT name FROM step")}
        refuse_newer(applied, schema.STEPS, self.name)
        try:
            for table in schema.KEYS:
                self.rows(f"{schema.select(table)} LIMIT 0")
        except (errors.UndefinedTable, errors.UndefinedColumn):
            raise StoreError(not_yet) from None
        if applied != set(schema.STEPS):
            raise StoreError(not_yet)


def leave(url: str, name: str, request: Mark | Acknowledge) -> None:
    """Puts a request into the tables at `url`, and into `handed`, which the writing programs read.

    Raises:
        StoreError: it is not stored.
    """
    reader = PostgresReader(url, name)
    try:
        with reader.store_errors(), reader.connection.transaction():
            # One program at a time, so that numbers become visible in their order.
            reader.execute("LOCK TABLE handed IN EXCLUSIVE MODE")
            key, kind = handover.new_id(request), type(request).__name__.lower()
            reader.execute(
                "INSERT INTO handed (id, kind, request) VALUES (?, ?, ?)", (key, kind, handover.as_json(request))
            )
            handover.take_over(reader, NO_RUN, key, request)
    finally:
        reader.close()


NO_RUN = 0  # left by a program that records nothing

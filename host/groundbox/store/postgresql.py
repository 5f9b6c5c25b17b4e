"""The store in a PostgreSQL database, for many boxes: looking into it, and saying in one line what is wrong."""

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
_SENTENCES: tuple[tuple[type[psycopg.Error], str], ...] = (
    (
        errors.DiskFull,
        "the server's disk is full; free some space: what is not stored yet stays on the boards meanwhile",
    ),
    (errors.InsufficientPrivilege, "this user may not do that there; ask for the right to create in that database"),
    (errors.ReadOnlySqlTransaction, "the server is read-only; name the one that may be written"),
    (errors.InvalidPassword, "wrong user or password; put the password into ~/.pgpass, not into the address"),
    (errors.InvalidCatalogName, "no such database; make it with createdb, or name another"),
    (errors.DeadlockDetected, "held up by another program"),
    (errors.LockNotAvailable, "held up by another program"),
)


@contextmanager
def _sentences(name: str) -> Iterator[None]:
    try:
        yield
    except psycopg.Error as error:
        raise StoreError(f"{name}: {_sentence(error)}") from error


def _sentence(error: psycopg.Error) -> str:
    for kind, sentence in _SENTENCES:
        if isinstance(error, kind):
            return sentence
    text = str(error)
    if error.sqlstate is None and isinstance(error, psycopg.OperationalError):
        for part, sentence in _BY_WORDS:
            if part in text:
                return sentence
        return "no PostgreSQL answers there, or it has gone; look at address, server and network"
    if isinstance(error, psycopg.ProgrammingError) and error.sqlstate is None:
        return "not an address that PostgreSQL understands; write postgresql://USER@HOST/DATABASE"
    return text.strip().partition("\n")[0] or type(error).__name__


# Refusals at the door come without a code: by the words of the server.
_BY_WORDS = (
    ("password", "wrong user or password; put the password into ~/.pgpass, not into the address"),
    ("authentication failed", "the server does not let this user in; look at its pg_hba.conf"),
    ("no pg_hba.conf entry", "the server does not let this user in from here; look at its pg_hba.conf"),
    ("does not exist", "no such user or database there; make them with createuser and createdb, or name others"),
)


@cache
def sql(statement: str) -> bytes:
    return statement.replace("%", "%%").replace("?", "%s").encode()


class PostgresReader:
    """Looks into the database at `url`; `name` is the address without secrets."""

    least, greatest = "least", "greatest"
    next_row = "nextval('row_order')"

    def __init__(self, url: str, name: str) -> None:
        self.name, self._url = name, url
        with self.sentences():
            self.connection = self._connect()
            try:
                self._check_version()
            except BaseException:
                self.close()
                raise

    def sentences(self) -> AbstractContextManager[None]:
        """See Engine."""
        return _sentences(self.name)

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
    """Puts a request into the tables at `url`, and where the programs that write there hear of it.

    Raises:
        StoreError: it could not be kept.
    """
    reader = PostgresReader(url, name)
    try:
        with reader.sentences(), reader.connection.transaction():
            # One after the other, so that numbers come into sight in their order.
            reader.execute("LOCK TABLE handed IN EXCLUSIVE MODE")
            key, kind = handover.new_id(request), type(request).__name__.lower()
            reader.execute(
                "INSERT INTO handed (id, kind, request) VALUES (?, ?, ?)", (key, kind, handover.as_json(request))
            )
            handover.take_over(reader, NO_RUN, key, request)
    finally:
        reader.close()


NO_RUN = 0  # left by a program that records nothing

"""Where a store is: a file, or the address of a PostgreSQL database. Secrets in an address are never shown."""

from pathlib import Path

from groundbox.errors import StoreError
from groundbox.model import Acknowledge, Mark
from groundbox.store import handover
from groundbox.store.engine import Engine, Writer
from groundbox.store.sqlite import SqliteReader, SqliteWriter, store_errors

SCHEMES = ("postgresql://", "postgres://")


def is_server(where: Path | str) -> bool:
    """True for the address of a database on a server, False for a file."""
    return isinstance(where, str) and where.startswith(SCHEMES)


def shown(where: Path | str) -> str:
    """`where` for people: without the password, and without what follows `?`, which may hold one."""
    if not is_server(where):
        return str(where)
    rest = str(where).partition("://")[2].partition("?")[0]
    user, at, host = rest.rpartition("@")
    return f"postgresql://{user.partition(':')[0]}{at}{host}"


def open_to_read(where: Path | str) -> Engine:
    """A connection to read with.

    Raises:
        StoreError: there is no connection; one line with the reason and what to do.
    """
    if is_server(where):
        from groundbox.store.postgresql import PostgresReader

        return PostgresReader(str(where), shown(where))
    return SqliteReader(Path(where))


def open_to_write(where: Path | str, busy_s: float, shared: bool = False) -> Writer:
    """A connection to write with; `shared` where other programs may write too, which only a server allows.

    Raises:
        StoreError: there is no connection; one line with the reason and what to do.
    """
    if is_server(where):
        from groundbox.store.postgresql_writer import PostgresWriter

        return PostgresWriter(str(where), shown(where), shared)
    if shared:
        raise StoreError(f"{where}: only one program can write a file; to share, name a postgresql:// store")
    return SqliteWriter(Path(where), busy_s)


def leave(where: Path | str, request: Mark | Acknowledge) -> None:
    """Leaves a request for the program that writes the store.

    Raises:
        StoreError: it cannot be left.
    """
    if is_server(where):
        from groundbox.store.postgresql import leave as leave_on_server

        leave_on_server(str(where), shown(where), request)
        return
    with store_errors(Path(where)):
        handover.leave(Path(where), request)

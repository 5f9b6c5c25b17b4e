"""Records for the store, as the link would make them."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import psycopg
import pytest
from psycopg.types.numeric import FloatLoader
from tests import postgres

from groundbox.conversion import from_wire
from groundbox.model import Event, Hello, Reading
from groundbox.store import Store
from groundbox.wire.messages import checksum, fields_of

WALL_S = 1_760_000_000.0


def reading(sequence: int, box: str = "mast", boot: int = 3, start_s: float | None = WALL_S, **wire: object) -> Reading:
    """Reading number `sequence`, taken `sequence` seconds after a start at `start_s`."""
    values: dict[str, object] = {name: None for name, *_ in fields_of("reading")}
    values.update(box=box, boot=boot, sequence=sequence, uptime_ms=sequence * 1000)
    values.update(battery_mv=12_000 + sequence % 500, case_sensor="ok", **wire)
    dated = {} if start_s is None else {"wall_s": start_s + sequence, "wall_uncertainty_s": 0.01}
    return from_wire(Reading, list(values.values()), wall_source=None if start_s is None else "exchange", **dated)


def look(where: Path | str, *statements: str) -> list[tuple[object, ...]]:
    """Does statements to the database, past the program; the rows that the last one finds."""
    if isinstance(where, Path):
        with closing(sqlite3.connect(where, isolation_level=None)) as lite:
            for statement in statements:
                found = lite.execute(statement)
            return found.fetchall()
    with psycopg.connect(where, autocommit=True, options="-c search_path=groundbox") as connection:
        connection.adapters.register_loader("numeric", FloatLoader)
        for statement in statements:
            cursor = connection.execute(statement.encode())
        return cursor.fetchall() if cursor.description else []


def event(sequence: int, kind: str = "launch", box: str = "mast", boot: int = 3) -> Event:
    values = [box, boot, sequence, sequence * 1000, kind, None]
    return from_wire(Event, values, wall_s=WALL_S + sequence, wall_uncertainty_s=0.01, wall_source="exchange")


def hello(sequence: int = 0, box: str = "mast", boot: int = 3, oldest: int = 1, again: bool = False) -> Hello:
    about = ["0.1.0", checksum(), "00000000", "fake", "power", 500, oldest, sequence * 1000 + 10]
    return from_wire(
        Hello, [box, boot, sequence, *about], wall_s=WALL_S + sequence, wall_source="exchange", again=again
    )


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "session.db"


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """The address of a PostgreSQL."""
    if postgres.programs() is None:
        pytest.skip("PostgreSQL is not installed (apt-get install postgresql)")
    with postgres.cluster() as url:
        yield url


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request: pytest.FixtureRequest, path: Path) -> Path | str:
    """Where an empty store is to be: both kinds in turn."""
    if request.param == "sqlite":
        return path
    return str(request.getfixturevalue("emptied"))


@pytest.fixture
def emptied(server: str) -> str:
    """A PostgreSQL without a store."""
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute("DROP SCHEMA IF EXISTS groundbox CASCADE")
    return server


@pytest.fixture
def store(where: Path | str) -> Iterator[Store]:
    with Store(where) as store:
        yield store


@pytest.fixture
def make_reading() -> Callable[..., Reading]:
    return reading


@pytest.fixture
def make_event() -> Callable[..., Event]:
    return event


@pytest.fixture
def make_hello() -> Callable[..., Hello]:
    return hello


@pytest.fixture
def wall_s() -> float:
    return WALL_S

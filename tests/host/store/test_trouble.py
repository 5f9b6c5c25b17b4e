"""Each foreseeable trouble with the database: one clear line, and nothing acknowledged is lost."""

import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from tests.host.store.conftest import look

from groundbox.errors import StoreError
from groundbox.model import Mark
from groundbox.store import Reader, Store, hand_over
from groundbox.store.disk_reserve import RESERVE_BYTES
from groundbox.store.schema import STEPS

NOBODY = 65534


def test_no_database_to_read(path: Path) -> None:
    with pytest.raises(StoreError, match="no such database") as caught:
        Reader(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_not_a_database(path: Path) -> None:
    path.write_bytes(b"This is a shopping list. " * 100)
    for opening in (Store, Reader):
        with pytest.raises(StoreError, match="not a database"):
            opening(path)
    assert path.read_bytes().startswith(b"This is a shopping list."), "left as it was"


def test_a_database_of_another_program(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE birds (name TEXT)")
    connection.close()
    with pytest.raises(StoreError, match="another program"):
        Store(path)
    with pytest.raises(StoreError, match="not yet a store"):
        Reader(path)


def test_a_newer_version_is_refused_and_untouched(where: Path | str) -> None:
    Store(where).close()
    look(where, "INSERT INTO step (name) VALUES ('year_2040')")
    for opening in (Store, Reader):
        with pytest.raises(StoreError, match=r"newer version of groundbox \(it has year_2040\)"):
            opening(where)


def test_a_second_writer_is_refused_until_the_first_ends(where: Path | str) -> None:
    first = Store(where)
    with pytest.raises(StoreError, match="another groundbox is writing"):
        Store(where)
    first.close()
    Store(where).close()


def test_locked_by_another_program_nothing_is_lost(path: Path, make_reading, make_hello) -> None:
    with Store(path, busy_s=0.1) as store:
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        store.add([make_hello(), make_reading(1)])
        with pytest.raises(StoreError, match="locked by another program"):
            store.commit()
        assert store.waiting == 2
        store.add([make_reading(2)])
        other.execute("ROLLBACK")
        other.close()
        done = store.commit()
        assert done.inserted == 2
        assert done.stored[0].sequence == 2


def test_locked_when_opened(path: Path) -> None:
    Store(path).close()
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreError, match="locked by another program"):
        Store(path, busy_s=0.1)
    other.close()
    Store(path).close()


def test_full_nothing_is_lost_and_reading_goes_on(path: Path, make_reading, make_hello) -> None:
    """The pages are limited in place of the disk; SQLite's answer is the same SQLITE_FULL."""
    with Store(path) as store:
        store.add([make_hello(), *map(make_reading, range(1, 11))])
        store.commit()
        reserve = path.with_name(path.name + ".reserve")
        assert reserve.stat().st_size == RESERVE_BYTES
        store._engine.connection.execute("PRAGMA max_page_count = 1")  # SQLite takes what is there already as the least
        store.add(map(make_reading, range(11, 2011)))
        for _ in range(2):
            with pytest.raises(StoreError, match="the disk is full"):
                store.commit()
        assert not reserve.exists(), "deleted to make room"
        assert store.latest("mast").sequence == 10
        assert store.waiting == 2000
        store._engine.connection.execute("PRAGMA max_page_count = 1000000")
        done = store.commit()
        assert done.inserted == 2000
        assert done.stored[0].sequence == 2010
        assert "the reserve of 4 MB is in use" in done.notices[0]
        assert reserve.exists(), "and made again when there is room"
        assert "the disk has space again" in done.notices[1]
        assert store.commit().notices == ()


def test_the_reserve_saves_the_commit(path: Path, make_reading, make_hello, monkeypatch: pytest.MonkeyPatch) -> None:
    with Store(path) as store:
        store._engine.connection.execute("PRAGMA max_page_count = 1")
        real_release = store._engine.reserve.release

        def release() -> bool:
            store._engine.connection.execute("PRAGMA max_page_count = 1000000")
            return real_release()

        monkeypatch.setattr(store._engine.reserve, "release", release)
        store.add([make_hello(), *map(make_reading, range(1, 2001))])
        done = store.commit()
        assert done.inserted == 2000
        assert "is in use: free space" in done.notices[0]


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that any user can reach, unlike pytest's own."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        yield folder


@contextmanager
def _ordinary_user() -> Iterator[None]:
    """Rights do not bind root."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.mark.parametrize(("folder_mode", "file_mode"), [(0o777, 0o444), (0o555, 0o666), (0o555, 0o444)])
def test_read_only(folder_mode: int, file_mode: int, open_folder: Path, make_reading) -> None:
    path = open_folder / "session.db"
    with Store(path) as store:
        store.add([make_reading(1)])
        store.commit()
    path.chmod(file_mode)
    path.with_name(path.name + ".lock").chmod(0o666)
    open_folder.chmod(folder_mode)
    with _ordinary_user(), pytest.raises(StoreError, match="read-only; make the file and its folder writable"):
        Store(path)
    open_folder.chmod(0o755)
    with Reader(path) as reader:
        assert reader.latest("mast").sequence == 1


def test_a_folder_in_which_nothing_can_be_made(open_folder: Path) -> None:
    with _ordinary_user(), pytest.raises(StoreError, match="cannot be opened; check that folder and file"):
        Store(open_folder / "session.db")


def test_from_nothing_and_again(path: Path) -> None:
    Store(path.parent / "new" / "folder" / path.name).close()
    Store(path).close()
    Store(path).close()
    connection = sqlite3.connect(path)
    applied = [row[0] for row in connection.execute("SELECT name FROM step")]
    runs = connection.execute("SELECT run, database FROM run").fetchall()
    connection.close()
    assert set(applied) == set(STEPS)
    assert runs == [(1, sqlite3.sqlite_version), (2, sqlite3.sqlite_version)]


def test_a_field_the_registry_has_gained_becomes_a_column(where: Path | str, make_reading, make_hello) -> None:
    """A database made before `intake_centi_c` was thought of keeps its rows and takes new ones."""
    with Store(where) as store:
        store.add([make_hello(), make_reading(1)])
        store.commit()
    look(where, "ALTER TABLE reading DROP COLUMN intake_centi_c")
    with pytest.raises(StoreError, match=r"run `groundbox log.*` on it once"):
        Reader(where)
    with Store(where) as store:
        store.add([make_reading(2, intake_centi_c=2150)])
        store.commit()
        assert [one.intake_c for one in store.readings("mast")] == [None, 21.5]


def test_damaged(path: Path, make_reading, make_hello) -> None:
    with Store(path) as store:
        store.add([make_hello(), *map(make_reading, range(1, 2001))])
        store.commit()
    data = bytearray(path.read_bytes())
    data[8192:] = b"\xa5" * (len(data) - 8192)
    path.write_bytes(bytes(data))
    with pytest.raises(StoreError, match="damaged"), Reader(path) as reader:
        list(reader.readings("mast"))


@pytest.mark.parametrize(
    "call", ["Store(where)", "Reader(where)", "Store(where, shared=True)", "hand_over(where, mark)"]
)
def test_a_server_without_what_speaks_to_it(call: str) -> None:
    program = (
        "import sys; sys.modules['psycopg'] = None\n"
        "from groundbox.errors import StoreError\n"
        "from groundbox.model import Mark\n"
        "from groundbox.store import Reader, Store, hand_over\n"
        "where, mark = 'postgresql://pilot@club/boxes', Mark(box='mast', kind='launch', wall_s=1.0)\n"
        f"try: {call}\n"
        "except StoreError as error: print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout == "a store in PostgreSQL needs psycopg: pip install 'groundbox[postgresql]'\n"


def test_a_write_ahead_log_that_nobody_empties_is_reported_once(path: Path, make_reading, monkeypatch) -> None:
    with Store(path) as store:
        store.add([make_reading(1)])
        assert store.commit().notices == ()
        size = path.with_name(path.name + "-wal").stat().st_size
        monkeypatch.setattr("groundbox.store.sqlite.LARGE_LOG_BYTES", size + 1)
        store._engine._warned_of_log = False
        assert store._engine._log_notice() == []
        monkeypatch.setattr("groundbox.store.sqlite.LARGE_LOG_BYTES", size)
        assert "close the program that keeps the database open" in store._engine._log_notice()[0]
        assert store._engine._log_notice() == []


def test_readings_of_a_server_are_partitioned_by_the_day(emptied: str, make_reading) -> None:
    before = int(time.time() // 86_400)
    with Store(emptied) as store:
        store.add([make_reading(1), make_reading(2, boot=4)])
        store.commit()
    days = {day for (day,) in look(emptied, "SELECT day FROM start")}
    assert days <= {before, before + 1}
    assert {day for (day,) in look(emptied, "SELECT day FROM reading")} == days


@pytest.mark.skipif(os.name == "nt", reason="Windows does not delete or rename a file that is open")
@pytest.mark.parametrize("how", ["deleted", "all deleted", "renamed", "replaced"])
def test_stored_is_said_only_of_a_file_that_is_still_there(path: Path, make_reading, make_hello, how: str) -> None:
    """The rows move to a new file beside, what was acknowledged too, and the person is informed once."""
    with Store(path) as store:
        store.add([make_hello(), *(make_reading(number) for number in range(1, 50))])
        store.add_mark(Mark(box="mast", kind="launch", wall_s=100.0))
        assert [stored.sequence for stored in store.commit().stored] == [49]
        if how == "renamed":
            path.rename(path.with_name("other.db"))
        elif how == "replaced":
            (path.parent / "copy.db").write_bytes(b"another file")
            (path.parent / "copy.db").rename(path)
        for file in path.parent.glob("session.db*") if how == "all deleted" else [path] if how == "deleted" else []:
            file.unlink()
        store.add([make_reading(number) for number in range(50, 60)])
        done = store.commit()
        assert [stored.sequence for stored in done.stored] == [59]
        beside = path.with_name("session-2.db")
        assert [str(beside) in line for line in done.notices] == [True]
        assert store.name == str(beside)
        hand_over(path, Mark(box="mast", kind="landing", wall_s=200.0))
        done = store.commit()
        assert [mark.kind for mark in done.handed] == ["landing"], "marks are still left at the first name"
        assert done.notices == ()
        with pytest.raises(StoreError, match="another groundbox"):
            Store(beside, busy_s=0.1)
    with Reader(beside) as reader:
        assert [reading.sequence for reading in reader.readings("mast", 0.0)] == list(range(1, 60))
        assert [mark.kind for mark in reader.marks()] == ["launch", "landing"]
    assert how != "replaced" or path.read_bytes() == b"another file"


@pytest.mark.skipif(os.name == "nt", reason="Windows does not delete a file that is open")
def test_where_no_file_can_be_made_beside_nothing_is_said_to_be_stored(path: Path, make_reading, make_hello) -> None:
    folder = path.parent / "drive"
    folder.mkdir()
    with Store(folder / "session.db") as store:
        store.add([make_hello(), make_reading(1)])
        store.commit()
        folder.rename(path.parent / "elsewhere")
        folder.touch()
        store.add([make_reading(2)])
        with pytest.raises(StoreError, match="session"):
            store.commit()
        assert store.waiting == 1
        folder.unlink()
        assert [stored.sequence for stored in store.commit().stored] == [2]
    with Reader(folder / "session-2.db") as reader:
        assert [reading.sequence for reading in reader.readings("mast", 0.0)] == [1, 2]

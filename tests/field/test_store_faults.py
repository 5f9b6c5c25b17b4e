"""A disk that fails under the store: power cut, errors, full, locked. Counted; full counts with `make endurance`."""

import random
import sqlite3
import threading
import time
from contextlib import suppress
from pathlib import Path

import pytest
from tests.benchmarks import faults
from tests.host.store import disk as failing
from tests.host.store.disk import FULL, IOERR, OK, Disk

from groundbox.conversion import from_wire
from groundbox.errors import StoreError
from groundbox.model import Hello, Reading
from groundbox.store import Reader, Store
from groundbox.wire.messages import checksum, fields_of

BATCH, WALL_S = 20, 1_800_000_000.0
NAMES = [name for name, *_ in fields_of("reading")]
pytestmark = pytest.mark.skipif(not failing.there(), reason="this Python carries its own SQLite, out of a test's reach")


def _millivolts(sequence: int) -> int:
    return 11_000 + sequence * 7919 % 2000


def _batch(first: int) -> list[Reading]:
    found = []
    for sequence in range(first, first + BATCH):
        known = {"box": "mast", "boot": 3, "sequence": sequence, "uptime_ms": 1000 * sequence}
        known["battery_mv"] = known["battery_min_mv"] = known["battery_max_mv"] = _millivolts(sequence)
        values = [known.get(name) for name in NAMES]
        found.append(from_wire(Reading, values, wall_s=WALL_S + sequence, wall_source="exchange"))
    return found


def _hello(oldest: int) -> Hello:
    about = ["0.1.0", checksum(), "00000000", "fake", "power", 500, oldest, oldest * 1000]
    return from_wire(Hello, ["mast", 3, oldest - 1, *about], wall_s=WALL_S + oldest, wall_source="exchange")


class _Count:
    """What was sent and confirmed as stored, and what the store has of it."""

    def __init__(self, path: Path) -> None:
        self.path, self.sent, self.confirmed, self.recovery_s = path, 0, 0, 0.0

    def ingest(self, store: Store, batches: int, retry: int = 0) -> None:
        """Batches after the confirmed record, as a board sends them."""
        store.add([_hello(self.confirmed + 1)])
        first = self.confirmed + 1
        for _ in range(batches):
            store.add(_batch(first))
            first += BATCH
            self.sent = max(self.sent, first - 1)
            for attempt in range(retry + 1):
                try:
                    done = store.commit()
                    break
                except StoreError:
                    if attempt == retry:
                        raise
            for stored in done.stored:
                self.confirmed = stored.sequence

    def lost_and_invented(self) -> tuple[int, int]:
        """Confirmed but not there; there but never sent, or with other contents, or wrong sums."""
        connection = sqlite3.connect(self.path)
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        summed = connection.execute("SELECT coalesce(sum(readings), 0) FROM reading_minute").fetchone()[0]
        connection.close()
        with Reader(self.path) as reader:
            kept = dict(reader.series("mast", ["sequence", "battery_mv"]))
        lost = sum(sequence not in kept for sequence in range(1, self.confirmed + 1))
        false = sum(
            sequence > self.sent or millivolts != _millivolts(sequence) for sequence, millivolts in kept.items()
        )
        return lost, false + abs(summed - len(kept))


# --- power ---


def _power_cuts(folder: Path, cuts: int, careless: bool = False) -> tuple[_Count, int, int]:
    """Cuts the power at a random operation of the disk, again and again, each time going on with what is left."""
    dice, count, lost, invented = random.Random(11), _Count(folder / "session.db"), 0, 0
    Store(count.path).close()
    for _ in range(cuts):
        disk = Disk()
        with disk.in_use():
            store = Store(count.path)
            if careless:
                store._engine.connection.execute("PRAGMA synchronous = NORMAL")
            at = disk.operations + dice.randint(1, 250)
            disk.verdict = lambda number, name, at=at: OK if number < at else IOERR
            with suppress(StoreError):
                count.ingest(store, 1000)
            with suppress(sqlite3.Error):
                store.close()
        disk.cut_power(dice)
        began_s = time.perf_counter()
        Store(count.path).close()
        count.recovery_s = max(count.recovery_s, time.perf_counter() - began_s)
        now_lost, now_invented = count.lost_and_invented()
        lost, invented = lost + now_lost, invented + now_invented
        if careless and lost:
            break
    return count, lost, invented


def test_power_cuts_lose_nothing_confirmed(tmp_path: Path) -> None:
    count, lost, invented = _power_cuts(tmp_path, 25)
    assert (lost, invented) == (0, 0)
    assert count.confirmed > 200


def test_the_power_cut_bites(tmp_path: Path) -> None:
    """With commits that are not flushed, the same cuts lose confirmed records."""
    _, lost, _ = _power_cuts(tmp_path, 60, careless=True)
    assert lost > 0


@pytest.mark.endurance
def test_power_cuts_300(tmp_path: Path) -> None:
    count, lost, invented = _power_cuts(tmp_path, 300)
    slowest = f"opened again in {1000 * count.recovery_s:.0f} ms at most"
    faults.keep("Store in SQLite", [("power cut 300 times", count.sent, count.confirmed, lost, invented, slowest)])
    assert (lost, invented) == (0, 0)


# --- errors ---


def _one_error(path: Path, at: int, code: int) -> tuple[_Count, int, bool]:
    """Fails operation `at` once; (count, openings that failed, whether it came so far)."""
    disk, count, refused = Disk(), _Count(path), 0
    disk.verdict = lambda number, name: code if number == at and (code == IOERR or name == "write") else OK
    with disk.in_use():
        while True:
            try:
                store = Store(path)
                break
            except StoreError as error:
                refused += 1
                if refused == 3 or "\n" in str(error):
                    raise
        with suppress(sqlite3.Error), store:
            count.ingest(store, 3, retry=2)
    return count, refused, disk.operations >= at


def _errors(folder: Path, code: int, step: int) -> tuple[int, int, int, int, int]:
    """An error at every `step`th operation in turn; (runs, sent, confirmed, lost, invented)."""
    totals, at = [0, 0, 0, 0, 0], 1
    while True:
        (folder / f"{at}").mkdir()
        count, _, reached = _one_error(folder / f"{at}" / "session.db", at, code)
        if not reached:
            return totals[0], totals[1], totals[2], totals[3], totals[4]
        lost, invented = count.lost_and_invented()
        assert count.confirmed == count.sent == 3 * BATCH, f"operation {at}"
        for place, value in enumerate((1, count.sent, count.confirmed, lost, invented)):
            totals[place] += value
        at += step


@pytest.mark.parametrize("code", [IOERR, FULL])
def test_an_error_at_one_operation(code: int, tmp_path: Path) -> None:
    runs, _, _, lost, invented = _errors(tmp_path, code, step=9)
    assert runs > 10
    assert (lost, invented) == (0, 0)


@pytest.mark.endurance
@pytest.mark.parametrize(("code", "name"), [(IOERR, "I/O error"), (FULL, "disk full")])
def test_an_error_at_every_operation(code: int, name: str, tmp_path: Path) -> None:
    runs, sent, confirmed, lost, invented = _errors(tmp_path, code, step=1)
    faults.keep(
        "Store in SQLite",
        [
            (
                f"{name} at the first, second, ... operation",
                sent,
                confirmed,
                lost,
                invented,
                f"{runs} runs, one error in each",
            )
        ],
    )
    assert (lost, invented) == (0, 0)


def test_full_for_a_while(tmp_path: Path) -> None:
    """The disk fills up, the reserve saves a commit or not, room is made, and the ballast is laid by again."""
    disk, count = Disk(), _Count(tmp_path / "session.db")
    with disk.in_use(), Store(count.path) as store:
        reserve = tmp_path / "session.db.reserve"
        count.ingest(store, 3)
        for _ in range(3):
            assert reserve.exists()
            disk.verdict = lambda number, name: FULL if name == "write" else OK
            for _ in range(2):
                with pytest.raises(StoreError, match="the disk is full"):
                    count.ingest(store, 1)
            assert not reserve.exists(), "its room is given"
            assert store.latest("mast").sequence == count.confirmed, "reading still works"
            disk.verdict = lambda number, name: OK
            count.ingest(store, 2)
            assert reserve.exists(), "made again"
    assert count.lost_and_invented() == (0, 0)
    assert count.confirmed == count.sent


# --- another program ---


def _locked(path: Path, turns: int) -> tuple[_Count, int]:
    """Another program holds the database now and then; (count, refusals)."""
    dice, count, refused, over = random.Random(3), _Count(path), 0, threading.Event()
    with Store(path, busy_s=0.005) as store:

        def hold() -> None:
            other = sqlite3.connect(path, isolation_level=None, timeout=5.0)
            while not over.is_set():
                other.execute("BEGIN IMMEDIATE")
                time.sleep(0.06 * dice.random())
                other.execute("ROLLBACK")
                time.sleep(0.005 * dice.random())
            other.close()

        holder = threading.Thread(target=hold)
        holder.start()
        try:
            for _ in range(turns):
                try:
                    count.ingest(store, 1)
                except StoreError as error:
                    refused += "locked by another program" in str(error)
        finally:
            over.set()
            holder.join()
        count.ingest(store, 1)
    return count, refused


def test_locked_now_and_then(tmp_path: Path) -> None:
    count, refused = _locked(tmp_path / "session.db", 60)
    assert refused > 0
    assert count.confirmed == count.sent
    assert count.lost_and_invented() == (0, 0)


@pytest.mark.endurance
def test_locked_2000_turns(tmp_path: Path) -> None:
    count, refused = _locked(tmp_path / "session.db", 2000)
    lost, invented = count.lost_and_invented()
    besides = f"{refused} commits refused and tried again"
    faults.keep(
        "Store in SQLite", [("locked by another program", count.sent, count.confirmed, lost, invented, besides)]
    )
    assert (lost, invented) == (0, 0)
    assert count.confirmed == count.sent

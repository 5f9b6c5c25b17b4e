"""A store in PostgreSQL: program or server killed at any moment, messages doubled; nothing confirmed is lost."""

import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator

import psycopg
import pytest
from tests import postgres
from tests.benchmarks import faults

from groundbox.conversion import from_wire
from groundbox.errors import StoreError
from groundbox.model import Reading
from groundbox.store import Reader, Store
from groundbox.wire.messages import fields_of

SECTION = "Store in PostgreSQL"
BLANK = [None] * (len(fields_of("reading")) - 4)
WRITER = """
import sys
from groundbox.conversion import from_wire
from groundbox.model import Reading
from groundbox.store import Store
from groundbox.wire.messages import fields_of
where, first = sys.argv[1], int(sys.argv[2])
blank = [None] * (len(fields_of("reading")) - 4)
store = Store(where)
print("open", flush=True)
while True:
    batch = [from_wire(Reading, ["mast", 3, n, n * 10, *blank], wall_s=1.8e9 + n) for n in range(first, first + 50)]
    store.add(batch)
    first += 50
    store.commit()
    print("confirmed", first - 1, flush=True)
"""


def _reading(sequence: int) -> Reading:
    return from_wire(Reading, ["mast", 3, sequence, sequence * 10, *BLANK], wall_s=1.8e9 + sequence)


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    if postgres.programs() is None:
        pytest.skip("PostgreSQL is not installed (apt-get install postgresql)")
    with postgres.cluster(durable=True) as url:
        yield url


@pytest.fixture
def server(cluster: str) -> str:
    with psycopg.connect(cluster, autocommit=True) as connection:
        connection.execute("DROP SCHEMA IF EXISTS groundbox CASCADE")
    return cluster


def _kept(server: str) -> list[int]:
    """What is in the store; its sums must say the same."""
    with Reader(server) as reader:
        kept = [sequence for (sequence,) in reader.series("mast", ["sequence"])]
        assert sum(row[1] for row in reader.summed("mast", 1.8e9, 1.8e9 + 1e6, 1)) == len(kept)
    return kept


def _until_alone(server: str) -> None:
    """Waits until the server has done with what a killed program had begun."""
    others = "SELECT count(*) FROM pg_stat_activity WHERE application_name = 'groundbox'"
    with psycopg.connect(server, autocommit=True) as connection:
        while connection.execute(others).fetchall() != [(0,)]:
            time.sleep(0.02)


def _killed_writers(server: str, kills: int) -> tuple[int, float]:
    dice, confirmed, slowest_s = random.Random(5), 0, 0.0
    for _ in range(kills):
        began_s = time.perf_counter()
        words = [sys.executable, "-c", WRITER, server, str(confirmed + 1)]
        writer = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        assert writer.stdout is not None
        assert writer.stdout.readline() == "open\n"
        slowest_s = max(slowest_s, time.perf_counter() - began_s)
        time.sleep(dice.uniform(0.0, 0.4))
        writer.send_signal(signal.SIGKILL)
        whole = writer.communicate()[0].split("\n")[:-1]  # what it was saying when killed may be torn
        said = [int(line.split()[1]) for line in whole]
        confirmed = max([confirmed, *said])
        _until_alone(server)
        kept = _kept(server)
        assert kept[:confirmed] == list(range(1, confirmed + 1))
        assert len(kept) - confirmed in (0, 50)
    return confirmed, slowest_s


def test_a_killed_writer(server: str) -> None:
    confirmed, _ = _killed_writers(server, 4)
    assert confirmed > 0


@pytest.mark.endurance
def test_50_killed_writers(server: str) -> None:
    confirmed, slowest_s = _killed_writers(server, 50)
    besides = f"program started and writing again in {slowest_s:.1f} s at most"
    faults.keep(SECTION, [("writer SIGKILLed 50 times", confirmed, confirmed, 0, 0, besides)])


def _killed_servers(server: str, kills: int) -> tuple[int, int, float]:
    """(confirmed, commits refused, longest time without a commit) while the server is killed and started again."""
    first, refused, slowest_s, over = 1, 0, 0.0, threading.Event()

    def kill() -> None:
        for _ in range(kills):
            time.sleep(0.3)
            postgres.restart(server)
        over.set()

    with Store(server) as store:
        killer = threading.Thread(target=kill)
        killer.start()
        committed_s = time.monotonic()
        while not over.is_set() or store.waiting:
            if not store.waiting:
                store.add(map(_reading, range(first, first + 50)))
                first += 50
            try:
                store.commit()
            except StoreError as error:
                assert "\n" not in str(error)  # noqa: PT017
                refused += 1
                time.sleep(0.05)
                continue
            slowest_s, committed_s = max(slowest_s, time.monotonic() - committed_s), time.monotonic()
        killer.join()
    assert _kept(server) == list(range(1, first))
    return first - 1, refused, slowest_s


def test_a_killed_server(server: str) -> None:
    confirmed, refused, _ = _killed_servers(server, 2)
    assert confirmed > 0
    assert refused > 0


@pytest.mark.endurance
def test_20_killed_servers(server: str) -> None:
    confirmed, refused, slowest_s = _killed_servers(server, 20)
    besides = f"{refused} commits refused and tried again; {slowest_s:.1f} s without a commit at most"
    faults.keep(SECTION, [("server killed 20 times", confirmed, confirmed, 0, 0, besides)])


@pytest.mark.endurance
@pytest.mark.parametrize("kind", ["SQLite", "PostgreSQL"])
def test_delivered_one_to_five_times_shuffled(kind: str, server: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    where = server if kind == "PostgreSQL" else tmp_path_factory.mktemp("shuffled") / "day.db"
    dice, count = random.Random(1), 20_000
    deliveries = [number for number in range(1, count + 1) for _ in range(dice.randint(1, 5))]
    dice.shuffle(deliveries)
    with Store(where) as store:
        for begin in range(0, len(deliveries), 700):
            store.add(map(_reading, deliveries[begin : begin + 700]))
            store.commit()
    with Reader(where) as reader:
        kept = [sequence for (sequence,) in reader.series("mast", ["sequence"])]
        summed = sum(row[1] for row in reader.summed("mast", 1.8e9, 1.8e9 + 1e6, 1))
    assert kept == list(range(1, count + 1))
    assert summed == count
    row = ("each delivered 1 to 5 times, shuffled", count, len(set(kept)), 0, 0, f"{len(deliveries)} deliveries")
    faults.keep(f"Store in {kind}", [row])

"""Killed at any moment (SIGKILL), the store opens again, and nothing that was confirmed as stored is lost."""

import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
import tty
from pathlib import Path

import pytest
from tests.benchmarks import faults

from groundbox.store import Reader
from groundbox.wire import line
from groundbox.wire.messages import checksum, fields_of

KILLS = 20

WRITER = """
import os, sys
from groundbox.conversion import from_wire
from groundbox.model import Reading, Hello, Mark
from groundbox.store import Store, handover
from groundbox.wire.messages import checksum, fields_of
path, first = sys.argv[1], int(sys.argv[2])
blank = [None] * (len(fields_of("reading")) - 4)
store = Store(path)
about = ["0.1.0", checksum(), "00000000", "fake", "power", 500, first, first * 10]
store.add([from_wire(Hello, ["mast", 3, first - 1, *about])])
print("open", flush=True)
while True:
    store.add([from_wire(Reading, ["mast", 3, n, n * 10, *blank]) for n in range(first, first + 50)])
    name = f"{os.getpid()} {first}"
    handover.leave(store._engine.path, Mark(box="mast", kind="charge", name=name, wall_s=float(first)))
    first += 50
    for stored in store.commit().stored:
        print("confirmed", stored.sequence, flush=True)
"""

HOST = """
import sys, time
from groundbox.link.clock import Clocks
from groundbox.link.serial_link import SerialPorts
from groundbox.link.source import Arrivals
from groundbox.store import Store
store, arrivals = Store(sys.argv[1]), Arrivals()
ports = SerialPorts(arrivals, Clocks(wall_s=time.time, monotonic_s=time.monotonic), [sys.argv[2]])
ports.start()
while True:
    store.add(arrivals.take(wait_s=0.05))
    ports.acknowledge_stored(store.commit().stored)
    arrivals.committed()
"""


def _started(script: str, *arguments: object) -> subprocess.Popen[str]:
    return subprocess.Popen([sys.executable, "-c", script, *map(str, arguments)], stdout=subprocess.PIPE, text=True)


def _kill(process: subprocess.Popen[str]) -> list[str]:
    """Ends it without a chance to tidy up; the lines it had said to their end."""
    process.send_signal(signal.SIGKILL)
    said = process.communicate()[0].rpartition("\n")[0].splitlines()
    assert process.returncode == -signal.SIGKILL, said
    return said


def _check_whole(path: Path) -> None:
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    connection.close()


def _kill_again_and_again(path: Path, kills: int) -> tuple[int, int, float]:
    """(confirmed, commits, longest opening in seconds); each loss or doubling is an error."""
    dice, confirmed, commits, slowest_s = random.Random(5), 0, 0, 0.0
    for _ in range(kills):
        writer = _started(WRITER, path, confirmed + 1)
        assert writer.stdout is not None
        assert writer.stdout.readline() == "open\n"
        time.sleep(dice.uniform(0.0, 0.3))
        said = [int(words[1]) for words in map(str.split, _kill(writer)) if words[:1] == ["confirmed"]]
        confirmed, commits = max([confirmed, *said]), commits + len(said)
        began_s = time.perf_counter()
        with Reader(path) as reader:
            slowest_s = max(slowest_s, time.perf_counter() - began_s)
            kept = [sequence for (sequence,) in reader.series("mast", ["sequence"])]
            marks = [mark.name for mark in reader.marks()]
        assert kept[:confirmed] == list(range(1, confirmed + 1))
        assert len(kept) - confirmed in (0, 50), "at most the batch that was committed and not yet confirmed"
        assert len(set(marks)) == len(marks) >= commits, "each once"
        _check_whole(path)
    assert commits > kills
    return confirmed, commits, slowest_s


def test_nothing_confirmed_is_lost(tmp_path: Path) -> None:
    confirmed, commits, slowest_s = _kill_again_and_again(tmp_path / "session.db", KILLS)
    print(f"killed {KILLS} times in {commits} commits: confirmed {confirmed}, lost 0, opened within {slowest_s:.2f} s")


@pytest.mark.endurance
def test_nothing_confirmed_is_lost_in_200_kills(tmp_path: Path) -> None:
    confirmed, commits, slowest_s = _kill_again_and_again(tmp_path / "session.db", 200)
    besides = f"{commits} commits; opened again in {1000 * slowest_s:.0f} ms at most"
    faults.keep("Store in SQLite", [("writer SIGKILLed 200 times", confirmed, confirmed, 0, 0, besides)])


class _Board(threading.Thread):
    """A board at a pseudo-terminal that deletes a record after the host confirmed it as stored."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        path.symlink_to(os.ttyname(self._slave))
        self._blank = [None] * (len(fields_of("reading")) - 4)
        self._held: dict[int, bytes] = {}
        self._out, self._heard = b"", b""
        self.sequence = self.confirmed = 0
        self.measuring, self.on = True, True

    def run(self) -> None:
        began_s = time.monotonic()
        while self.on:
            self._uptime_ms = round((time.monotonic() - began_s) * 1000)
            if self.measuring and self._uptime_ms > 5 * self.sequence:
                self.sequence += 1
                values = ["mast", 3, self.sequence, self._uptime_ms, *self._blank]
                self._held[self.sequence] = line.encode("reading", values)
                self._out = (self._out + self._held[self.sequence])[-100_000:]  # torn lines when nobody reads
            self._hear()
            self._say()

    def _say(self) -> None:
        try:
            self._out = self._out[os.write(self._master, self._out[:1024]) :]
        except BlockingIOError:
            time.sleep(0.002)

    def _hear(self) -> None:
        try:
            self._heard += os.read(self._master, 4096)
        except BlockingIOError:
            return
        *lines, self._heard = self._heard.split(b"\n")
        for one in lines:
            try:
                self._obey(*line.decode(one))
            except ValueError:
                continue

    def _obey(self, name: str, values: list) -> None:
        head = ["mast", 3, self.sequence]
        if name == "who":
            about = ["0.1.0", checksum(), "00000000", "fake", "power", 500, min(self._held, default=self.sequence + 1)]
            self._out += line.encode("hello", [*head, *about, self._uptime_ms])
        elif name == "ask_clock":
            self._out += line.encode("clock", [*head, values[1], self._uptime_ms])
        elif name == "resend":
            self._out += b"".join(self._held[n] for n in range(values[2], values[3] + 1) if n in self._held)
        elif name == "stored":
            for sequence in range(self.confirmed + 1, values[3] + 1):
                self._held.pop(sequence)
            self.confirmed = max(self.confirmed, values[3])

    def close(self) -> None:
        self.on = False
        self.join()
        os.close(self._master)
        os.close(self._slave)


def test_link_and_store_together(tmp_path: Path) -> None:
    """The board deletes what is confirmed as stored: after all kills every record is in the store, once."""
    path, dice = tmp_path / "session.db", random.Random(6)
    board = _Board(tmp_path / "ttyBOARD")
    board.start()
    try:
        for _ in range(KILLS):
            host = _started(HOST, path, tmp_path / "ttyBOARD")
            time.sleep(dice.uniform(0.2, 1.2))
            _kill(host)
        board.measuring = False
        host = _started(HOST, path, tmp_path / "ttyBOARD")
        end_s = time.monotonic() + 60.0
        while board.confirmed < board.sequence and time.monotonic() < end_s:
            time.sleep(0.05)
        _kill(host)
    finally:
        board.close()
    assert board.confirmed == board.sequence > 1000
    with Reader(path) as reader:
        assert [sequence for (sequence,) in reader.series("mast", ["sequence"])] == list(range(1, board.sequence + 1))
    _check_whole(path)
    print(f"killed {KILLS} times while {board.sequence} records came: lost 0, twice 0")

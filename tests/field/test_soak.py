"""A day and a night of one box, firmware and host joined in virtual time: nothing lost, memory flat at both ends."""

import os
from collections.abc import Iterable
from concurrent.futures import Future
from pathlib import Path

import pytest
from tests.benchmarks import faults
from tests.host.monitor.test_recorder import Heard

from groundbox.link.clock import BoardMemory, Clocks, Moment
from groundbox.link.exchange import Exchange
from groundbox.link.source import Arrivals
from groundbox.model import Answer, Stored
from groundbox.monitor import recorder
from groundbox.rig import demo_boxes
from groundbox.rig.bench import Bench
from groundbox.rig.changes import SimChange
from groundbox.rig.console import BufferConsole
from groundbox.rig.process import interpreter_path
from groundbox.settings import load
from groundbox.store import Reader, Store

HOURS = 24
LEARNT_H = 5  # by then the first discharge has been learnt, which takes its readings into memory
START_S = 1_800_000_000.0
PAGE = os.sysconf("SC_PAGE_SIZE")
SETTINGS = """
database = "day.db"
[batteries.M9]
profile = "M9.toml"
[boxes.table]
battery = "M9"
cutoff_volts = 11.0
"""


class Cable(BufferConsole):
    """A Source in the same thread: what the board says goes through a Exchange into the queue."""

    def __init__(self, arrivals: Arrivals) -> None:
        super().__init__()
        self.now = Moment(wall_s=0.0, monotonic_s=0.0, real_s=0.0)
        self._arrivals = arrivals
        self._session = Exchange("cable", BoardMemory(), 1)

    def from_board(self, data: bytes) -> None:
        for item in self._session.receive(data, self.now):
            self._arrivals.put(item)

    def turn(self, now: Moment) -> None:
        """Lets the session do what is due."""
        self.now = now
        for item in self._session.tick(now):
            self._arrivals.put(item)
        self.send(self._session.output())

    def start(self) -> None:
        """See Source."""

    def stop(self) -> None:
        """See Source."""

    def acknowledge_stored(self, stored: Iterable[Stored]) -> None:
        """See Source."""
        for one in stored:
            self._session.acknowledge_stored(one)

    def command(self, box: str, name: str, **fields: int | str | None) -> Future[Answer]:
        """See Source."""
        future: Future[Answer] = Future()
        future.set_running_or_notify_cancel()
        self._session.command(box, name, fields, future, self.now)
        return future


def _resident_mb() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * PAGE / 1e6


def _charges() -> list[SimChange]:
    """Two hours of charge after each three of load."""
    return [
        SimChange(at_s=3600.0 * hour, thing="charger_amps", value=0.0 if number % 2 else 4.0)
        for number, hour in enumerate(hour for start in range(3, HOURS, 5) for hour in (start, start + 2))
    ]


@pytest.mark.endurance
@pytest.mark.skipif(interpreter_path() is None, reason="no micropython command here")
@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="memory is read where Linux tells it")
def test_a_day_and_a_night_lose_nothing_and_fill_no_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder, "TAKE_S", 0.0)
    monkeypatch.setattr(recorder, "ESTIMATE_EVERY_S", 10.0)
    (tmp_path / "M9.toml").write_text("c20_ah = 9.0\n")
    (tmp_path / "groundbox.toml").write_text(SETTINGS)
    settings = load(tmp_path / "groundbox.toml")
    arrivals = Arrivals()
    cable = Cable(arrivals)
    board = Bench(demo_boxes.TABLE, tmp_path / "board", changes=_charges(), native=True, ahead=True, console=cable)
    desk = next((tmp_path / "board" / "flash").rglob("desk.py"))
    desk.write_text(desk.read_text().replace("gc.mem_free()", "(gc.collect(), gc.mem_free())[1]"))
    clocks = Clocks(wall_s=lambda: START_S + board.world.now_us / 1e6, monotonic_s=lambda: board.world.now_us / 1e6)
    monkeypatch.setattr("groundbox.link.clock.time.monotonic", lambda: board.world.now_us / 1e6)
    resident_mb = []
    with board, Store(settings.database_path) as store:
        joined = recorder.Recorder(settings, store, arrivals, [cable], clocks, Heard(), commit_every_s=10.0)
        for second in range(HOURS * 3600):
            board.run_for(1.0)
            cable.turn(clocks.now())
            joined.turn()
            if second % 3600 == 3599:
                resident_mb.append(_resident_mb())
        joined.stop()
        starts = board.world.starts
    with Reader(settings.database_path) as reader:
        numbers = [sequence for (sequence,) in reader.series("table", ["sequence"])]
        numbers = sorted([*numbers, *(event.sequence for event in reader.events("table"))])
        health = reader.health("table")
        free = [row[0] for row in reader._rows("SELECT free_heap_bytes FROM health ORDER BY sequence", ())]
    assert health is not None
    sent = max(numbers)
    besides = (
        f"board's free heap {min(free[:60])} bytes in the first hour, {min(free[-60:])} in the last; "
        f"host {resident_mb[LEARNT_H]:.0f} MB once a discharge was learnt, {resident_mb[-1]:.0f} at the end"
    )
    once = len(set(numbers))
    faults.keep("Links", [(f"none, {HOURS} h of virtual time", sent, once, sent - once, len(numbers) - once, besides)])
    assert sent >= HOURS * 3600
    assert numbers == list(range(1, sent + 1))
    assert (starts, health.late_steps, health.link_restarts) == (1, 0, 0)
    assert min(free[-60:]) > min(free[:60]) - 2000, "the board's memory stays flat"
    assert resident_mb[-1] < resident_mb[LEARNT_H] + 10, "the host's memory stays flat"

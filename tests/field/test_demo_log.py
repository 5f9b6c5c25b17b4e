"""`groundbox log` as its own process beside simulated boards: killed, unplugged, marked from outside."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from groundbox.errors import StoreError
from groundbox.rig.bench import SimClock, SimulatedBoard
from groundbox.rig.demo_boxes import MAST
from groundbox.store import Reader

PATIENCE_S = 60.0
SETTINGS = """
database = "day.db"
[flight]
length_min = 35
time_home_min = 8
[batteries.M9]
profile = "M9.toml"
[boxes.mast]
battery = "M9"
cutoff_volts = 11.0
"""

pytestmark = pytest.mark.skipif(os.name == "nt", reason="simulated boards need pseudo-terminals")


class Field:
    """One board, and a `groundbox log` that is started and killed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "groundbox.toml").write_text(SETTINGS)
        (folder / "M9.toml").write_text("c20_ah = 9.0\n")
        self.board = SimulatedBoard(MAST, SimClock(1.0), folder / "board")
        self.log: subprocess.Popen[str] | None = None
        self.said = ""

    def command(self, *words: str) -> list[str]:
        return [sys.executable, "-c", "from groundbox.cli import main; main()", *words]

    def start(self, *words: str, stdout: int = subprocess.PIPE) -> None:
        command = self.command("log", "--port", self.board.port, *words)
        self.log = subprocess.Popen(command, cwd=self.folder, stdout=stdout, text=True)

    def end(self, number: signal.Signals) -> int:
        assert self.log is not None
        self.log.send_signal(number)
        self.said, _ = self.log.communicate(timeout=PATIENCE_S)
        return self.log.returncode

    def run(self, *words: str, status: int = 0) -> str:
        done = subprocess.run(self.command(*words), cwd=self.folder, capture_output=True, text=True, check=False)
        assert done.returncode == status, done.stderr
        return done.stdout

    def sequences(self) -> list[int]:
        try:
            with Reader(self.folder / "day.db") as reader:
                readings = [reading.sequence for reading in reader.readings("mast", 0.0)]
                return sorted(readings + [event.sequence for event in reader.events("mast")])
        except StoreError:
            return []

    def wait_for(self, what: Callable[[], bool]) -> None:
        until_s = time.monotonic() + PATIENCE_S
        while not what():
            assert time.monotonic() < until_s, f"waited in vain; {self.sequences()}"
            time.sleep(0.1)

    def up(self) -> dict[str, str]:
        with Reader(self.folder / "day.db") as reader:
            return {one.warning: one.change for one in reader.open_warnings("mast")}

    def more(self, count: int) -> Callable[[], bool]:
        want = len(self.sequences()) + count
        return lambda: len(self.sequences()) >= want


@pytest.fixture
def field(tmp_path: Path) -> Iterator[Field]:
    made = Field(tmp_path)
    made.board.start()
    yield made
    if made.log and made.log.poll() is None:
        made.end(signal.SIGKILL)
    made.board.stop()


def test_killed_at_any_time_it_starts_again_and_nothing_is_missing(field: Field) -> None:
    for pause_s in (0.05, 1.3):
        field.start()
        field.wait_for(field.more(2))
        time.sleep(pause_s)
        assert field.end(signal.SIGKILL) == -signal.SIGKILL
    time.sleep(2)
    field.start()
    field.wait_for(field.more(4))
    assert field.end(signal.SIGINT) == 0
    kept = field.sequences()
    assert kept == list(range(1, len(kept) + 1))
    assert "ended; all is stored in" in field.said


@pytest.mark.parametrize("fault", ["not read", "closed", "full disk"])
def test_an_output_that_fails_stops_no_recording(field: Field, fault: str) -> None:
    """Nothing that is written to the terminal arrives: all is stored and warned about, and the end is the usual one."""
    reading, writing = os.pipe()
    if fault == "not read":
        os.set_blocking(writing, False)
        with suppress(BlockingIOError):
            while os.write(writing, b"." * 4096):
                pass
        os.set_blocking(writing, True)
    elif fault == "closed":
        os.close(reading)
    else:
        os.close(writing)
        writing = os.open("/dev/full", os.O_WRONLY)
    field.start(stdout=writing)
    os.close(writing)
    field.wait_for(field.more(6))
    assert field.end(signal.SIGINT) == 0
    kept = field.sequences()
    assert kept == list(range(1, len(kept) + 1))


def test_a_closed_terminal_ends_a_recording_or_keeps_it(field: Field) -> None:
    field.start()
    field.wait_for(field.more(2))
    assert field.end(signal.SIGHUP) == 0
    assert "ended; all is stored in" in field.said
    field.start("--keep")
    assert field.log is not None
    field.wait_for(field.more(2))
    field.log.send_signal(signal.SIGHUP)
    field.wait_for(field.more(4))
    assert field.end(signal.SIGTERM) == 0
    assert f"the terminal was closed; recording continues; to end it type: kill {field.log.pid}" in field.said


def test_a_port_that_vanishes_is_warned_about_and_comes_back(field: Field) -> None:
    field.start()
    field.wait_for(field.more(3))
    field.board.plug(False)
    field.wait_for(lambda: field.up() == {"silent": "raised"})
    field.wait_for(lambda: "URGENT silent" in field.run("now", status=1))  # the advice is stored once a second
    field.board.plug(True)
    field.wait_for(field.more(5))
    field.wait_for(lambda: field.up() == {})
    assert field.end(signal.SIGTERM) == 0
    kept = field.sequences()
    assert kept == list(range(1, len(kept) + 1))
    assert "keeps trying" in field.said


def test_marks_and_acknowledgements_from_another_process(field: Field) -> None:
    field.start()
    field.wait_for(field.more(2))
    field.run("mark", "launch", "mast", "--confirm")
    with Reader(field.folder / "day.db") as reader:
        field.wait_for(lambda: "launch" in [event.kind for event in reader.events("mast")])  # the board has it
    field.board.set("case", "open")
    field.wait_for(lambda: field.up() == {"sensor_fault": "raised"})
    assert "acknowledged: URGENT mast: Case temperature sensor open." in field.run("acknowledge", "mast")
    field.wait_for(lambda: field.up() == {"sensor_fault": "acknowledged"})
    field.wait_for(lambda: "URGENT (acknowledged)" in field.run("now", status=1))
    assert field.end(signal.SIGINT) == 0
    assert "mast: launch marked" in field.said
    assert "acknowledged mast: sensor_fault" in field.said

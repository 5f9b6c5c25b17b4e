"""The board's own turn-back time on the real interpreter: beside a recorder, alone, over a reset and a power loss."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path

import pytest

from groundbox.advice.result import BoxAdvice, SessionAdvice
from groundbox.link.clock import Clocks, Moment
from groundbox.link.commands import command_values
from groundbox.link.decode import Frame, to_item
from groundbox.link.source import Arrivals
from groundbox.model import Answer, Reading, Stored, WarningChange
from groundbox.monitor.recorder import Recorder
from groundbox.rig.bench import Bench
from groundbox.rig.changes import SimChange
from groundbox.rig.demo_boxes import MAST
from groundbox.rig.process import interpreter_path
from groundbox.settings import load
from groundbox.store import Store

START_S = 1_800_000_000.0
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

pytestmark = pytest.mark.skipif(interpreter_path() is None, reason="no micropython command here")


class Field:
    """A board, and a recorder that hears it in the board's own virtual time while `connected`."""

    def __init__(self, folder: Path, bench: Bench) -> None:
        (folder / "groundbox.toml").write_text(SETTINGS)
        (folder / "M9.toml").write_text("c20_ah = 9.0\nage_years = 3.0\n")
        self.bench, self.connected = bench, True
        self.number = 0
        self.reading: Reading | None = None
        self.advice: SessionAdvice | None = None
        self.arrivals = Arrivals()
        settings = load(folder / "groundbox.toml")
        self.store = Store(settings.database_path)
        clocks = Clocks(wall_s=lambda: START_S + self.now_s, monotonic_s=lambda: self.now_s)
        self.recorder = Recorder(settings, self.store, self.arrivals, [self], clocks, self, commit_every_s=0.0)

    @property
    def now_s(self) -> float:
        return self.bench.world.now_us / 1e6

    # A Source of the recorder:

    def start(self) -> None:
        pass

    def stop(self) -> None:
        pass

    def acknowledge_stored(self, stored: Sequence[Stored]) -> None:
        for one in stored:
            self.command(one.box, "stored", stored_boot=one.boot, stored_sequence=one.sequence)

    def command(self, box: str, name: str, **fields: int | str | None) -> Future[Answer]:
        self.number += 1
        self.bench.send(name, list(command_values(name, box, self.number, fields)))
        return Future()

    # Its Output:

    def say(self, wall_s: float, text: str) -> None:
        pass

    def warn(self, change: WarningChange) -> None:
        pass

    def show(self, advice: SessionAdvice, moment: Moment) -> None:
        self.advice = advice

    def second(self) -> int:
        """One second; tenths of it with the buzzer on."""
        heard = 0
        for _ in range(10):
            for name, values in self.bench.run_for(0.1):
                if name not in ("reading", "event"):
                    continue
                item = to_item(Frame(name, tuple(values)), wall_s=START_S + self.now_s, wall_source="exchange")
                assert item is not None
                if self.connected:
                    self.arrivals.put(item)
                self.reading = item if isinstance(item, Reading) else self.reading
            heard += self.bench.box.buzzer
        if self.connected:
            self.recorder.turn()
        return heard

    def pass_s(self, seconds: int) -> int:
        return sum(self.second() for _ in range(seconds))

    @property
    def box(self) -> BoxAdvice:
        assert self.advice is not None
        return self.advice.boxes[0]

    @property
    def held_s(self) -> int | None:
        assert self.reading is not None
        return self.reading.turn_back_s


@pytest.fixture
def field(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[], Field]]:
    monkeypatch.setattr("groundbox.monitor.recorder.TAKE_S", 0.0)
    with Bench(MAST, tmp_path) as bench:
        made = Field(tmp_path, bench)
        monkeypatch.setattr("groundbox.link.clock.time.monotonic", lambda: made.now_s)
        yield lambda: made
        made.recorder.stop()
        made.store.close()


def test_a_board_has_the_time_that_is_shown_and_goes_on_alone(field: Callable[[], Field]) -> None:
    it = field()
    it.pass_s(135)
    assert it.held_s is not None, "given on the ground"
    it.command("mast", "mark", kind="launch")
    it.pass_s(3)
    differences = []
    for _ in range(90):
        it.second()
        assert it.box.turn_back_at_s is not None
        assert it.held_s is not None
        assert it.advice is not None
        differences.append(it.held_s - (it.box.turn_back_at_s - it.advice.made_at_s))
    print(f"\nboard less shown: {min(differences):.0f} to {max(differences):.0f} s")
    assert min(differences) >= -30
    assert max(differences) <= 5
    shown_s = it.box.turn_back_at_s - START_S
    it.connected = False
    it.pass_s(60)
    assert it.held_s is not None
    assert shown_s - it.now_s - 120 <= it.held_s <= shown_s - it.now_s + 5
    it.bench.world.power_cut("watchdog")
    it.pass_s(12)
    assert it.held_s is not None
    assert shown_s - it.now_s - 460 <= it.held_s <= shown_s - it.now_s + 5
    it.command("mast", "budget", charge_mah=9000, turn_back_s=3000, home_s=480, load_ma=1300)
    it.pass_s(2)  # far away again: every step of the countdown is to come
    it.command("mast", "budget", charge_mah=9000, turn_back_s=604, home_s=480, load_ma=1300)
    assert it.pass_s(12) == 18, "ten minutes: three tones of 0.6 s"
    it.command("mast", "budget", charge_mah=9000, turn_back_s=3, home_s=480, load_ma=1300)
    it.pass_s(4)
    assert it.pass_s(10) == 50, "return now"
    it.bench.box.button_pressed = True
    it.bench.run_for(0.3)
    it.bench.box.button_pressed = False
    it.pass_s(1)
    assert it.pass_s(10) == 0
    it.bench.world.power_cut()
    it.pass_s(8)
    assert it.held_s is None


def test_the_display_shows_minutes_volts_temperature_and_a_warning(tmp_path: Path) -> None:
    box = replace(MAST, display=True, start_c=38.0)
    stall = SimChange(at_s=8.0, thing="fan1", value="stalled")
    with Bench(box, tmp_path, board_settings={"display_fitted": 1}, changes=[stall]) as board:
        board.run_for(4)
        board.send("budget", ["mast", 1, 3000, 2599, 900, 1450])
        board.run_for(3)
        first, second = (tmp_path / "display").read_bytes().splitlines()
        assert first.startswith(b" 43 min  12.")
        assert second in (b"37\xdfC            ", b"38\xdfC            ")
        board.run_for(15)
        assert (tmp_path / "display").read_bytes().splitlines()[1].endswith(b"C fan stalled")


def test_a_display_that_is_not_there_costs_nothing(tmp_path: Path) -> None:
    with Bench(MAST, tmp_path, board_settings={"display_fitted": 1}) as board:
        readings = [values for name, values in board.run_for(8) if name == "reading"]
    assert len(readings) >= 6
    assert not (tmp_path / "display").exists()

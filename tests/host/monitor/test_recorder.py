"""The recorder with a real store, a real estimator and scripted boards: no threads, clocks that only tests move."""

from collections.abc import Callable, Iterable
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from groundbox.advice.result import BoxAdvice, Cue, SessionAdvice
from groundbox.advice.words import clock
from groundbox.conversion import from_wire
from groundbox.errors import StoreError
from groundbox.link.clock import Clocks, Moment
from groundbox.link.source import Arrivals
from groundbox.model import (
    Acknowledge,
    Answer,
    EstimatorState,
    Event,
    FanReading,
    Health,
    Hello,
    LinkNote,
    Mark,
    Reading,
    Stored,
    WarningChange,
)
from groundbox.monitor import tracker
from groundbox.monitor.board_settings import WANTED
from groundbox.monitor.from_store import flight_now, latest_advice
from groundbox.monitor.recorder import Recorder
from groundbox.settings import Settings, load
from groundbox.store import Reader, Store, hand_over
from groundbox.ui import screen
from groundbox.wire import settings as board_settings
from groundbox.wire.messages import RESET_CAUSES, checksum

START_S = 1_800_000_000.0
SETTINGS = """
database = "day.db"
[flight]
length_min = 35
time_home_min = 8
[batteries.sedge]
profile = "sedge.toml"
[batteries.heath]
profile = "heath.toml"
[boxes.mast]
battery = "sedge"
cutoff_volts = 11.0
lead_ohm = 0.02
[[boxes.mast.loads]]
name = "receivers"
watts = 10
[[boxes.mast.loads]]
name = "camera"
watts = 5
sheddable = true
"""


@dataclass
class Heard:
    """An Output that remembers."""

    said: list[str] = field(default_factory=list)
    changes: list[WarningChange] = field(default_factory=list)
    cues: list[Cue] = field(default_factory=list)
    advice: SessionAdvice | None = None

    def say(self, wall_s: float, text: str) -> None:
        self.said.append(text)

    def warn(self, change: WarningChange) -> None:
        self.changes.append(change)

    def show(self, advice: SessionAdvice, moment: Moment) -> None:
        self.advice = advice
        self.cues += [cue for cue in advice.cues if not self.cues or cue.number > self.cues[-1].number]

    @property
    def boxes(self) -> dict[str, BoxAdvice]:
        return {} if self.advice is None else {box.box: box for box in self.advice.boxes}


class Boards:
    """A Source whose boards do what the test asks, and keep the commands they were sent."""

    def __init__(self) -> None:
        self.stored: list[Stored] = []
        self.commands: list[tuple[str, str, dict[str, object]]] = []
        self.budgets: list[tuple[object, ...]] = []  # box, charge_mah, turn_back_s, home_s, load_ma
        self.settings: dict[str, int] = {}  # those that are answered for

    def start(self) -> None:
        pass

    def stop(self) -> None:
        pass

    def acknowledge_stored(self, stored: Iterable[Stored]) -> None:
        self.stored += stored

    def command(self, box: str, name: str, **fields: int | str | None) -> Future[Answer]:
        answer: Future[Answer] = Future()
        if name == "budget":
            self.budgets.append((box, *(None if value is None else int(value) for value in fields.values())))
            return answer
        self.commands.append((box, name, dict(fields)))
        setting = str(fields.get("setting"))
        if name == "get" and setting in self.settings:
            fields = {"result": "ok", "setting": setting, "value": str(self.settings[setting])}
            answer.set_result(Answer(box=box, boot=1, sequence=0, command=1, **fields))
        return answer


def fans(*states: str) -> dict[int, FanReading]:
    """Fans 1, 2, ... in these states."""
    return {number: FanReading(state=state) for number, state in enumerate(states, 1)}


class Bench:
    """A recorder and all that it touches; `pass_s` lets time pass with a reading of `mast` each second."""

    def __init__(self, folder: Path, settings: Settings) -> None:
        self.settings, self.folder = settings, folder
        self.now_s = 0.0
        self.clock_set_s = 0.0
        self.sequence = 0
        self.boot = 1
        self.boot_s = 0.0
        self.volts: Callable[[float], float] = lambda now_s: 12.5 - now_s / 30000
        self.values: dict[str, object] = {"battery_amps": 1.3}
        self.begin()

    def begin(self) -> None:
        self.arrivals, self.boards, self.heard = Arrivals(), Boards(), Heard()
        self.store = Store(self.settings.database_path)
        clocks = Clocks(wall_s=lambda: START_S + self.now_s + self.clock_set_s, monotonic_s=lambda: self.now_s)
        self.recorder = Recorder(
            self.settings, self.store, self.arrivals, [self.boards], clocks, self.heard, commit_every_s=0.0
        )

    def end(self) -> None:
        self.recorder.stop()
        self.store.close()

    def reading(self, **changes: object) -> Reading:
        self.sequence += 1
        volts = self.volts(self.now_s)
        reading = Reading(
            box="mast",
            boot=self.boot,
            sequence=self.sequence,
            uptime_ms=int(1000 * (self.now_s - self.boot_s)),
            battery_volts=volts,
            battery_min_volts=volts - 0.02,
            check_volts=volts,
            case_c=30.0,
            fans=fans("running", "running"),
            sensors={"voltage": "ok", "check": "ok", "case": "ok"},
            low_voltage="clear",
            overvoltage="clear",
            case_heat="clear",
            charging="no",
            place="ground",
            wall_s=START_S + self.now_s + self.clock_set_s,
            wall_source="exchange",
        )
        return replace(reading, **{**self.values, **changes})  # type: ignore[arg-type]

    def pass_s(self, seconds: int, **changes: object) -> None:
        for _ in range(seconds):
            self.now_s += 1.0
            self.arrivals.put(self.reading(**changes))
            self.recorder.turn()

    def silent_s(self, seconds: int) -> None:
        for _ in range(seconds):
            self.now_s += 1.0
            self.turn()

    def turn(self) -> None:
        self.recorder.turn()

    def restart_board(self, cause: str) -> None:
        self.boot, self.boot_s, self.sequence = self.boot + 1, self.now_s, 0
        self.arrive(self.event("started", RESET_CAUSES.index(cause)))

    def arrive(self, record: Reading | Event) -> None:
        self.arrivals.put(record)

    def event(self, kind: str, value: int | None = None) -> Event:
        self.sequence += 1
        uptime_ms = int(1000 * (self.now_s - self.boot_s))
        wall_s = START_S + self.now_s + self.clock_set_s
        return Event(
            box="mast",
            boot=self.boot,
            sequence=self.sequence,
            uptime_ms=uptime_ms,
            kind=kind,
            value=value,
            wall_s=wall_s,
        )

    def button(self, kind: str) -> None:
        self.arrive(self.event(kind))

    def hand(self, request: Mark | Acknowledge) -> None:
        hand_over(self.settings.database_path, request)
        self.turn()

    def mark(self, kind: str, name: str | None = None, box: str = "mast") -> None:
        self.hand(Mark(box=box, kind=kind, wall_s=START_S + self.now_s + self.clock_set_s, name=name))

    @property
    def advice(self) -> SessionAdvice:
        assert self.heard.advice is not None
        return self.heard.advice

    @property
    def view(self) -> BoxAdvice:
        return self.heard.boxes["mast"]

    def landing_in_s(self) -> float:
        assert self.advice.flight.landing_at_s is not None
        return self.advice.flight.landing_at_s - self.advice.made_at_s

    def check_flight(self) -> None:
        """The flight by the store is the flight that the recorder knows."""
        wall_s = START_S + self.now_s + self.clock_set_s
        with Reader(self.settings.database_path) as reader:
            by_store = flight_now(reader, self.settings, self.now_s, wall_s)
        known = self.recorder.flight
        assert (by_store.in_flight, by_store.returning, by_store.flown) == (
            known.in_flight,
            known.returning,
            known.flown,
        )

    def up(self) -> dict[str, str]:
        return {one.kind: one.severity for one in self.view.warnings}


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterable[Bench]:
    monkeypatch.setattr("groundbox.monitor.recorder.TAKE_S", 0.0)
    monkeypatch.setattr("groundbox.monitor.recorder.ESTIMATE_EVERY_S", 4.0)
    monkeypatch.setattr("groundbox.link.clock.time.monotonic", lambda: made.now_s if made else 0.0)
    made: Bench | None = None
    (tmp_path / "sedge.toml").write_text("c20_ah = 9.0\n")
    (tmp_path / "heath.toml").write_text("c20_ah = 18.0\n")
    (tmp_path / "groundbox.toml").write_text(SETTINGS)
    made = Bench(tmp_path, load(tmp_path / "groundbox.toml"))
    yield made
    made.end()


def test_readings_are_stored_before_they_are_confirmed_to_boards(bench: Bench) -> None:
    bench.pass_s(3)
    assert bench.boards.stored[-1] == Stored(box="mast", boot=1, sequence=3)
    with Reader(bench.settings.database_path) as reader:
        assert [reading.sequence for reading in reader.readings("mast", 0.0)] == [1, 2, 3]


def test_a_database_that_fails_loses_nothing_and_is_said_once(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.pass_s(2)

    def fail() -> None:
        raise StoreError("day.db: the disk is full")

    with monkeypatch.context() as broken:
        broken.setattr(bench.store, "commit", fail)
        bench.pass_s(5)
    assert bench.boards.stored[-1].sequence == 2
    assert sum("the disk is full" in text for text in bench.heard.said) == 1
    bench.pass_s(1)
    assert bench.boards.stored[-1].sequence == 8
    assert "the database can be written again" in bench.heard.said


def test_runtime_and_turn_back_time(bench: Bench) -> None:
    bench.pass_s(300)
    view = bench.view
    assert 0 < (view.runtime_low_s or 0) <= (view.runtime_expected_s or 0) <= (view.runtime_high_s or 0)
    assert view.turn_back_at_s is None
    assert view.trust == "nameplate"
    bench.mark("launch", box="*")
    bench.pass_s(2)
    view = bench.view
    now_wall_s = START_S + bench.now_s
    exact_s = now_wall_s + (view.runtime_low_s or 0.0) - 15 * 60 - 8 * 60
    assert exact_s - 301 <= (view.turn_back_at_s or 0.0) <= exact_s + 1.5  # rounded down
    assert view.headline.startswith(f"Turn back by {clock(view.turn_back_at_s or 0.0)}, in ")
    assert bench.advice.flight.landing_at_s == pytest.approx(now_wall_s + 35 * 60, abs=3)


def test_a_board_is_given_the_turn_back_time_that_is_shown(bench: Bench) -> None:
    bench.pass_s(300)
    box, charge_mah, ground_s, home_s, load_ma = bench.boards.budgets[-1]
    assert (box, home_s, load_ma) == ("mast", (15 + 8) * 60, pytest.approx(1300, abs=20))
    exact_s = (bench.view.runtime_low_s or 0.0) - (15 + 8) * 60
    assert exact_s - 301 <= int(str(ground_s)) <= exact_s + 1.5  # rounded down, as at a launch
    assert charge_mah == pytest.approx(1.3 * exact_s / 3.6, rel=0.03)
    count = len(bench.boards.budgets)
    bench.mark("launch", box="*")
    bench.pass_s(1, place="flight", turn_back_s=ground_s)
    assert len(bench.boards.budgets) == count + 1, "at the launch at once"
    shown_s = (bench.view.turn_back_at_s or 0.0) - START_S - bench.now_s
    held_s = int(str(bench.boards.budgets[-1][2]))
    assert held_s == pytest.approx(shown_s, abs=1.5)
    assert bench.view.readings.turn_back_s == ground_s
    bench.pass_s(1, place="flight", turn_back_s=None)
    assert bench.view.readings.turn_back_s is None


def test_the_charge_named_brings_at_least_the_runtime_that_is_missing(bench: Bench) -> None:
    """A battery under load lasts less long than a rested one of the same state of charge."""
    bench.volts = lambda now_s: 11.8 - now_s / 30000
    bench.pass_s(300)
    tracker = bench.recorder.followers["mast"].tracker
    assert tracker is not None
    assert tracker.estimate is not None
    rested = tracker.needed_ah((tracker.estimate.runtime_low_s or 0.0) + 600.0, None)
    tracker.estimate = replace(tracker.estimate, runtime_low_s=600.0)
    lacking = tracker.needed_ah(600.0 + 1620.0, None)
    assert rested is not None
    assert lacking is not None
    assert lacking >= 1.3 * 1620 / 3600, "the current for so long"
    assert rested >= 1.3 * 600 / 3600


def test_turn_back_passed_is_a_stop_and_stays_through_silence(bench: Bench) -> None:
    bench.volts = lambda now_s: 11.35 - now_s / 4000
    bench.values = {"battery_amps": 3.0}
    bench.mark("launch")
    bench.pass_s(300)
    assert bench.up()["turn_back"] == "stop"
    assert bench.view.verdict == "return_now"
    bench.silent_s(30)
    assert bench.up()["turn_back"] == "stop"
    assert bench.up()["silent"] == "stop"
    assert bench.view.verdict == "return_now"


def test_silence_in_flight_is_unknown_and_keeps_the_turn_back_time(bench: Bench) -> None:
    bench.pass_s(300)
    bench.mark("launch")
    bench.pass_s(10, place="flight")
    before = bench.view.turn_back_at_s
    bench.silent_s(5)
    assert (bench.view.verdict, bench.view.turn_back_stale) == ("unknown", True)
    assert bench.view.turn_back_at_s == before


def test_silence_is_noticed_within_three_missed_readings(bench: Bench) -> None:
    bench.pass_s(10)
    bench.silent_s(4)
    assert bench.up() == {"silent": "urgent"}
    bench.pass_s(7)
    assert "silent" not in bench.up()


def test_a_configured_box_that_never_came(bench: Bench) -> None:
    bench.silent_s(40)
    assert bench.up() == {"silent": "notice"}
    assert screen.line(bench.view) == "mast: Unknown: no data yet, after 40 s; NOTICE silent"


def test_a_stalled_fan_sounds_until_it_is_acknowledged(bench: Bench) -> None:
    bench.pass_s(5)
    bench.pass_s(65, fans=fans("running", "stalled"))
    assert [cue.spoken for cue in bench.heard.cues] == ["mast: unplug battery, fan stalled"] * 3
    bench.hand(Acknowledge(box="mast", warning="fan_stalled", wall_s=START_S + bench.now_s))
    bench.pass_s(65, fans=fans("running", "stalled"))
    assert len(bench.heard.cues) == 3
    assert [one.acknowledged for one in bench.view.warnings] == [True]
    with Reader(bench.settings.database_path) as reader:
        assert [one.change for one in reader.warnings("mast")] == ["raised", "acknowledged"]


def test_the_boards_button_acknowledges(bench: Bench) -> None:
    bench.pass_s(5, fans=fans("running", "stalled"))
    bench.button("silenced")
    bench.turn()
    assert [one.acknowledged for one in bench.view.warnings] == [True]
    bench.pass_s(1, fans=fans("running", "stalled"))
    with Reader(bench.settings.database_path) as reader:
        assert [one.change for one in reader.warnings("mast")] == ["raised", "acknowledged"]


def test_the_boards_button_launches_and_lands(bench: Bench) -> None:
    bench.pass_s(3)
    bench.button("launch")
    bench.pass_s(15, place="flight")
    assert bench.advice.flight.in_flight
    assert bench.landing_in_s() == pytest.approx(35 * 60 - 15, abs=1)
    assert "launch marked at the button of mast" in bench.heard.said
    assert bench.boards.commands == []
    bench.button("landing")
    bench.pass_s(15)
    assert not bench.advice.flight.in_flight
    assert bench.boards.commands == []


def test_a_mark_by_command_is_not_taken_for_the_button_by_a_new_database(bench: Bench) -> None:
    bench.pass_s(3)
    bench.arrive(replace(bench.event("launch"), value=1))
    bench.pass_s(2, place="flight")
    assert "launch marked by command at mast" in bench.heard.said


def test_a_launch_at_one_box_is_sent_to_the_others(bench: Bench) -> None:
    bench.pass_s(1)
    bench.arrive(bench.reading(box="table"))
    bench.turn()
    bench.button("launch")
    bench.turn()
    assert bench.boards.commands == [("table", "mark", {"kind": "launch"})]


def test_a_launch_while_this_program_was_down_is_not_taken_back(bench: Bench) -> None:
    """After a restart live readings come first, and what was missed after them."""
    bench.pass_s(5)
    bench.store.close()
    bench.now_s += 30.0
    missed = bench.event("launch")
    bench.begin()
    bench.pass_s(3, place="flight")
    bench.arrive(missed)
    bench.pass_s(15, place="flight")
    assert bench.advice.flight.in_flight
    assert bench.landing_in_s() == pytest.approx(35 * 60 - 18, abs=1)
    assert bench.boards.commands == []


def test_a_board_in_flight_counts_when_nothing_else_is_known(bench: Bench) -> None:
    bench.pass_s(12, place="flight")
    assert bench.advice.flight.in_flight
    assert bench.boards.commands == []


def test_a_launch_marked_here_is_sent_to_boards(bench: Bench) -> None:
    bench.pass_s(3)
    bench.mark("launch")
    assert bench.boards.commands == [("mast", "mark", {"kind": "launch"})]
    bench.pass_s(3)
    bench.pass_s(3, place="flight")
    bench.button("launch")  # the board's echo
    bench.pass_s(12, place="flight")
    assert len(bench.boards.commands) == 1
    assert bench.advice.flight.in_flight
    assert bench.landing_in_s() == pytest.approx(35 * 60 - 18, abs=1)
    assert not any("button" in text for text in bench.heard.said)


def test_a_board_that_restarts_on_the_ground_does_not_land_the_aircraft(bench: Bench) -> None:
    bench.mark("launch")
    bench.pass_s(20, place="flight")
    bench.restart_board("watchdog")
    bench.pass_s(11, place="ground")
    assert bench.advice.flight.in_flight
    assert bench.up() == {"restarted": "urgent"}
    assert bench.boards.commands[-1] == ("mast", "mark", {"kind": "launch"})


@pytest.mark.parametrize(("cause", "warned"), [("power", True), ("watchdog", True), ("maintenance", False)])
def test_unexpected_restarts(bench: Bench, cause: str, warned: bool) -> None:
    bench.pass_s(20)
    bench.restart_board(cause)
    bench.pass_s(5)
    assert ("restarted" in bench.up()) == warned


@pytest.mark.parametrize("kind", ["control_failed", "starved"])
def test_a_report_of_the_board_is_a_warning_for_five_minutes(bench: Bench, kind: str) -> None:
    bench.pass_s(5)
    bench.button(kind)
    bench.pass_s(290)
    assert kind in bench.up()
    bench.pass_s(30)
    assert kind not in bench.up()


def test_a_jammed_button_and_a_coming_shed_are_warnings(bench: Bench) -> None:
    bench.mark("launch")
    bench.pass_s(5, place="flight", button="jammed", outputs={1: "on", 2: "shed_soon"})
    assert {"button": "notice", "shedding": "urgent"}.items() <= bench.up().items()


def test_switching_a_box_on_again_after_a_pause_is_no_restart(bench: Bench) -> None:
    bench.pass_s(20)
    bench.silent_s(700)
    bench.restart_board("power")
    bench.pass_s(10)
    assert "restarted" not in bench.up()


def test_a_swap_begins_a_new_estimate(bench: Bench) -> None:
    bench.pass_s(300)
    assert bench.view.battery == "sedge"
    bench.mark("swap", "heath")
    assert bench.view.battery == "heath"
    assert bench.view.runtime_low_s is None
    bench.pass_s(300)
    assert bench.view.runtime_low_s is not None
    bench.mark("swap", "bracken")
    bench.pass_s(2)
    assert "no profile for battery bracken" in bench.view.headline
    bench.mark("swap")
    bench.pass_s(2)
    assert "no battery is named for this box" in bench.view.headline


def test_a_swap_is_undone(bench: Bench) -> None:
    bench.pass_s(20)
    bench.mark("swap", "heath")
    bench.mark("undo", "swap")
    bench.pass_s(2)
    assert bench.view.battery == "sedge"
    bench.store.close()
    bench.begin()
    bench.pass_s(2)
    assert bench.view.battery == "sedge"


def test_a_launch_is_undone_on_host_and_boards(bench: Bench) -> None:
    bench.pass_s(3)
    bench.mark("launch", box="*")
    bench.pass_s(3, place="flight")
    bench.mark("undo", "launch", box="*")
    assert not bench.advice.flight.in_flight
    assert bench.advice.flight.flown == 0
    assert bench.boards.commands[-1] == ("mast", "mark", {"kind": "landing"})
    bench.pass_s(3)
    bench.store.close()
    bench.begin()
    bench.pass_s(2)
    assert not bench.advice.flight.in_flight
    assert bench.advice.flight.flown == 0


def test_returning_ends_the_countdown_on_host_and_boards(bench: Bench) -> None:
    bench.pass_s(300)
    bench.mark("launch")
    bench.pass_s(5, place="flight")
    bench.arrive(bench.event("returning"))
    bench.pass_s(2, place="flight")
    assert bench.advice.flight.returning
    assert "the pilot is returning" in bench.advice.headline
    bench.arrive(bench.reading(box="table", place="flight"))
    bench.turn()
    bench.mark("landing", box="*")
    bench.mark("launch", box="*")
    assert not bench.advice.flight.returning
    bench.mark("returning", box="*")
    assert ("table", "mark", {"kind": "returning"}) in bench.boards.commands


def test_the_press_that_means_returning_acknowledges_no_stop(bench: Bench) -> None:
    bench.pass_s(5)
    bench.mark("launch")
    bench.pass_s(5, place="flight", fans=fans("running", "stalled"), low_voltage="stop")
    for kind in ("silenced", "returning"):
        bench.arrive(bench.event(kind))
    bench.pass_s(1, place="flight", fans=fans("running", "stalled"), low_voltage="stop")
    acknowledged = {one.kind: one.acknowledged for one in bench.view.warnings}
    assert acknowledged == {"low_voltage": False, "fan_stalled": True}
    bench.arrive(bench.event("silenced"))
    bench.pass_s(1, place="flight", fans=fans("running", "stalled"), low_voltage="stop")
    assert all(one.acknowledged for one in bench.view.warnings)


def test_a_launch_after_the_clock_was_set_back_counts(bench: Bench) -> None:
    bench.pass_s(60)
    bench.mark("launch")
    bench.pass_s(30, place="flight")
    bench.mark("landing")
    bench.pass_s(30)
    bench.clock_set_s = -7200.0
    bench.pass_s(5)
    assert any("clock was set back by 2 h 00 min" in text for text in bench.heard.said)
    bench.button("launch")
    bench.pass_s(15, place="flight")
    assert bench.advice.flight.in_flight
    assert bench.view.turn_back_at_s is not None
    assert bench.boards.commands.count(("mast", "mark", {"kind": "landing"})) == 1  # that of the mark
    bench.store.close()
    bench.begin()
    bench.pass_s(3, place="flight")
    assert bench.advice.flight.in_flight
    assert any("behind the newest stored row" in text for text in bench.heard.said)


def test_no_landing_is_sent_to_a_board_against_its_button(bench: Bench) -> None:
    bench.pass_s(3)
    bench.mark("launch")
    bench.pass_s(3, place="flight")
    bench.mark("landing")
    bench.boards.commands.clear()
    bench.pass_s(3)
    bench.arrive(bench.event("launch"))
    bench.pass_s(2, place="flight")
    bench.recorder.flight = type(bench.recorder.flight)(2100.0, 480.0)  # as if the launch was not counted here
    bench.recorder.flight.note("landing", bench.now_s)
    bench.pass_s(15, place="flight")
    assert ("mast", "mark", {"kind": "landing"}) not in bench.boards.commands
    assert bench.advice.flight.in_flight


@pytest.mark.parametrize("late", [True, False])
def test_no_landing_is_sent_while_records_of_a_board_are_missing(bench: Bench, late: bool) -> None:
    """Landed and launched at its button while it was away: the presses arrive long after the first readings."""
    bench.mark("launch", box="*")
    bench.pass_s(10, place="flight")
    bench.silent_s(5)
    bench.mark("landing", box="*")
    bench.silent_s(60)
    pressed = [bench.event(kind) for kind in ("landing", "launch")]
    bench.boards.commands.clear()
    bench.pass_s(40, place="flight")
    assert not bench.advice.flight.in_flight
    for event in pressed if late else ():
        bench.arrive(event)
    bench.pass_s(15 if late else 90, place="flight")
    assert bench.advice.flight.in_flight, "by the press, or because a missing record may be one"
    assert ("mast", "mark", {"kind": "landing"}) not in bench.boards.commands
    assert bench.landing_in_s() == pytest.approx(35 * 60 - (55 if late else 12), abs=4)
    bench.mark("landing", box="*")
    bench.boards.commands.clear()
    bench.pass_s(15, place="flight")
    assert ("mast", "mark", {"kind": "landing"}) in bench.boards.commands, "nothing is missing since this landing"


def test_a_charge_that_does_not_come(bench: Bench) -> None:
    bench.pass_s(10)
    bench.mark("charge")
    bench.pass_s(50)
    assert "no_charge" not in bench.up()
    bench.pass_s(25)
    assert bench.up()["no_charge"] == "urgent"
    bench.pass_s(8, charging="yes", battery_amps=-2.0)
    assert "no_charge" not in bench.up()


def test_an_unmarked_charge_and_an_unmarked_swap_are_asked_about(bench: Bench) -> None:
    bench.pass_s(20)
    bench.pass_s(70, charging="yes", battery_amps=-2.0)
    assert "no charge is marked" in bench.view.warnings[-1].sentence
    bench.mark("charge")
    assert "unmarked" not in bench.up()
    bench.pass_s(20)
    bench.mark("charge")
    bench.pass_s(120)
    bench.pass_s(90, charging="yes", battery_amps=-2.0)  # the charge that was marked two minutes ago
    assert "unmarked" not in bench.up()
    bench.pass_s(20)
    bench.silent_s(900)
    bench.restart_board("power")
    bench.volts = lambda now_s: 13.1
    bench.pass_s(20)
    (question,) = [one for one in bench.view.warnings if one.kind == "unmarked"]
    assert "swapped or charged. Type `groundbox mark swap mast BATTERY`" in question.sentence
    assert bench.view.verdict == "unknown"
    bench.mark("swap", "heath")
    bench.pass_s(2)
    assert "unmarked" not in bench.up()


def test_no_runtime_without_a_voltage(bench: Bench) -> None:
    bench.pass_s(300)
    bench.pass_s(5, battery_volts=None, check_volts=None, sensors={"voltage": "range", "check": "range"})
    assert bench.view.runtime_low_s is None
    assert bench.view.runtime_unknown_because == "its board reads no battery voltage"
    assert bench.up() == {"fuse_open": "stop"}
    assert bench.view.verdict == "do_not_launch"


def test_a_box_nobody_configured_appears_by_itself(bench: Bench) -> None:
    bench.arrive(bench.reading(box="pond"))
    bench.turn()
    view = bench.heard.boxes["pond"]
    assert (view.verdict, view.severity) == ("unknown", "unknown")
    assert "no battery and cutoff are set for this box" in view.headline


def test_killed_and_restarted_it_continues_where_it_was(bench: Bench) -> None:
    bench.pass_s(400, fans=fans("running", "stalled"))
    bench.mark("launch")
    bench.pass_s(5, fans=fans("running", "stalled"), place="flight")
    bench.hand(Acknowledge(box="mast", warning=None, wall_s=START_S + bench.now_s))
    before = bench.view
    bench.store.close()  # as SIGKILL leaves it: nothing after the last commit
    bench.begin()
    bench.pass_s(3, fans=fans("running", "stalled"), place="flight")
    after = bench.view
    assert bench.advice.flight.in_flight
    assert [(one.kind, one.acknowledged) for one in after.warnings] == [("fan_stalled", True)]
    assert bench.heard.changes == []
    assert after.turn_back_at_s == pytest.approx(before.turn_back_at_s, rel=1e-9, abs=300)
    assert after.runtime_low_s is not None


def test_a_saved_estimate_of_another_version_starts_again(bench: Bench) -> None:
    bench.pass_s(200)
    state = {"estimator": {"of": "old"}, "timeline": {"boot": 1, "offset_s": 0.0, "last_s": 1.0}}
    at_s = START_S + bench.now_s
    bench.store.save_estimator(
        EstimatorState(box="mast", battery="sedge", wall_s=at_s, boot=1, sequence=200, state=state)
    )
    bench.store.commit()
    bench.store.close()
    bench.begin()
    bench.pass_s(5)
    assert bench.view.runtime_low_s is not None


def test_what_was_missed_meanwhile_reaches_the_estimator_in_order(bench: Bench) -> None:
    bench.pass_s(200)
    bench.store.close()
    missed = []
    for _ in range(50):
        bench.now_s += 1.0
        missed.append(bench.reading())
    bench.begin()
    bench.pass_s(5)
    for reading in missed:
        bench.arrivals.put(reading)
    bench.pass_s(1)
    follower = bench.recorder.followers["mast"]
    assert follower.tracker is not None
    assert follower.tracker.sequence == 256
    assert follower.tracker.timeline.last_s == pytest.approx(START_S + bench.now_s)


def test_the_hosts_clock_is_set_back_and_the_estimate_goes_on(bench: Bench) -> None:
    bench.pass_s(1500)  # until the low runtime no longer rises with what the load shows
    before = bench.view.runtime_low_s
    bench.clock_set_s = -7200.0
    bench.pass_s(60)
    after = bench.view.runtime_low_s
    assert before is not None
    assert after == pytest.approx(before - 60, abs=600)
    assert bench.up() == {}


def test_killed_after_the_clock_was_set_back_nothing_measured_is_passed_over(bench: Bench) -> None:
    bench.pass_s(100)
    bench.clock_set_s = -7200.0
    bench.pass_s(20)
    bench.store.close()  # as SIGKILL leaves it: the estimator was last saved before the clock was set
    bench.begin()
    tracker = bench.recorder.followers["mast"].tracker
    assert tracker is not None
    assert tracker.sequence == 120
    assert tracker.timeline.last_s == pytest.approx(START_S + bench.now_s)


def test_ended_while_it_waits_for_a_gap_it_saves_what_came_after(bench: Bench) -> None:
    bench.pass_s(100)
    bench.sequence += 1  # never comes
    bench.now_s += 1.0
    bench.arrivals.put(bench.reading())
    bench.end()
    saved = Reader(bench.settings.database_path).estimator("mast", "sedge")
    assert saved is not None
    assert saved.sequence == 102
    bench.begin()


def test_without_numpy_it_still_records_and_warns(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tracker, "estimator_class", lambda: None)
    bench.store.close()
    bench.begin()
    bench.pass_s(20, low_voltage="urgent")
    assert bench.view.runtime_unknown_because == "runtime cannot be estimated on this computer (it has no NumPy)"
    assert bench.view.verdict == "do_not_launch"
    assert bench.up() == {"low_voltage": "urgent"}
    assert bench.boards.stored[-1].sequence == 20


def test_link_notes_are_said(bench: Bench) -> None:
    note = LinkNote(source="p", box=None, kind="lost", sentence="p: gone; it is tried again and again", wall_s=START_S)
    bench.arrivals.put(note)
    bench.turn()
    assert note.sentence in bench.heard.said


def test_a_viewer_gets_the_stored_advice_and_counts_its_age(bench: Bench) -> None:
    bench.pass_s(300, fans=fans("running", "stalled"))
    bench.recorder.stop()
    with Reader(bench.settings.database_path) as reader:
        made_s = reader.all_advice()[0][0]
        seen = latest_advice(reader, made_s + 1.0)
        late = latest_advice(reader, made_s + 600.0)
        minutes = reader.advice_minutes("mast", START_S, START_S + 400)
    assert seen is not None
    assert late is not None
    assert seen[0].headline == bench.advice.headline
    assert seen[0].boxes[0].warnings == bench.view.warnings
    assert bench.view.verdict == "do_not_launch"  # a fan is stalled
    assert (late[0].verdict, late[0].boxes[0].verdict) == ("do_not_launch", "do_not_launch")
    assert late[0].boxes[0].runtime_low_s is None
    assert late[0].boxes[0].readings.age_s == pytest.approx(600.0, abs=2)
    assert [minute.verdict for minute in minutes][-1] == bench.view.verdict
    assert len(minutes) == 6


@pytest.mark.parametrize("boot", [3, 7])
def test_a_board_that_counts_its_starts_from_one_again_is_followed(bench: Bench, boot: int) -> None:
    bench.boot = 7
    bench.pass_s(10)
    bench.boot, bench.boot_s, bench.sequence = boot, bench.now_s - 1, 0
    again = from_wire(Hello, ["mast", boot, 0, "0.1.0", checksum(), "00000000", "fake", "power", 500, 1, 10])
    bench.arrivals.put(replace(again, again=boot == 7))
    bench.pass_s(10, battery_volts=12.1)
    assert bench.boards.stored[-1] == Stored(box="mast", boot=boot, sequence=bench.sequence)
    for _ in range(2):
        assert bench.view.readings.age_s == 0.0
        assert bench.view.readings.battery_volts == 12.1
        assert "silent" not in bench.up()
        bench.end()
        bench.begin()
        bench.pass_s(10, battery_volts=12.1)


def test_a_boards_own_limits_are_known_without_it(bench: Bench) -> None:
    """Asked once and kept: for other programs at once, and for the next run before the board has said a word."""
    own = {name: high for name, _, _, high in board_settings.SETTINGS if name in WANTED}
    bench.boards.settings = own
    bench.arrivals.put(from_wire(Hello, ["mast", 1, 0, "0.1.0", checksum(), "00000000", "fake", "power", 500, 1, 10]))
    bench.pass_s(len(WANTED) + 2)
    assert bench.recorder.followers["mast"].limits == own
    assert bench.view.heat is not None
    assert bench.view.heat.limit_c == own["case_stop_centi_c"] / 100
    assert bench.view.readings.case_levels_c[2] == own["case_stop_centi_c"] / 100
    bench.end()
    bench.begin()
    bench.turn()
    assert bench.recorder.followers["mast"].limits == own


def test_summaries_that_nobody_got_are_said_as_they_grow(bench: Bench) -> None:
    for boot, lost in ((1, None), (1, 0), (1, 12), (1, 12), (1, 30), (2, 6)):
        bench.arrivals.put(from_wire(Health, ["mast", boot, 1, 90_000, 900, 0, 0, 0, 0, lost]))
        bench.turn()
    said = [words for words in bench.heard.said if "summaries" in words]
    assert [words.split(" of ")[0].split()[-2:] for words in said] == [["2", "min"], ["3", "min"], ["60", "s"]]


def test_undo_of_a_mark_that_changed_nothing_leaves_the_flight(bench: Bench) -> None:
    bench.pass_s(3)
    bench.button("launch")
    bench.pass_s(5, place="flight")
    bench.mark("launch", box="*")
    bench.mark("undo", "launch", box="*")
    bench.pass_s(15, place="flight")
    assert bench.advice.flight.in_flight
    assert bench.boards.commands == []
    assert bench.landing_in_s() == pytest.approx(35 * 60 - 20, abs=1.5)
    bench.check_flight()


def test_undo_of_two_returns(bench: Bench) -> None:
    bench.pass_s(3)
    bench.button("launch")
    bench.pass_s(5, place="flight")
    for kind, name, returning in (
        ("returning", None, True),
        ("returning", None, True),
        ("undo", "returning", True),
        ("undo", "returning", False),
        ("returning", None, True),
        ("landing", None, False),
        ("undo", "landing", True),
    ):
        bench.mark(kind, name, box="*")
        bench.pass_s(1, place="flight")
        assert bench.recorder.flight.returning == returning
        bench.check_flight()
    assert bench.advice.flight.in_flight


def test_presses_of_a_button_are_undone_one_after_the_other(bench: Bench) -> None:
    bench.pass_s(3)
    for kind, sent in (("launch", "landing"), ("returning", "launch"), ("landing", "launch")):
        bench.button(kind)
        bench.pass_s(3, place="ground" if kind == "landing" else "flight")
        bench.mark("undo", kind)
        assert bench.boards.commands[-1] == ("mast", "mark", {"kind": sent})
        assert (bench.advice.flight.in_flight, bench.advice.flight.returning) == (kind != "launch", False)
        bench.check_flight()
        if kind == "launch":
            bench.pass_s(3)
            bench.button("launch")
            bench.pass_s(1, place="flight")
    assert bench.landing_in_s() == pytest.approx(35 * 60 - 7, abs=1), "since the launch"


def test_a_launch_at_the_button_is_adopted_when_its_event_comes_after_the_readings(bench: Bench) -> None:
    bench.mark("launch", box="*")
    bench.pass_s(10, place="flight")
    bench.mark("landing", box="*")
    bench.pass_s(5)
    bench.silent_s(60)
    bench.boards.commands.clear()
    pressed = bench.event("launch")
    bench.pass_s(15, place="flight")
    bench.arrive(pressed)
    bench.pass_s(15, place="flight")
    assert ("mast", "mark", {"kind": "landing"}) not in bench.boards.commands
    assert (bench.advice.flight.in_flight, bench.advice.flight.flown) == (True, 1)
    assert bench.landing_in_s() == pytest.approx(35 * 60 - 30, abs=1), "since the press, which is known late"
    bench.check_flight()


def test_a_landing_that_does_not_reach_the_board_is_sent_again(bench: Bench) -> None:
    bench.pass_s(3)
    bench.button("launch")
    bench.pass_s(5, place="flight")
    bench.mark("landing", box="*")
    bench.pass_s(35, place="flight")
    assert not bench.advice.flight.in_flight
    assert bench.boards.commands.count(("mast", "mark", {"kind": "landing"})) >= 3
    bench.store.close()
    bench.begin()
    bench.pass_s(25, place="flight")
    assert not bench.advice.flight.in_flight
    assert ("mast", "mark", {"kind": "landing"}) in bench.boards.commands


@pytest.mark.parametrize("step_s", [-7200.0, 3600.0, 13 * 3600.0])
def test_a_flight_keeps_its_age_when_the_clock_is_set_and_the_program_restarts(bench: Bench, step_s: float) -> None:
    bench.pass_s(3)
    bench.mark("launch", box="*")
    bench.pass_s(10, place="flight")
    bench.mark("landing", box="*")
    bench.pass_s(5)
    bench.button("launch")
    bench.pass_s(100, place="flight")
    bench.clock_set_s = step_s
    bench.pass_s(100, place="flight")
    bench.check_flight() if step_s < 12 * 3600 else None
    bench.store.close()
    bench.begin()
    bench.pass_s(3, place="flight")
    assert bench.advice.flight.in_flight
    assert bench.landing_in_s() == pytest.approx(35 * 60 - 203, abs=2)


@pytest.mark.parametrize("step_s", [13 * 3600.0, -70.0])
def test_a_launch_marked_here_keeps_its_age_whatever_the_clock(bench: Bench, step_s: float) -> None:
    """Also where the clock is set back and shows the time of the mark once more."""
    bench.pass_s(3)
    bench.mark("launch", box="*")
    bench.pass_s(30, place="flight")
    bench.clock_set_s = step_s
    bench.pass_s(60, place="flight")
    for _ in range(2):
        bench.check_flight()
        bench.store.close()
        bench.begin()
        bench.turn()
        assert bench.landing_in_s() == pytest.approx(35 * 60 - 90, abs=1)


def test_a_flight_is_kept_when_the_clock_is_set_while_no_recorder_runs(bench: Bench) -> None:
    bench.pass_s(3)
    bench.mark("launch", box="*")
    bench.pass_s(30, place="flight")
    bench.store.close()
    bench.clock_set_s = 13 * 3600.0
    bench.now_s += 20.0
    bench.begin()
    bench.pass_s(13, place="flight")
    assert bench.landing_in_s() == pytest.approx(35 * 60 - 63, abs=1)
    assert bench.boards.commands == []


@pytest.mark.parametrize("begin", ["no", "early", "late"])
def test_a_charge_that_ended_well_does_not_block_the_launch(
    bench: Bench, begin: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also when it ended long before the newest saved state of the estimator ("late")."""
    monkeypatch.setattr("groundbox.monitor.from_store.WARM_UP_S", 50.0)
    bench.pass_s(10)
    bench.mark("charge")
    bench.pass_s(100, charging="yes", battery_amps=-2.0)
    bench.pass_s(100)
    if begin != "no":
        bench.end() if begin == "late" else bench.store.close()
        bench.begin()
        bench.pass_s(15)
    assert "no_charge" not in bench.up()


@pytest.mark.parametrize("by", ["mark", "button"])
def test_a_launch_ends_the_charge_marked_at_a_box(bench: Bench, by: str) -> None:
    bench.pass_s(10)
    bench.mark("charge")
    bench.pass_s(5)
    if by == "mark":
        bench.mark("launch", box="*")
    else:
        bench.button("launch")
    bench.pass_s(100, place="flight")
    assert "no_charge" not in bench.up()

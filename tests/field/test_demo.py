"""`groundbox demo`, whole: real firmware in simulated boxes, recorded, estimated and warned about."""

import sys
import time
from datetime import datetime
from importlib import resources
from pathlib import Path

import pytest
from click.testing import CliRunner

from groundbox import settings
from groundbox.advice.words import clock
from groundbox.errors import BadInput
from groundbox.plan.day_file import load_day
from groundbox.rig.process import CPYTHON, MICROPYTHON, best_interpreter
from groundbox.store import Reader
from groundbox.ui import cmd_demo
from groundbox.ui.cmd_demo import Demo, fresh_folder, started_as
from groundbox.ui.demo_day import (
    AHEAD_S,
    FIRST_LAUNCH_S,
    FLIGHT_S,
    FLIGHTS,
    GAP_S,
    LAST_LANDING_S,
    DemoSession,
    SessionClock,
    day_text,
)
from groundbox.ui.recording import Stop

PATIENCE_S = 100.0


class Watched(Demo):
    """Ends once every board knows of the launch and the stalled fan was warned about; keeps what is to be looked at."""

    session: DemoSession

    def _step(self, stop: Stop) -> None:
        super()._step(stop)
        self.session = self._session
        known = all(follower.place == "flight" for follower in self._service.followers.values())
        if self._fan_warned_s is not None and known:
            stop.ask()


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Watched:
    place = fresh_folder(tmp_path_factory.mktemp("demo"))
    watched = Watched(settings.load(place / settings.FILE_NAME), place, 100.0, PATIENCE_S)
    watched.run()
    return watched


def test_a_fan_stalled_on_purpose_is_warned_about_within_15_s(demo: Watched) -> None:
    assert demo.session.stalled_s is not None
    assert demo._fan_warned_s is not None
    after_s = demo._fan_warned_s - demo.session.wall_s(demo.session.stalled_s)
    assert 0 < after_s <= 15


def test_the_masts_turn_back_time_comes_before_the_last_planned_landing_and_is_shown(demo: Watched) -> None:
    turn_back_s = demo._turn_back_s
    assert turn_back_s is not None
    assert turn_back_s < demo.session.wall_s(LAST_LANDING_S)
    log = (demo._place / "log.txt").read_text()
    assert "mast: turn-back time" in log
    assert "comes before the last planned landing" in log
    assert f"mast: turn-back time {clock(turn_back_s)}, before the last planned landing" in "\n".join(demo._closing())


def test_the_button_marks_the_flight_for_every_box(demo: Watched) -> None:
    with Reader(demo._chosen.database_path) as reader:
        for box in ("table", "mast"):
            kinds = [event.kind for event in reader.events(box)]
            assert kinds == ["started", "launch"], box


def test_nothing_is_lost_and_nothing_wrong_is_warned_about(demo: Watched) -> None:
    with Reader(demo._chosen.database_path) as reader:
        assert reader.boxes() == ["mast", "table"]
        counts = reader.counts()
        assert (counts.corrupt_lines, counts.lost_records) == (0, 0)
        for box in ("table", "mast"):
            kept = [r.sequence for r in reader.readings(box, 0.0)] + [e.sequence for e in reader.events(box)]
            assert sorted(kept) == list(range(1, len(kept) + 1))
        kinds = {(one.box, one.warning) for one in reader.warnings()}
    assert ("table", "fan_stalled") in kinds
    assert not {kind for _, kind in kinds} & {"silent", "restarted", "sensor_fault", "sources_disagree", "unmarked"}


def test_it_says_which_interpreter_runs_and_how_fast(demo: Watched) -> None:
    log = (demo._place / "log.txt").read_text()
    assert ("on MicroPython" if best_interpreter() == MICROPYTHON else "on CPython") in log
    assert "100 times real time" in log


def test_once_ends_by_itself_and_says_where_things_are(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cmd_demo, "ONCE_REAL_S", 5.0)
    done = CliRunner().invoke(cmd_demo.command, ["--once", "--folder", str(tmp_path)])
    assert done.exit_code == 0, done.output
    for name in ("session.db", "log.txt", "groundbox.toml"):
        assert str(tmp_path / name) in done.output
        assert (tmp_path / name).exists()
    assert f" now --settings {tmp_path / 'groundbox.toml'}" in done.output


def test_the_next_command_is_one_that_starts_this_program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = tmp_path / "groundbox"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", "")
    assert started_as(str(program)) == str(program)
    monkeypatch.setenv("PATH", str(tmp_path))
    assert started_as(str(program)) == "groundbox"
    assert started_as("/elsewhere/groundbox/__main__.py") == f"{sys.executable} -m groundbox"


def test_without_micropython_the_same_firmware_runs_under_cpython(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("groundbox.rig.bench.best_interpreter", lambda: CPYTHON)
    monkeypatch.setattr(cmd_demo, "ONCE_REAL_S", 4.0)
    done = CliRunner().invoke(cmd_demo.command, ["--once", "--folder", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert "on CPython (MicroPython is not installed)" in done.output
    with Reader(tmp_path / "session.db") as reader:
        assert reader.boxes() == ["mast", "table"]


@pytest.mark.parametrize("hour", [0, 9, 13, 20])
def test_the_day_file_begins_with_the_demo(tmp_path: Path, hour: int) -> None:
    start = datetime(2031, 7, 20, hour, 41, 7)
    example = resources.files("groundbox") / "examples" / "bog_day.toml"
    path = tmp_path / "day.toml"
    path.write_text(day_text(example.read_text(encoding="utf-8"), start))
    day = load_day(path)
    assert day.date == start.date()
    assert day.start_clock_min == pytest.approx(60 * hour + 41 + 7 / 60)
    launches_s = [60 * flight.launch_min for flight in day.flights]
    assert launches_s == pytest.approx([FIRST_LAUNCH_S + i * (FLIGHT_S + GAP_S) for i in range(FLIGHTS)])
    assert day.ambient_c(0.0) == pytest.approx(24, abs=2)


def test_page_and_plan_have_the_demos_day(demo: Watched) -> None:
    day = load_day(demo._place / "bog_day.toml")
    begun = datetime.fromtimestamp(demo.session.wall_s(0.0))
    assert 60 * begun.hour + begun.minute + begun.second / 60 == pytest.approx(day.start_clock_min, abs=0.05)


def test_no_hand_is_sent_to_the_fans_in_flight(demo: Watched) -> None:
    log = (demo._place / "log.txt").read_text()
    assert "in flight all hands stay off the fans" in log
    assert "frees" not in log


def test_simulated_time_waits_for_the_slowest_board() -> None:
    clock = SessionClock(1000.0, 0.0)
    reached = [5.0, 3.0]
    clock.followed += [lambda: reached[0], lambda: reached[1]]
    time.sleep(0.02)  # twenty simulated seconds
    assert clock.monotonic_s() == 3.0 + AHEAD_S
    reached[1] = 4.0
    time.sleep(0.02)
    assert clock.monotonic_s() == 4.0 + AHEAD_S
    reached[0] = 0.0
    assert clock.monotonic_s() == 4.0 + AHEAD_S  # never backward
    clock.followed.clear()
    clock.held = True
    time.sleep(0.01)
    assert clock.monotonic_s() == 4.0 + AHEAD_S


def test_it_deletes_nothing_but_its_own(tmp_path: Path) -> None:
    (tmp_path / "groundbox.toml").write_text("# mine\n")
    with pytest.raises(BadInput, match="is not an earlier demo's folder"):
        fresh_folder(tmp_path)
    assert (tmp_path / "groundbox.toml").read_text() == "# mine\n"
    other = fresh_folder(tmp_path / "demo")
    (other / "notes.txt").write_text("mine")
    (other / "session.db").write_text("old")
    fresh_folder(other)
    assert (other / "notes.txt").read_text() == "mine"
    assert not (other / "session.db").exists()

"""Board maintenance on a simulated board behind its port: mpremote as it is, the real interpreter, the firmware."""

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import pytest
import serial
from click.testing import CliRunner, Result

from groundbox import cli
from groundbox.errors import BadInput, LinkError
from groundbox.maintenance import bytecode
from groundbox.maintenance.dialogue import Dialogue
from groundbox.rig import demo_boxes
from groundbox.rig.bench import SimClock, SimulatedBoard
from groundbox.rig.process import MICROPYTHON, interpreter_path
from groundbox.ui import cmd_board, cmd_board_install
from groundbox.ui.cmd_board_install import _package

NewBoard = Callable[..., SimulatedBoard]

pytestmark = pytest.mark.skipif(interpreter_path() is None, reason="no micropython command here")


@pytest.fixture
def board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[NewBoard]:
    """Starts a simulated board, cool so that its fans are off."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    with ExitStack() as stack:

        def new(speed: float = 1.0, **more: object) -> SimulatedBoard:
            cool = replace(demo_boxes.TABLE, start_c=20.0)
            made = SimulatedBoard(cool, SimClock(speed), tmp_path, interpreter=MICROPYTHON, **more)
            made.start()
            stack.callback(made.stop)
            return made

        yield new


def _run(*words: str, said: str = "") -> Result:
    return CliRunner().invoke(cli.commands, ["board", *words], input=said)


def _wait_for(port: str) -> None:
    late_s = time.monotonic() + 10
    while not Path(port).exists() and time.monotonic() < late_s:
        time.sleep(0.1)


def test_a_board_with_nothing_but_micropython_gets_firmware_then_another_and_goes_back_from_a_bad_one(
    board: NewBoard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    simulated = board(speed=3.0)
    flash = tmp_path / "flash"
    for path in [path for path in flash.rglob("*") if path.is_file()]:
        path.unlink()
    (flash / "main.py").write_text("")
    simulated.power(False)
    simulated.power(True)
    time.sleep(0.5)
    first = json.loads(_run("install", simulated.port, "--json").output)
    assert (first["slot"], first["before"]) == ("a", None)
    assert first["box"].startswith("box-")
    again = json.loads(_run("install", simulated.port, "--json").output)
    assert (again["slot"], again["before"]) == ("b", "a")
    assert (flash / "choice").read_text() == "b"
    package = _package(bytecode.VERSION)
    wanted = {path.relative_to(flash / "b").as_posix(): path.read_bytes() for path in (flash / "b").rglob("*.*py")}
    assert wanted == package.files
    bad = replace(package, files={**package.files, "startup/tasks.py": b"raise OSError('seeded')\n"})
    monkeypatch.setattr(cmd_board_install, "_package", lambda version: bad)
    failed = _run("install", simulated.port)
    assert isinstance(failed.exception, LinkError)
    assert "not kept; slot b runs again" in str(failed.exception)
    assert (flash / "choice").read_text() == "b!a"


def test_settings_fans_and_calibration(board: NewBoard, monkeypatch: pytest.MonkeyPatch) -> None:
    simulated = board()
    monkeypatch.setattr(cmd_board, "SETTLE_S", 4)
    done = _run("settings", simulated.port, "fan_on_centi_c=2900", "fan_off_centi_c=2500", "fan2_kind=0", "--json")
    rows = {row["name"]: row for row in json.loads(done.output)["settings"]}
    assert {name: row["value"] for name, row in rows.items()} == {
        "fan_on_centi_c": 2900,
        "fan_off_centi_c": 2500,
        "fan2_kind": 0,
    }
    assert json.loads(_run("settings", simulated.port, "box=hut", "--json").output)["box"] == "hut"
    refused = _run("settings", simulated.port, "fan_on_centi_c=4999")
    assert isinstance(refused.exception, BadInput)
    assert "fan_on_centi_c minus fan_off_centi_c" in str(refused.exception)
    assert "range" in _run("settings", simulated.port).output
    fan = json.loads(_run("fans", simulated.port, "--json").stdout)["fans"]
    assert [(one["fan"], one["good"], one["full_rpm"] > 2500) for one in fan] == [(1, True, True)]
    assert fan[0]["low_rpm"] < 2000
    simulated.set("fan1", "stalled")
    stalled = _run("fans", simulated.port)
    assert stalled.exit_code == 1
    assert "does not turn" in stalled.output
    simulated.set("case_bath_c", 20.4)
    words = ("calibrate", "temperature", simulated.port, "--one-point", "--thermometer-error", "0.1", "--yes", "--json")
    lie = _run(*words, said="\n11,4\n")
    assert "check the thermometer" in str(lie.exception)
    calibrated = _run(*words, said="\n20,4\n")
    assert calibrated.exit_code == 0, calibrated.output
    with Dialogue(simulated.port) as talk:
        assert talk.meet(5)
        shown = [reading["case_centi_c"] for reading in talk.readings(3)]
    assert abs(int(shown[-1] or 0) - 2040) < 15


def test_a_board_goes_back_to_work_when_an_installation_is_given_up_or_its_cable_drawn(
    board: NewBoard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    simulated = board(speed=3.0)
    slot_b = tmp_path / "flash" / "b"

    def give_up(text: str) -> None:
        if "5 of" in text:
            raise KeyboardInterrupt

    def draw_cable(text: str) -> None:
        if "5 of" in text:
            simulated.plug(False)

    monkeypatch.setattr(cmd_board_install, "_progress", lambda quiet: give_up)
    given_up = _run("install", simulated.port)
    assert given_up.exit_code == 1
    assert "its earlier firmware" in given_up.output
    assert any(slot_b.rglob("*.mpy"))
    _wait_for(simulated.port)
    assert _run("lamp", simulated.port, "--seconds", "1").exit_code == 0
    monkeypatch.setattr(cmd_board_install, "_progress", lambda quiet: draw_cable)
    drawn = _run("install", simulated.port)
    assert isinstance(drawn.exception, LinkError)
    assert "its earlier files are in force" in str(drawn.exception)
    simulated.plug(True)
    _wait_for(simulated.port)
    monkeypatch.undo()
    assert json.loads(_run("install", simulated.port, "--json").output)["slot"] == "b"


def test_readings_that_waited_are_passed_over(board: NewBoard) -> None:
    simulated = board(speed=5.0)
    with Dialogue(simulated.port) as talk:
        assert talk.meet(5)
        time.sleep(2)  # ten seconds of readings wait in the port, as while a person reads a meter
        began_ms = simulated.box.now_s * 1000
        uptimes = [int(reading["uptime_ms"] or 0) for reading in talk.readings(1)]
    assert uptimes
    assert min(uptimes) > began_ms - 1500
    assert uptimes == sorted(set(uptimes))


def test_lamp_and_port_in_use_and_flight(board: NewBoard) -> None:
    simulated = board()
    assert _run("lamp", simulated.port, "--seconds", "5").exit_code == 0
    late_s = time.monotonic() + 4
    seen = 0
    while time.monotonic() < late_s and seen < 20:
        seen = seen + 1 if simulated.box.lamp else 0
        time.sleep(0.1)
    assert seen == 20, "lit for two seconds without a break: no signal does that"
    with serial.Serial(simulated.port, exclusive=True):
        busy = _run("settings", simulated.port)
    assert isinstance(busy.exception, BadInput)
    assert "groundbox log" in str(busy.exception)
    with Dialogue(simulated.port) as talk:
        assert talk.meet(5)
        assert talk.ask("mark", kind="launch")["result"] == "ok"
    for words in (("install", simulated.port), ("buzzer", simulated.port)):
        flying = _run(*words)
        assert isinstance(flying.exception, BadInput)
        assert "in flight: mark the landing first" in str(flying.exception)


def test_a_board_to_practise_on(tmp_path: Path) -> None:
    place = tmp_path / "bench"
    command = [sys.executable, "-c", "from groundbox.cli import main; main()", "board", "practice", str(place)]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True, bufsize=1) as bench:
        assert bench.stdin is not None
        assert bench.stdout is not None
        try:
            assert str(place / "port") in bench.stdout.readline()
            assert "box table" in _run("settings", str(place / "port"), "fan2_kind=0").output
            bench.stdin.write("fan1 stalled\n\nfan1 wobbly\ncable\n")
            lines = [bench.stdout.readline() for _ in range(4)]
            assert lines[0] == "done\n"
            assert "battery 12." in lines[1]
            assert "write one of ok, stalled" in lines[2]
            assert "write two words" in lines[3]
            twice = _run("practice", str(place))
            assert "already runs there" in str(twice.exception)
        finally:
            bench.send_signal(signal.SIGINT)
        assert bench.wait(30) == 0
    assert not (place / "port").is_symlink()


def test_no_board_is_made_among_other_files_and_no_port_of_a_file(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").touch()
    assert "name a new folder" in str(_run("practice", str(tmp_path)).exception)
    assert "cannot be opened as a serial port" in str(_run("lamp", str(tmp_path / "mine.txt")).exception)


def test_a_board_gets_the_table_of_its_battery(board: NewBoard, tmp_path: Path) -> None:
    file = tmp_path / "groundbox.toml"
    file.write_text(
        '[flight]\ntime_home_min = 8\n[batteries.T18]\nprofile = "T18.toml"\n'
        '[boxes.table]\nbattery = "T18"\ncutoff_volts = 11.0\n[[boxes.table.loads]]\nname = "display"\nwatts = 18\n'
    )
    (tmp_path / "T18.toml").write_text("c20_ah = 18.0\n")
    simulated = board()
    found = _run("battery", simulated.port, "--settings", str(file))
    assert found.exit_code == 0, found.output
    assert "box table: load 1.50 A, time home and reserve 23 min" in found.output
    table = json.loads(_run("battery", simulated.port, "--settings", str(file), "--json").output)
    kept = max((path.read_bytes() for path in (tmp_path / "flash").glob("turn_back.*")), key=len).split()
    assert kept[-13:] == [b"%d" % value for name, value in table.items() if name != "box"]
    file.write_text(file.read_text().replace("time_home_min = 8", ""))
    wrong = _run("battery", simulated.port, "--settings", str(file))
    assert "flight.time_home_min" in str(wrong.exception)

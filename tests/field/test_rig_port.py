"""A simulated board behind its port, at a speed: what a program that opens the port reads."""

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
import serial

from groundbox.errors import LinkError
from groundbox.rig import demo_boxes
from groundbox.rig.bench import SimClock, SimulatedBoard
from groundbox.wire import line

SPEED = 30.0
NewBoard = Callable[..., SimulatedBoard]


@pytest.fixture
def board(tmp_path: Path) -> Iterator[NewBoard]:
    """Starts a simulated board on the best interpreter there is."""
    with ExitStack() as stack:

        def new(speed: float = SPEED, **more: object) -> SimulatedBoard:
            made = SimulatedBoard(demo_boxes.TABLE, SimClock(speed), tmp_path, **more)
            made.start()
            stack.callback(made.stop)
            return made

        yield new


def _hear(port: serial.Serial, wanted: Callable[[str, list], bool], real_s: float = 20.0) -> list:
    """Values of the first message that is wanted."""
    late, buffer = time.monotonic() + real_s, b""
    while time.monotonic() < late:
        buffer += port.read(port.in_waiting or 1)
        *lines, buffer = buffer.split(b"\n")
        for text in lines:
            if not line.looks_like_ours(text):
                continue
            try:
                name, values = line.decode(text)
            except ValueError:  # the port was opened in the middle of a line
                continue
            if wanted(name, values):
                return values
    raise AssertionError("not received")


def _there(port: str, real_s: float = 10.0) -> str:
    """The port, once it is there again."""
    late = time.monotonic() + real_s
    while not Path(port).exists() and time.monotonic() < late:
        time.sleep(0.01)
    return port


def test_a_host_opens_asks_and_comes_back(board: NewBoard) -> None:
    simulated = board()
    with serial.Serial(simulated.port, timeout=0.1) as port:
        _hear(port, lambda name, _: name == "reading")
        port.write(line.encode("who", ["*", 1]))
        assert _hear(port, lambda name, _: name == "hello")[0] == "table"
    time.sleep(0.2)  # no program reads what the board sends now
    with serial.Serial(simulated.port, timeout=0.1) as port:
        port.write(line.encode("ask_clock", ["table", 77]))
        values = _hear(port, lambda name, values: name == "clock" and values[3] == 77)
        assert values[4] < simulated.box.now_s * 1000
    assert simulated.alive
    assert simulated.starts == 1


def test_board_time_and_clock_run_alike(board: NewBoard) -> None:
    clock, simulated = SimClock(SPEED), board()
    with serial.Serial(simulated.port, timeout=0.1) as port:
        first = _hear(port, lambda name, values: name == "reading" and values[3] > 30_000)  # has caught up by then
        began_s = clock.monotonic_s()
        last = _hear(port, lambda name, values: name == "reading" and values[3] >= first[3] + 60_000)
        passed_s = clock.monotonic_s() - began_s
    assert (last[3] - first[3]) / 1000 == pytest.approx(passed_s, abs=0.5 * SPEED)


def test_cable_disconnected_and_connected_again(board: NewBoard) -> None:
    simulated = board()
    with serial.Serial(simulated.port, timeout=0.1) as port:
        boot = _hear(port, lambda name, _: name == "reading")[1]
        simulated.plug(False)
        with pytest.raises((serial.SerialException, OSError)):
            _hear(port, lambda name, _: False)
    assert not Path(simulated.port).exists()
    simulated.plug(True)
    with serial.Serial(_there(simulated.port), timeout=0.1) as port:
        assert _hear(port, lambda name, _: name == "reading")[1] == boot


def test_power_cut_and_back(board: NewBoard) -> None:
    simulated = board()
    with serial.Serial(simulated.port, timeout=0.1) as port:
        boot = _hear(port, lambda name, _: name == "reading")[1]
        simulated.power(False)
        simulated.power(True)
        with pytest.raises((serial.SerialException, OSError)):
            _hear(port, lambda name, _: False)  # on USB the port vanishes with the board
    with serial.Serial(_there(simulated.port), timeout=0.1) as port:
        assert _hear(port, lambda name, _: name == "reading")[1] == boot + 1
    assert simulated.starts == 2


def test_changes_take_effect_while_it_runs(board: NewBoard) -> None:
    simulated = board()
    with serial.Serial(simulated.port, timeout=0.1) as port:
        _hear(port, lambda name, values: name == "reading" and values[3] > 20_000)
        simulated.set("fan1", "stalled")
        _hear(port, lambda name, values: name == "reading" and "stalled" in values)


def test_cpython_runs_the_board_too(board: NewBoard) -> None:
    simulated = board(interpreter="cpython")
    with serial.Serial(simulated.port, timeout=0.1) as port:
        _hear(port, lambda name, _: name == "reading")
    assert simulated.interpreter == "cpython"


def test_two_boards_side_by_side_under_one_clock(tmp_path: Path) -> None:
    clock = SimClock(SPEED)
    boards = [SimulatedBoard(box, clock, tmp_path / box.name) for box in (demo_boxes.TABLE, demo_boxes.MAST)]
    for each in boards:
        each.start()
    try:
        for each in boards:
            with serial.Serial(each.port, timeout=0.1) as port:
                name = each.box.settings.name
                assert _hear(port, lambda kind, _: kind == "reading")[0] == name
    finally:
        for each in boards:
            each.stop()
    assert not any(each.alive for each in boards)


def test_a_failed_simulation_is_not_silent(tmp_path: Path) -> None:
    simulated = SimulatedBoard(demo_boxes.TABLE, SimClock(SPEED), tmp_path, interpreter="none")
    simulated.start()
    with pytest.raises(LinkError, match="table: .*none: is not installed"):
        simulated.stop()

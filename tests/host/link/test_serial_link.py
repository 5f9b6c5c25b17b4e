"""The thread at a port, against pseudo-terminals: found, lost, found again, unknown devices, commands."""

import errno
import os
import threading
import time
import tty
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from pathlib import Path
from random import Random
from types import SimpleNamespace

import pytest
import serial

from groundbox.errors import LinkError, WireError
from groundbox.link import serial_link
from groundbox.link.clock import Clocks, Moment
from groundbox.link.commands import RetryDelay
from groundbox.link.serial_link import SerialLink, SerialPorts
from groundbox.link.source import Arrivals
from groundbox.model import Answer, Hello, Item, LinkNote, Reading, Stored

REAL = Clocks(wall_s=time.time, monotonic_s=time.monotonic)


class Plugged:
    """A fake board at a pseudo-terminal, reachable by the same path each time it is plugged in."""

    def __init__(self, path: Path, board: object, answer: Callable[[bytes], bytes] | None = None) -> None:
        self.path, self.board, self._answer = path, board, answer
        self._master: int | None = None
        self.plug()

    def plug(self) -> None:
        self._master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(self._master, False)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(slave))
        self._slave = slave
        self._out = True
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def unplug(self) -> None:
        self._out = False
        self._thread.join()
        os.close(self._master)
        os.close(self._slave)
        self.path.unlink()

    def _run(self) -> None:
        began_s, rest = time.monotonic() - self.board.now_s, b""
        while self._out:
            self.board.now_s = time.monotonic() - began_s
            if self.board.now_s > 0.1 * self.board.sequence:
                self.board.measure()
            try:
                rest += os.read(self._master, 4096)
            except OSError:
                time.sleep(0.005)
            whole, _, rest = rest.rpartition(b"\n")
            if whole and self._answer:
                os.write(self._master, self._answer(whole))
            elif whole:
                self.board.hear(whole)
            if not self._answer:
                self._say()

    def _say(self) -> None:
        try:
            self.board.out = self.board.out[os.write(self._master, self.board.out) :]
        except OSError:
            time.sleep(0.005)


@pytest.fixture
def plugged(tmp_path: Path, board) -> Iterator[Plugged]:
    plugged = Plugged(tmp_path / "ttyBOARD", board)
    yield plugged
    if plugged._out:
        plugged.unplug()


@pytest.fixture
def arrivals() -> Arrivals:
    return Arrivals()


@pytest.fixture
def ports(tmp_path: Path, arrivals: Arrivals, monkeypatch: pytest.MonkeyPatch) -> Iterator[SerialPorts]:
    monkeypatch.setattr(serial_link, "LOST_RETRY_S", 0.05)
    monkeypatch.setattr(serial_link, "SCAN_S", 0.05)
    monkeypatch.setattr(serial_link, "UNKNOWN_S", 1.2)
    ports = SerialPorts(arrivals, REAL, [str(tmp_path / "tty*")], Random(1))
    yield ports
    ports.stop()


def _until(arrivals: Arrivals, enough: Callable[[list[Item]], object], seconds: float = 20.0) -> list[Item]:
    items: list[Item] = []
    end_s = time.monotonic() + seconds
    while not enough(items):
        assert time.monotonic() < end_s, f"not within {seconds} s: {items[-5:]}"
        items += arrivals.take(wait_s=0.05)
    return items


def _readings(items: list[Item]) -> list[int]:
    return [item.sequence for item in items if isinstance(item, Reading)]


def _notes(items: list[Item]) -> list[str]:
    return [item.kind for item in items if isinstance(item, LinkNote)]


def test_a_board_is_found_read_acknowledged_and_commanded(
    ports: SerialPorts, arrivals: Arrivals, plugged: Plugged
) -> None:
    ports.start()
    items = _until(arrivals, lambda items: len(_readings(items)) >= 3)
    assert _notes(items) == ["found"]
    reading = next(item for item in items if isinstance(item, Reading))
    assert abs(reading.wall_s - time.time()) < 5.0
    ports.acknowledge_stored([Stored(box="mast", boot=3, sequence=2)])
    answer = ports.command("mast", "get", setting="fan_on_centi_c").result(5.0)
    assert answer.value == "42"
    _until(arrivals, lambda _: plugged.board.acknowledged == 2)


def test_unplugged_and_plugged_in_again(ports: SerialPorts, arrivals: Arrivals, plugged: Plugged) -> None:
    ports.start()
    came = _until(arrivals, lambda items: len(_readings(items)) >= 2)
    for _ in range(3):
        plugged.unplug()
        lost = _until(arrivals, lambda items: "connection_lost" in _notes(items))
        assert _notes(lost).count("connection_lost") == 1
        for _ in range(4):
            plugged.board.measure(say=False)  # measured while nobody listened
        plugged.plug()
        came += lost + _until(arrivals, lambda items: "found" in _notes(items))
    newest = plugged.board.sequence
    came += _until(arrivals, lambda items: set(_readings(came + items)) >= set(range(1, newest + 1)))
    assert not any(hello.again for hello in came if isinstance(hello, Hello))


def test_a_command_without_a_board(ports: SerialPorts) -> None:
    assert isinstance(ports.command("mast", "silence").exception(1.0), LinkError)
    with pytest.raises(WireError, match="no command is called hello"):
        ports.command("mast", "hello")
    with pytest.raises(WireError, match="get takes setting"):
        ports.command("mast", "get")
    with pytest.raises(WireError, match="whole number from 1 to 2"):
        ports.command("mast", "switch", output=3, want="off")


def test_a_command_is_never_sent_late(ports: SerialPorts, arrivals: Arrivals, plugged: Plugged) -> None:
    ports.start()
    _until(arrivals, lambda items: len(_readings(items)) >= 1)
    plugged.unplug()
    futures = [ports.command("mast", "switch", output=1, want="off") for _ in range(3)]
    for future in futures:
        assert isinstance(future.exception(10.0), LinkError)
    plugged.plug()
    _until(arrivals, lambda items: "found" in _notes(items))
    assert [name for name, _ in plugged.board.heard if name == "switch"] == []


@pytest.mark.parametrize("answer", [lambda data: data, lambda data: b"OK\r\n"], ids=["echo", "prompt"])
def test_an_unknown_device_is_left_alone(
    answer: Callable[[bytes], bytes], ports: SerialPorts, arrivals: Arrivals, tmp_path: Path, board
) -> None:
    device = Plugged(tmp_path / "ttyUNKNOWN", board, answer)
    try:
        ports.start()
        items = _until(arrivals, lambda items: "unknown_device" in _notes(items))
        assert _readings(items) == []
        heard_s = time.monotonic()
        while time.monotonic() < heard_s + 0.5:
            assert _notes(arrivals.take(wait_s=0.05)) == []
    finally:
        device.unplug()


def test_a_board_that_starts_slowly_after_a_loss_is_no_unknown_device(
    ports: SerialPorts, arrivals: Arrivals, plugged: Plugged
) -> None:
    ports.start()
    _until(arrivals, lambda items: len(_readings(items)) >= 3)
    plugged.unplug()
    plugged._answer = lambda line: b""
    plugged.plug()
    time.sleep(2.0)  # longer than an unknown device is given
    plugged._answer = None
    items = _until(arrivals, _readings, 3.0)
    assert "unknown_device" not in _notes(items)


def test_two_boards_of_one_name(
    ports: SerialPorts, arrivals: Arrivals, plugged: Plugged, tmp_path: Path, make_board
) -> None:
    ports.start()
    _until(arrivals, lambda items: "found" in _notes(items))
    second = Plugged(tmp_path / "ttySECOND", make_board(boot=99))
    try:
        items = _until(arrivals, lambda items: "duplicate_name" in _notes(items))
        items += _until(arrivals, lambda more: len(_readings(more)) >= 3)
        assert {item.boot for item in items if isinstance(item, Reading)} == {3}
    finally:
        second.unplug()


def test_a_full_queue_stops_the_link_and_loses_nothing(tmp_path: Path, plugged: Plugged) -> None:
    arrivals = Arrivals(max_items=5)
    ports = SerialPorts(arrivals, REAL, [str(tmp_path / "tty*")], Random(1))
    ports.start()
    try:
        time.sleep(2.0)
        items = _until(arrivals, lambda items: len(_readings(items)) >= 25)
        assert set(_readings(items)) >= set(range(1, 20))
    finally:
        ports.stop()


def test_a_fault_of_the_program_does_not_end_the_thread(
    ports: SerialPorts, arrivals: Arrivals, plugged: Plugged, monkeypatch: pytest.MonkeyPatch
) -> None:
    faults = iter([True])
    monkeypatch.setattr(serial_link, "LOST_MAX_RETRY_S", 0.05)
    real = serial_link.Exchange.tick
    monkeypatch.setattr(serial_link.Exchange, "tick", lambda *given: 1 / 0 if next(faults, False) else real(*given))
    ports.start()
    items = _until(arrivals, lambda items: len(_readings(items)) >= 1)
    assert "a fault of this program: ZeroDivisionError" in items[0].sentence


def test_stop_before_start_is_harmless(arrivals: Arrivals) -> None:
    SerialPorts(arrivals, REAL, []).stop()


def test_ports_by_pattern_and_by_name(arrivals: Arrivals, tmp_path: Path) -> None:
    (tmp_path / "ttyA").touch()
    wanted = [str(tmp_path / "tty*"), str(tmp_path / "ttyA"), str(tmp_path / "later")]
    assert SerialPorts(arrivals, REAL, wanted).ports() == [str(tmp_path / "ttyA"), str(tmp_path / "later")]


def test_retry_delays_grow_to_a_limit_and_restart() -> None:
    delays = RetryDelay(1.0, 10.0, Random(1))
    series = [delays.next_s() for _ in range(12)]
    assert all(2 / 3 * 1.5**n <= delay <= 1.5**n for n, delay in enumerate(series[:5]))
    assert all(20 / 3 <= delay <= 10 for delay in series[7:])
    assert len(set(series)) == len(series), "jittered"
    delays.reset()
    assert delays.next_s() <= 1.0


def test_a_command_whose_time_budget_is_used_up_is_not_sent(desk) -> None:
    desk.run(2.0)
    now, future, late = desk.now(), Future(), Future()
    serial_link._command("mast", "silence", {}, future, now.real_s)(desk.session, now)
    assert future.running()
    serial_link._command("mast", "silence", {}, late, now.real_s - 0.01)(desk.session, now)
    assert isinstance(late.exception(0), LinkError)
    cancelled: Future[Answer] = Future()
    cancelled.cancel()
    serial_link._command("mast", "silence", {}, cancelled, now.real_s)(desk.session, now)
    desk.run(1.0)
    assert [name for name, _ in desk.board.heard if name == "silence"] == ["silence"]


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (LinkError("nothing heard"), "nothing heard"),
        (OSError(errno.EACCES, "x"), "no permission"),
        (OSError(errno.ENOENT, "x"), "no such port"),
        (OSError(errno.EBUSY, "x"), "another program"),
        (serial.SerialException("Could not exclusively lock port x"), "another program"),
        (serial.SerialTimeoutException("x"), "takes no more data"),
        (serial.SerialException("x"), "unplugged"),
        (OSError(errno.EINVAL, "Invalid argument"), "Invalid argument"),
    ],
)
def test_the_cause_of_a_lost_port(error: Exception, words: str) -> None:
    assert words in serial_link._cause(error)


def test_a_port_without_messages_is_given_up_after_8_s_and_a_hung_board_after_30_s(arrivals: Arrivals, desk) -> None:
    link = SerialLink("port", arrivals, desk.now, lambda box, link: True, Random(1))

    def check(exchange: object, real_s: float) -> None:
        link._check(exchange, Moment(wall_s=0.0, monotonic_s=0.0, real_s=real_s), 100.0)

    silent = SimpleNamespace(hello=None, heard_s=None)
    check(silent, 108.0)
    with pytest.raises(serial_link._UnknownDevice):
        check(silent, 108.1)
    hung = SimpleNamespace(hello=SimpleNamespace(box="mast"), heard_s=200.0)
    check(hung, 230.0)
    assert link.box == "mast"
    with pytest.raises(LinkError, match="nothing heard for 30 s"):
        check(hung, 230.1)


def test_one_note_for_one_cause_until_a_board_answers(arrivals: Arrivals, desk) -> None:
    link = SerialLink("port", arrivals, desk.now, lambda box, link: True, Random(1))
    for _ in range(3):
        link._note("connection_lost", "unplugged")
    link._note("program_fault", "x")
    assert [item.kind for item in arrivals.take()] == ["connection_lost", "program_fault"]
    answering = SimpleNamespace(hello=SimpleNamespace(box="mast"), heard_s=desk.now().real_s)
    link._check(answering, desk.now(), desk.now().real_s)
    link._note("program_fault", "x")
    assert len(arrivals.take()) == 1

"""The serial link, board side: said once a second, kept until stored, never in the way of control."""

import random
from collections.abc import Callable
from pathlib import Path
from zlib import crc32

import pytest

from groundbox.rig.bench import Bench
from groundbox.rig.console import BufferConsole
from groundbox.wire import line
from groundbox.wire.messages import checksum, fields_of

NewBench = Callable[..., Bench]


def _field(message: tuple[str, list[int | str | None]], name: str) -> int | str | None:
    return message[1][[field[0] for field in fields_of(message[0])].index(name)]


def _records(messages: list[tuple[str, list[int | str | None]]]) -> list[int]:
    return [values[2] for name, values in messages if name in ("reading", "event")]


def _named(messages: list[tuple[str, list[int | str | None]]], name: str) -> list[list[int | str | None]]:
    return [values for found, values in messages if found == name]


def test_a_board_says_hello_and_a_reading_each_second(bench: NewBench) -> None:
    messages = bench().run_for(20.7)
    hello = messages[0]
    assert hello[0] == "hello"
    assert _field(hello, "box") == "mast"
    assert _field(hello, "registry") == checksum()
    assert _field(hello, "reset_cause") == "power"
    assert _field(hello, "sample_hz") == 500
    assert messages[1][0] == "event"
    readings = [message for message in messages if message[0] == "reading"]
    assert _records(messages) == list(range(1, len(readings) + 2))
    times = [_field(reading, "uptime_ms") for reading in readings]
    assert len(times) == 20
    assert all(abs(ms - 1000 * (i + 1)) < 5 for i, ms in enumerate(times))
    assert {_field(reading, "voltage_sensor") for reading in readings} == {"ok"}


def test_records_are_kept_until_stored_and_no_longer(bench: NewBench) -> None:
    board = bench()
    boot = _field(board.run_for(10.5)[0], "boot")
    board.send("stored", ["mast", 8, boot - 1, 20])  # another start's
    board.send("stored", ["mast", 1, boot, 6])
    board.send("who", ["mast", 2])
    again = board.run_for(0.3)
    assert _records(again) == list(range(7, 12))
    assert [_field(("hello", values), "oldest_sequence") for values in _named(again, "hello")] == [7]
    board.send("stored", ["mast", 3, boot, 10_000])  # more than there is: all there is
    board.send("stored", ["mast", 4, boot, 3])  # late: takes nothing back
    board.send("who", ["mast", 6])
    assert len(_records(board.run_for(0.9))) <= 1
    board.send("resend", ["mast", 7, 2, 4])
    assert [number for number in _records(board.run_for(0.5)) if number < 9] == [2, 3, 4]


def test_what_a_present_host_does_not_store_comes_again_by_itself(bench: NewBench) -> None:
    board = bench()
    board.run_for(5.5)
    board.send("ask_clock", ["mast", 1])
    heard = []
    for number in range(2, 6):
        heard += _records(board.run_for(6.0))
        board.send("ask_clock", ["mast", number])
    assert heard.count(1) == 1
    assert heard[0] == 7, "a live one"
    board.run_for(12.0)
    assert 1 not in _records(board.run_for(60.0)), "nobody is there to hear it again"


def test_backlog_comes_behind_live_readings(bench: NewBench) -> None:
    board = bench()
    board.run_for(200.5)
    board.send("who", ["mast", 1])
    records = _records(board.run_for(3.0))
    newest = [number for number in records if number > 201]
    assert len(newest) == 3
    assert sorted(set(records)) == list(range(1, max(newest) + 1))
    assert records.index(newest[0]) < records.index(200)


def test_the_clock_has_the_time_of_its_sending(bench: NewBench) -> None:
    board = bench()
    board.run_for(3.0)
    offsets_ms = []
    for number in range(20):
        board.send("ask_clock", ["mast", number])
        began_ms = board.world.now_us // 1000
        (clock,) = _named(board.run_for(0.37), "clock")
        assert clock[3] == number
        offsets_ms.append(began_ms - clock[4])
    assert max(offsets_ms) - min(offsets_ms) <= 110, "a question waits for the next step at most"


def test_health_comes_each_minute(bench: NewBench) -> None:
    board = bench()
    messages = board.run_for(185)
    health = [message for message in messages if message[0] == "health"]
    assert len(health) == 3
    for message in health:
        assert _field(message, "free_heap_bytes") > 20_000
        assert 0 < _field(message, "worst_step_us") < 20_000
        assert [_field(message, name) for name in ("late_steps", "dropped_records", "bad_lines", "link_restarts")] == [
            0
        ] * 4


def test_console_text_shares_the_port(bench: NewBench, tmp_path: Path) -> None:
    board = bench(board_settings={"low_urgent_mv": 11400})
    source = tmp_path / "flash" / "a" / "uplinks" / "serial_uplink.py"
    source.write_text(
        source.read_text()
        + """

_plain_turn = SerialUplink.turn


def _turn(self):
    if self._desk.control.uptime_s in (5, 6, 7):
        self._desk.say("text of a library {not a message}")
        print("and some past every rule", end="")
    return _plain_turn(self)


SerialUplink.turn = _turn
"""
    )
    messages = board.run_for(20.5)
    assert b"text of a library {not a message}\n" in board.console.heard
    assert b"and some past every rule" in board.console.heard
    board.send("who", ["mast", 1])
    assert set(_records(messages) + _records(board.run_for(1))) >= set(range(1, 21))


def test_dirt_on_the_line_is_counted_and_harmless(bench: NewBench) -> None:
    board = bench()
    board.run_for(2.5)
    dirt = random.Random(4)
    good = line.encode("set", ["mast", 1, "fan_on_centi_c", "3600", "no"])
    for _ in range(40):
        torn = bytearray(good)
        torn[dirt.randrange(len(good) - 1)] ^= 1 << dirt.randrange(7)
        board.console.send(bytes(torn) + bytes(dirt.randrange(256) for _ in range(dirt.randrange(900))) + b"\n")
        board.console.send(b"\x03\x04\x01\r\n" + b"{" * 3000 + b"\n" + good[: dirt.randrange(len(good))])
        board.run_for(0.7)
    board.console.send(b"\n")
    board.run_for(1)
    board.send("get", ["mast", 9, "fan_on_centi_c"])
    board.send("get", ["*", 10, "sample_hz"])
    board.send("get", ["table", 11, "sample_hz"])
    messages = board.run_for(40)
    answers = [values[3:6] for values in _named(messages, "answer")]
    assert answers == [[9, "ok", "fan_on_centi_c"], [10, "ok", "sample_hz"]]
    (health,) = [message for message in messages if message[0] == "health"]
    assert 20 < _field(health, "bad_lines") <= 200
    assert _field(health, "worst_step_us") < 20_000
    assert _field(health, "late_steps") == 0
    assert board.world.starts == 1


def test_messages_from_another_registry_are_answered(bench: NewBench) -> None:
    board = bench()
    board.run_for(1.5)
    for text in (b"dance|mast|12|fast", b"set|mast|13|fan_on_centi_c", b"mark|mast|14|pause", b"dance|table|15|slow"):
        board.console.send(b"{%s}%08X\n" % (text, crc32(text)))
    answers = _named(board.run_for(1), "answer")
    assert [values[3:5] for values in answers] == [[12, "unknown"], [13, "refused"], [14, "refused"]]
    assert answers[0][9] == "no_message_is_called_dance"


def test_our_own_words_sent_back_are_ignored(bench: NewBench) -> None:
    board = bench()
    board.run_for(5.5)
    board.console.send(bytes(board.console.heard))
    assert {name for name, _ in board.run_for(1)} <= {"reading"}
    board.send("get", ["mast", 1, "sample_hz"])
    assert _named(board.run_for(1), "answer"), "the link still works"


class StalledConsole(BufferConsole):
    """A reader that has the port open and does not read."""

    def __init__(self) -> None:
        super().__init__()
        self.stalled = False

    def full(self) -> bool:
        return self.stalled


def test_a_reader_that_stalls_does_not_hold_up_control(bench: NewBench) -> None:
    board = bench()
    console = StalledConsole()
    board.console = board.world._console = console
    board.run_for(3.5)
    console.stalled = True
    board.run_for(300)
    console.stalled = False
    messages = board.run_for(10)
    readings = [values for name, values in messages if name == "reading"]
    assert max(values[2] for values in readings) >= 310
    assert set(range(20, 310)) <= set(_records(messages)), "the backlog follows"
    board.run_for(60)
    board.send("who", ["*", 1])
    health = [message for message in board.run_for(70) if message[0] == "health"][-1]
    assert _field(health, "worst_step_us") < 20_000
    assert (_field(health, "late_steps"), _field(health, "link_restarts")) == (0, 0)
    assert board.world.starts == 1


def test_a_port_that_takes_a_byte_at_a_time_says_the_same(
    bench: NewBench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on RP2040, where POLLOUT promises room for one byte only."""
    monkeypatch.setattr("groundbox.rig.process._PIPE_BYTES", 65536)  # one of 4096 counts as full from its first byte
    board = bench()
    pins = tmp_path / "flash" / "a" / "drivers" / "pins.py"
    pins.write_text(pins.read_text() + 'PINS["write_bytes"] = 1\n')
    messages = board.run_for(30.5)
    assert _records(messages) == list(range(1, 32))
    board.send("who", ["mast", 1])
    assert set(_records(board.run_for(10))) >= set(range(1, 40))

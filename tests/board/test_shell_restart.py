"""Restarts: what is kept, what is held, what bites and what only begins again."""

from collections.abc import Callable
from pathlib import Path

import pytest

from groundbox.rig.bench import Bench, Message
from groundbox.rig.changes import SimChange
from groundbox.wire.messages import fields_of

NewBench = Callable[..., Bench]

HANG = """
_sound_step = Control.step


def _step(self, step_ms, inputs):
    if self.uptime_s == 10:
        raise OSError("seeded")
    _sound_step(self, step_ms, inputs)


Control.step = _step
"""


def _field(message: Message, name: str) -> int | str | None:
    return message[1][[field[0] for field in fields_of(message[0])].index(name)]


def _events(messages: list[Message]) -> list[int | str | None]:
    return [_field(message, "kind") for message in messages if message[0] == "event"]


def _hello(messages: list[Message]) -> Message:
    return next(message for message in messages if message[0] == "hello")


def _answers(messages: list[Message]) -> list[int | str | None]:
    return [_field(message, "result") for message in messages if message[0] == "answer"]


def _spoil(tmp_path: Path, file: str, code: str) -> None:
    """Appends to one of the staged firmware's files."""
    path = tmp_path / "flash" / "a" / file
    path.write_text(path.read_text() + "\n\n" + code)


def test_settings_and_boot_number_survive_a_power_cut(bench: NewBench) -> None:
    board = bench()
    first = _hello(board.run_for(3))
    board.send("set", ["mast", 1, "low_urgent_mv", "11500", "no"])
    board.send("set", ["mast", 2, "low_urgent_mv", "9000", "no"])
    messages = board.run_for(2)
    assert _answers(messages) == ["ok", "refused"]
    assert "settings_changed" in _events(messages)
    board.world.power_cut()
    board.run_for(2)
    board.send("who", ["mast", 3])
    board.send("get", ["mast", 4, "low_urgent_mv"])
    messages = board.run_for(2)
    second = _hello(messages)
    assert _field(second, "boot") == _field(first, "boot") + 1
    assert _field(second, "settings") != _field(first, "settings")
    assert _field(second, "reset_cause") == "power"
    assert [_field(message, "value") for message in messages if message[0] == "answer"] == ["11500"]


def test_a_change_of_what_is_fitted_counts_at_once(bench: NewBench) -> None:
    board = bench(board_settings={"intake_sensor_kind": 0})
    assert _field(board.run_for(5)[-1], "intake_sensor") == "absent"
    board.send("set", ["mast", 1, "intake_sensor_kind", "1", "no"])
    reading = board.run_for(5)[-1]
    assert _field(reading, "intake_sensor") == "ok"
    assert _field(reading, "intake_centi_c") is not None


def test_damaged_settings_do_not_stop_a_start(bench: NewBench, tmp_path: Path) -> None:
    board = bench()
    for slot in "ab":
        (tmp_path / "flash" / f"settings.{slot}").write_bytes(b"\x00\xff" * 50)
        (tmp_path / "flash" / f"state.{slot}").write_bytes(b"")
    messages = board.run_for(5)
    assert "settings_fallback" in _events(messages)
    assert [message for message in messages if message[0] == "reading"]
    assert str(_field(_hello(messages), "box")).startswith("box-")


def test_a_box_without_sensors_still_starts_and_says_what_is_missing(bench: NewBench) -> None:
    changes = [SimChange(at_s=0, thing=name, value="open") for name in ("case", "intake", "battery")]
    changes.append(SimChange(at_s=0, thing="monitor", value="silent"))
    messages = bench(changes=changes).run_for(30)
    reading = messages[-1]
    assert _field(reading, "voltage_sensor") == "silent"
    assert _field(reading, "battery_mv") is not None, "the divider takes over"
    assert _field(reading, "case_sensor") == "open"
    assert _field(reading, "case_centi_c") is None
    assert _field(reading, "fan1_percent") == 100


def test_a_monitor_that_comes_back_is_configured_again(bench: NewBench) -> None:
    changes = [
        SimChange(at_s=5, thing="monitor", value="silent"),
        SimChange(at_s=20, thing="monitor", value="ok"),
    ]
    board = bench(changes=changes)
    assert _field(board.run_for(18)[-1], "current_sensor") == "silent"
    assert _field(board.run_for(8)[-1], "current_sensor") == "ok"


def test_case_by_1_wire_sensor_stays_fresh(bench: NewBench) -> None:
    board = bench(board_settings={"case_sensor_kind": 3, "battery_sensor_kind": 3, "intake_sensor_kind": 3})
    readings = [message for message in board.run_for(60) if message[0] == "reading"][6:]
    for sensor in ("case_sensor", "battery_sensor", "intake_sensor"):
        assert {_field(reading, sensor) for reading in readings} == {"ok"}
    assert {_field(reading, "fan1_percent") for reading in readings} == {0}
    assert max(_field(reading, "worst_step_us") for reading in readings) < 6000
    assert abs(_field(readings[-1], "case_centi_c") - 100 * board.box.case.air_c) < 60


def test_through_a_reset_output_1_is_on_and_output_2_off_and_then_as_they_were(bench: NewBench) -> None:
    board = bench()
    seen = []
    feel = board.world.wiring.drive

    def watch(levels: list[int]) -> None:
        feel(levels)
        if not seen or seen[-1] != board.box.output_on:
            seen.append(list(board.box.output_on))

    board.world.wiring.drive = watch
    board.run_for(3)
    board.send("switch", ["mast", 1, 2, "off", "no"])
    assert _answers(board.run_for(2)) == ["ok"]
    assert seen == [[True, False]], "a power-on delays output 2"
    board.world.power_cut()
    messages = board.run_for(8)
    assert seen == [[True, False]]
    assert _field(messages[-1], "output2") == "off"
    assert not [kind for kind in _events(messages) if str(kind).startswith("output")]
    board.send("switch", ["mast", 2, 2, "on", "no"])
    board.send("switch", ["mast", 3, 1, "off", "no"])
    board.run_for(3)
    board.world.power_cut("watchdog")
    readings = [message for message in board.run_for(3) if message[0] == "reading"]
    assert seen[1:] == [[False, True], [True, False], [False, True]]
    assert _field(readings[0], "output2") == "on", "its power had not failed"
    board.world.power_cut()
    readings = [message for message in board.run_for(9) if message[0] == "reading"]
    states = [_field(reading, "output2") for reading in readings]
    assert states == ["starting"] * 4 + ["on"] * (len(states) - 4)


def test_flight_outlasts_a_reset(bench: NewBench) -> None:
    board = bench()
    board.run_for(3)
    board.send("mark", ["mast", 1, "launch"])
    board.run_for(2)
    board.world.power_cut()
    assert _field(board.run_for(3)[-1], "place") == "flight"


def test_the_button_marks_when_held_and_a_tap_in_flight_silences_and_marks_the_return(bench: NewBench) -> None:
    presses = [(5, "pressed"), (7, "released"), (10, "pressed"), (10.3, "released"), (15, "pressed"), (17, "released")]
    presses += [(18, "pressed"), (20, "released")]
    board = bench(changes=[SimChange(at_s=at_s, thing="button", value=value) for at_s, value in presses])
    assert _events(board.run_for(19)) == ["started", "launch", "silenced", "returning"]
    assert _events(board.run_for(3)) == ["landing"]


def test_a_hung_link_is_started_again_while_control_goes_on(bench: NewBench, tmp_path: Path) -> None:
    board = bench()
    _spoil(
        tmp_path,
        "uplinks/serial_uplink.py",
        """
_sound_run = SerialUplink.run
_hung = []


async def _run(self, alive, pace):
    if not _hung:
        _hung.append(1)
        for _ in range(100):
            self.turn()
            alive()
            await pace.wait()
        await asyncio.sleep_ms(30000)
        self._desk.say("the hung one woke up")
    await _sound_run(self, alive, pace)


SerialUplink.run = _run
""",
    )
    early = board.run_for(12)
    assert len(board.run_for(3)) == 0, "it hangs"
    late = board.run_for(70)
    assert _hello(late)
    assert "link_restarted" in _events(late)
    readings = {_field(message, "sequence") for message in early + late if message[0] != "hello"}
    assert readings >= set(range(1, 70)), "what was measured meanwhile follows"
    assert board.world.starts == 1
    assert b"the hung one" not in board.console.heard, "it was ended for good"
    health = [message for message in late if message[0] == "health"][-1]
    assert (_field(health, "link_restarts"), _field(health, "late_steps")) == (1, 0)


def test_a_link_that_fails_is_reported_and_started_again(bench: NewBench, tmp_path: Path) -> None:
    board = bench()
    _spoil(
        tmp_path,
        "uplinks/serial_uplink.py",
        """
_sound_turn = SerialUplink.turn
_failed = []


def _turn(self):
    if self._desk.control.uptime_s == 5 and not _failed:
        _failed.append(1)
        raise ValueError("seeded")
    return _sound_turn(self)


SerialUplink.turn = _turn
""",
    )
    messages = board.run_for(20)
    assert b"ValueError: seeded" in board.console.heard
    assert "link_restarted" in _events(messages)
    assert len([message for message in messages if message[0] == "hello"]) == 2
    assert board.world.starts == 1


def test_hung_control_is_ended_by_the_watchdog_and_started_again(bench: NewBench, tmp_path: Path) -> None:
    board = bench()
    _spoil(tmp_path, "core/control.py", HANG)
    messages = board.run_for(26)
    assert b"OSError: seeded" in board.console.heard, "the link still tells what is wrong"
    hellos = [message for message in messages if message[0] == "hello"]
    assert [_field(message, "reset_cause") for message in hellos] == ["power", "watchdog"]
    assert board.world.starts == 2


def test_a_judge_that_fails_each_second_ends_in_hardware_defaults(bench: NewBench, tmp_path: Path) -> None:
    """Nine of ten steps are sound, and none of them counts as a sign of life."""
    board = bench()
    _spoil(
        tmp_path,
        "core/control.py",
        """
_sound_judge = Control._judge


def _judge(self, *what):
    if self.uptime_s >= 10:
        raise ValueError("seeded")
    _sound_judge(self, *what)


Control._judge = _judge
""",
    )
    board.run_for(10)
    assert {fan.drive for fan in board.box.fans} == {0.0}
    messages = board.run_for(2)
    assert {fan.drive for fan in board.box.fans} == {1.0}, "full as soon as a judgement failed"
    messages += board.run_for(14)
    assert _events(messages) == ["control_failed", "started"]
    hello = next(message for message in messages if message[0] == "hello")
    assert _field(hello, "reset_cause") == "watchdog"
    assert b"ValueError: seeded" in board.console.heard


def test_one_bad_step_is_reported_and_control_goes_on(bench: NewBench, tmp_path: Path) -> None:
    board = bench()
    _spoil(
        tmp_path,
        "core/control.py",
        """
_sound_step = Control.step
_failed = []


def _step(self, step_ms, inputs):
    if self.uptime_s == 10 and not _failed:
        _failed.append(1)
        raise OSError("seeded")
    _sound_step(self, step_ms, inputs)


Control.step = _step
""",
    )
    messages = board.run_for(60)
    assert board.console.heard.count(b"OSError: seeded") == 1
    assert _events(messages) == ["started", "control_failed"]
    assert board.world.starts == 1


def test_a_start_that_fails_is_reported_and_tried_again(bench: NewBench, tmp_path: Path) -> None:
    board = bench()
    _spoil(tmp_path, "uplinks/desk.py", "raise ImportError('seeded')")
    board.run_for(9)
    assert board.console.heard.count(b"ImportError: seeded") >= 2
    assert board.world.starts >= 3


def test_maintenance_holds_outputs_and_ends_with_the_next_reset(bench: NewBench) -> None:
    board = bench()
    board.run_for(3)
    board.send("switch", ["mast", 1, 2, "off", "no"])
    board.send("maintenance", ["mast", 2])
    messages = board.run_for(4)
    assert _answers(messages) == ["ok", "ok"]
    assert board.world.starts == 2
    assert b"maintenance: copy files now; a reset, or 30 minutes, ends it" in board.console.heard
    assert board.run_for(60) == []
    assert board.world.starts == 2, "the watchdog is fed"
    assert board.box.output_on == [True, False]
    assert board.box.lamp
    assert {fan.drive for fan in board.box.fans} == {1.0}
    board.world.power_cut()
    messages = board.run_for(5)
    assert _field(_hello(messages), "reset_cause") == "maintenance"
    assert _field(messages[-1], "output2") == "off"
    board.world.power_cut()
    assert _field(_hello(board.run_for(3)), "reset_cause") == "power"


def test_a_board_forgotten_in_maintenance_goes_back_to_work(bench: NewBench) -> None:
    board = bench()
    board.run_for(3)
    board.send("maintenance", ["mast", 1])
    board.run_for(5)
    board.console.send(b"\x01import gc\ngc.collect()\n\x04")
    board.run_for(1700)
    assert board.world.starts == 2
    assert _field(_hello(board.run_for(200)), "reset_cause") == "maintenance"


def test_a_soft_reset_ends_maintenance_by_the_watchdog(bench: NewBench) -> None:
    board = bench()
    board.run_for(3)
    board.send("maintenance", ["mast", 1])
    board.run_for(5)
    assert board.world.starts == 2
    board.console.send(b"\x01\x04")
    assert _field(_hello(board.run_for(12)), "reset_cause") == "maintenance"


def test_no_ctrl_c_ends_a_start(bench: NewBench) -> None:
    """A program that opens the port may send one at any moment of the five seconds that a start can take."""
    board = bench()
    board.world.wiring.import_us_per_byte = 25
    board.run_for(0.41)
    for _ in range(60):
        board.run_for(0.1)
        board.console.send(b"\x03")
    messages = board.run_for(10)
    assert b"KeyboardInterrupt" not in board.console.heard
    assert [message for message in messages if message[0] == "reading"]
    assert board.world.starts == 1


@pytest.mark.parametrize("file", ["startup/begin.py", "core/control.py", "uplinks/serial_uplink.py"])
def test_a_start_that_hangs_is_ended_by_the_watchdog(bench: NewBench, tmp_path: Path, file: str) -> None:
    board = bench()
    _spoil(tmp_path, file, "import time\nwhile True:\n    time.sleep_ms(100)\n")
    board.run_for(20)
    assert board.world.starts == 3


def test_no_maintenance_in_flight(bench: NewBench) -> None:
    board = bench()
    board.run_for(3)
    board.send("mark", ["mast", 1, "launch"])
    board.send("maintenance", ["mast", 2])
    assert _answers(board.run_for(5)) == ["ok", "refused"]
    assert board.world.starts == 1


def test_the_button_held_at_power_on_and_let_go_asks_for_maintenance(bench: NewBench) -> None:
    presses = [(0, "pressed"), (4.5, "released")]
    board = bench(changes=[SimChange(at_s=at_s, thing="button", value=value) for at_s, value in presses])
    assert board.run_for(10) == []
    assert b"maintenance" in board.console.heard


def test_the_button_held_through_a_watchdog_restart_asks_for_nothing(bench: NewBench, tmp_path: Path) -> None:
    presses = [(12, "pressed"), (26, "released")]
    board = bench(changes=[SimChange(at_s=at_s, thing="button", value=value) for at_s, value in presses])
    _spoil(tmp_path, "core/control.py", HANG)
    messages = board.run_for(28)
    hellos = [message for message in messages if message[0] == "hello"]
    assert [_field(message, "reset_cause") for message in hellos] == ["power", "watchdog"]
    assert b"maintenance" not in board.console.heard


def test_a_stuck_button_only_delays_a_start(bench: NewBench) -> None:
    board = bench(changes=[SimChange(at_s=0, thing="button", value="pressed")])
    messages = board.run_for(20)
    assert _field(_hello(messages), "reset_cause") == "power"
    assert [message for message in messages if message[0] == "reading"]

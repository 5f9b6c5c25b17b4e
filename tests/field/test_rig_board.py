"""The firmware's files on the real interpreter in a simulated box: virtual time, one thread."""

import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import pytest

from groundbox.rig.bench import Bench, Message
from groundbox.rig.changes import SimChange
from groundbox.rig.demo_boxes import MAST, TABLE
from groundbox.rig.electric import SimLoadSettings
from groundbox.rig.process import CPYTHON, MICROPYTHON, interpreter_path
from groundbox.wire import messages

NewBench = Callable[..., Bench]
_READING = [field[0] for field in messages.fields_of("reading")]


def _readings(found: list[Message]) -> list[dict[str, int | str | None]]:
    return [dict(zip(_READING, values, strict=True)) for name, values in found if name == "reading"]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[NewBench]:
    """Makes boards; each in a folder of its own unless a folder is named."""
    if interpreter_path() is None:
        if os.environ.get("CI"):
            pytest.fail("no micropython command: pip install 'groundbox[rig]'")
        pytest.skip("no micropython command here")
    with ExitStack() as stack:
        made = iter(range(100))

        def new(settings: object = TABLE, folder: str = "", **more: object) -> Bench:
            return stack.enter_context(Bench(settings, tmp_path / (folder or str(next(made))), **more))

        yield new


def test_the_board_sends_hello_then_a_reading_a_second(bench: NewBench) -> None:
    found = bench().run_for(30)
    name, hello = found[0]
    assert name == "hello"
    fields = dict(zip([field[0] for field in messages.fields_of("hello")], hello, strict=True))
    assert (fields["box"], fields["reset_cause"], fields["board"]) == ("table", "power", "rig")
    assert fields["registry"] == messages.checksum()
    readings = _readings(found)
    assert 28 <= len(readings) <= 30
    times_ms = [reading["uptime_ms"] for reading in readings]
    assert all(abs(later - sooner - 1000) <= 10 for sooner, later in zip(times_ms, times_ms[1:], strict=False))


def test_what_the_board_reads_is_what_the_box_has(bench: NewBench) -> None:
    """Within what calibration leaves: gain 0.5 %, 20 mV, 20 mA and 0.3 K of error, and the thermistor's table."""
    board = bench(replace(TABLE, start_c=30.0))
    last = _readings(board.run_for(60))[-1]
    node = board.box.node
    assert last["battery_mv"] == pytest.approx(node.battery_volts * 1000, abs=5)
    assert last["check_mv"] == pytest.approx(node.battery_volts * 1000, rel=0.005, abs=25)
    assert last["battery_ma"] == pytest.approx(node.battery_amps * 1000, rel=0.005, abs=30)
    assert last["case_centi_c"] == pytest.approx(board.box.case.air_c * 100, abs=60)
    assert last["battery_centi_c"] == pytest.approx(board.box.case.battery_c * 100, abs=60)
    assert last["intake_centi_c"] == pytest.approx(2400, abs=60)


def test_a_stall_of_20_ms_shows_between_two_readings(bench: NewBench) -> None:
    """500 fast samples a second: ten of them fall into a servo's stall of 20 ms."""
    servo = SimLoadSettings(name="servo", watts=0.0, rest_s=5.0, bursts=((0.02, 60.0),))
    board = bench(replace(MAST, loads=(servo,)))
    readings = _readings(board.run_for(32))[2:]
    assert sum(r["battery_mv"] - r["battery_min_mv"] > 150 for r in readings) == 6


def test_a_stalled_fan_is_reported_and_its_partner_goes_full(bench: NewBench) -> None:
    board = bench(changes=[SimChange(at_s=60, thing="fan2", value="stalled")])
    before = _readings(board.run_for(58))[-1]
    assert (before["fan1_state"], before["fan2_state"]) == ("running", "running")
    assert before["fan2_rpm"] == pytest.approx(3000, abs=60)
    after = _readings(board.run_for(14))[-1]
    assert (after["fan2_state"], after["fan2_rpm"]) == ("stalled", 0)
    assert (after["fan1_state"], after["fan1_percent"]) == ("running", 100)


def test_broken_sensors_are_distinguished(bench: NewBench) -> None:
    board = bench(
        changes=[
            SimChange(at_s=20, thing="battery", value="open"),
            SimChange(at_s=20, thing="intake", value="shorted"),
            SimChange(at_s=20, thing="monitor", value="silent"),
        ]
    )
    last = _readings(board.run_for(60))[-1]
    assert (last["battery_sensor"], last["intake_sensor"], last["voltage_sensor"]) == ("open", "shorted", "silent")
    assert last["battery_mv"] is None or last["battery_mv"] > 12000  # the divider may replace it, 0 may not


def test_same_seed_same_run_other_seed_another(bench: NewBench) -> None:
    first, again, other = bench(MAST), bench(MAST), bench(replace(MAST, seed=9))
    for board in (first, again, other):
        board.run_for(60)
    assert first.console.heard == again.console.heard
    assert _readings(first.run_for(20)) == _readings(again.run_for(20)) != _readings(other.run_for(20))


def test_both_interpreters_and_both_compilers_give_equal_records(bench: NewBench) -> None:
    """To the bit: every reading and event of 150 s with a fan that stalls and a charger plugged in."""
    changes = [
        SimChange(at_s=40, thing="fan1", value="stalled"),
        SimChange(at_s=90, thing="charger_amps", value=4.0),
    ]
    kinds: list[dict[str, object]] = [{"interpreter": MICROPYTHON}, {"native": True}, {"interpreter": CPYTHON}]
    runs = [bench(MAST, changes=changes, **kind).run_for(150) for kind in kinds]
    kept = [[message for message in run if message[0] in ("reading", "event")] for run in runs]
    assert len(kept[0]) > 145
    assert kept[0] == kept[1] == kept[2]


def test_boot_number_and_settings_survive_a_power_cut(bench: NewBench) -> None:
    first = bench(folder="flash", board_settings={"sample_hz": 100})
    boot = _readings(first.run_for(5))[-1]["boot"]
    first.world.power_cut()
    found = first.run_for(5)
    assert _readings(found)[-1]["boot"] == boot + 1
    hello = next(values for name, values in found if name == "hello")
    assert 100 in hello
    assert first.world.starts == 2


def test_a_watchdog_restart_is_reported(bench: NewBench) -> None:
    board = bench()
    board.run_for(5)
    board.world.power_cut("watchdog")
    hello = next(values for name, values in board.run_for(5) if name == "hello")
    assert "watchdog" in hello


@pytest.mark.endurance
def test_twenty_minutes_pass_without_the_watchdog(bench: NewBench) -> None:
    board = bench(MAST, native=True)
    assert len(_readings(board.run_for(1200))) > 1190
    assert board.world.starts == 1

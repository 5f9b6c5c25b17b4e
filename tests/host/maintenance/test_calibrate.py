"""Guided calibration on a board that is only arithmetic: wrong meters are refused, history and undo, reading back."""

import json
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result

from groundbox import cli
from groundbox.errors import LinkError
from groundbox.maintenance.doubt import doubt, parts_of
from groundbox.ui import cmd_board_calibrate, cmd_board_settings
from groundbox.wire.settings import UNITS, defaults, refusal

FIELDS = {"voltage": "battery_mv", "check": "check_mv", **{n: f"{n}_centi_c" for n in ("case", "battery", "intake")}}
GOOD_METER = ("--meter-percent", "0.05", "--meter-digits", "0")


class ArithmeticBoard:
    """Settings of a board and what each channel reads uncorrected: the truth and that channel's own error."""

    def __init__(self) -> None:
        self.box, self.port, self.hello = "mast", "port", {"registry": ""}
        self.values = defaults() | {"battery_sensor_kind": 1}
        self.truth = dict.fromkeys(FIELDS, 12500) | {"case": 2500, "battery": 2500, "intake": 2500}
        self.error: dict[str, Callable[[float], float]] = {}
        self.lost_after: int | None = None
        self.forgets = ""

    def shown(self, channel: str) -> int:
        raw1, true1, raw2, true2 = (
            self.values[f"{channel}_{point}_{UNITS[channel]}"] for point in ("raw1", "true1", "raw2", "true2")
        )
        raw = round(self.truth[channel] + self.error.get(channel, lambda _: 0)(self.truth[channel]))
        return raw + (true1 - raw1) + (raw - raw1) * (true2 - true1 - (raw2 - raw1)) // (raw2 - raw1)

    def readings(self, _: float) -> Iterator[dict[str, int]]:
        for _ in range(20):
            yield {field: self.shown(channel) for channel, field in FIELDS.items()}

    def settings(self, _: int) -> dict[str, dict[str, Any]]:
        there = self.values | {name: defaults()[name] for name in [self.forgets] if name}
        return {"box": {"value": self.box}} | {name: {"value": value} for name, value in there.items()}

    def ask(self, name: str, setting: str, value: str, confirmed: str = "no") -> dict[str, str]:
        assert name == "set"
        assert confirmed == "no"
        if setting == "box":
            self.box = value
            return {"result": "ok", "reason": "", "setting": setting}
        if self.lost_after is not None:
            self.lost_after -= 1
            if self.lost_after < 0:
                raise LinkError("port: the connection is lost")
        reason = refusal(setting, int(value), self.values)
        if not reason:
            self.values[setting] = int(value)
        return {"result": "refused" if reason else "ok", "reason": reason, "setting": setting}


@pytest.fixture
def board(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> ArithmeticBoard:
    made = ArithmeticBoard()

    @contextmanager
    def talking(_: str | None) -> Iterator[ArithmeticBoard]:
        yield made

    monkeypatch.setattr(cmd_board_calibrate, "talking", talking)
    monkeypatch.setattr(cmd_board_settings, "talking", talking)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    return made


Scene = tuple[dict[str, int], str]


@pytest.fixture
def run(board: ArithmeticBoard, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Result]:
    """Runs `groundbox board calibrate` with scenes: the truth of each point, and what the instrument shows then."""

    def do(*words: str, scenes: tuple[Scene, ...] = (), sure: bool = True) -> Result:
        left, typed = list(scenes), [""]

        def prompt(text: str, *_: object, type: click.ParamType | None = None, **__: object) -> object:
            if "Enter" not in text and not typed[0] or "Enter" in text and "temperature; then" not in text:
                truth, typed[0] = left.pop(0)
                board.truth |= truth
            click.echo(text)
            if "Enter" in text:
                return ""
            answer, typed[0] = typed[0], ""
            return answer if type is None else type.convert(answer, None, None)

        monkeypatch.setattr(click, "prompt", prompt)
        monkeypatch.setattr(click, "confirm", lambda *_, **__: sure)
        return CliRunner().invoke(cli.commands, ["board", "calibrate", *words])

    return do


def volts(true_mv: int, meter: str) -> Scene:
    return {"voltage": true_mv, "check": true_mv}, meter


def degrees(true_centi_c: int, thermometer: str, sensor: str = "case") -> Scene:
    return {sensor: true_centi_c}, thermometer


def said(result: Result) -> str:
    return f"{result.output} {result.exception}"


def test_a_thermometer_that_is_9_degrees_wrong_is_refused_and_the_other_sensors_are_named(
    board: ArithmeticBoard, run: Callable[..., Result]
) -> None:
    before = dict(board.values)
    board.truth |= {"case": 3070, "battery": 3040, "intake": 3060}
    done = run("temperature", "--one-point", "--thermometer-error", "0.2", "--yes", scenes=(degrees(3070, "21.7"),))
    assert done.exit_code != 0
    assert board.values == before
    for word in ("case 30.70", "battery 30.40", "intake 30.60", "21.70", "they agree; check the thermometer"):
        assert word in said(done), word


def test_a_meter_that_is_0_8_volts_wrong_is_refused_and_both_ways_are_named(
    board: ArithmeticBoard, run: Callable[..., Result]
) -> None:
    before = dict(board.values)
    board.error = {"check": lambda _: -30}
    scenes = tuple(volts(mv, f"{(mv + 800) / 1000:.2f}") for mv in (11500, 14400, 12500))
    done = run("voltage", *GOOD_METER, "--yes", scenes=scenes)
    assert done.exit_code != 0
    assert board.values == before
    for word in ("voltage 11.500", "check 11.470", "12.300", "they agree; check the meter"):
        assert word in said(done), word


@pytest.mark.parametrize("wrong", [0, 1, 2])
def test_0_2_volts_at_any_one_point_are_refused(board: ArithmeticBoard, run: Callable[..., Result], wrong: int) -> None:
    before = dict(board.values)
    scenes = tuple(volts(mv, f"{(mv + 200 * (i == wrong)) / 1000:.3f}") for i, mv in enumerate((11500, 14400, 12500)))
    done = run("voltage", *GOOD_METER, "--yes", scenes=scenes)
    assert done.exit_code != 0
    assert board.values == before


def test_a_doubt_that_parts_can_explain_is_a_question_that_yes_does_not_answer(
    board: ArithmeticBoard, run: Callable[..., Result]
) -> None:
    before = dict(board.values)
    scenes = tuple(degrees(true, f"{true / 100 + 0.9:.1f}") for true in (2000, 4000, 3000))
    for words, sure in ((["--yes"], True), ([], False)):
        done = run("temperature", "--thermometer-error", "0.1", *words, scenes=scenes, sure=sure)
        assert "parts explain" in said(done)
        assert board.values == before
    done = run("temperature", "--thermometer-error", "0.1", scenes=scenes, sure=True)
    assert done.exit_code == 0, said(done)
    assert abs(board.shown("case") - board.truth["case"] - 90) <= 1


def test_a_way_that_is_wrong_alone_is_named_and_not_the_meter(
    board: ArithmeticBoard, run: Callable[..., Result]
) -> None:
    board.error = {"check": lambda _: 400}
    done = run("voltage", *GOOD_METER, "--yes", scenes=(volts(11500, "11,5"),))
    assert "voltage agrees with the meter; check leads and parts of check" in said(done)
    board.values["check_adc_fitted"] = 0
    board.error = {"voltage": lambda _: 400}
    done = run("voltage", *GOOD_METER, "--yes", scenes=(volts(11500, "11,5"),))
    assert "check the meter, then the leads and parts of voltage" in said(done)


def test_an_earlier_calibration_by_a_wrong_meter_does_not_testify(
    board: ArithmeticBoard, run: Callable[..., Result]
) -> None:
    for channel in ("voltage", "check"):
        board.values |= {f"{channel}_true1_mv": 11800, f"{channel}_true2_mv": 15300}
    done = run("voltage", *GOOD_METER, scenes=(volts(11500, "12.300"),))
    assert "check the meter" in said(done)
    scenes = tuple(volts(mv, f"{mv / 1000:.3f}") for mv in (11500, 14400, 12500))
    assert run("voltage", *GOOD_METER, "--yes", scenes=scenes).exit_code == 0
    assert abs(board.shown("voltage") - 12500) <= 1


def test_an_honest_calibration_shows_old_new_and_consequence_and_is_undone(
    board: ArithmeticBoard, run: Callable[..., Result]
) -> None:
    before = dict(board.values)
    board.error = {"case": lambda true: 40 + (true - 2000) / 100}
    scenes = (degrees(2000, "20,0"), degrees(4000, "40"), degrees(3500, "35.0"))
    done = run("temperature", "--thermometer-error", "0.1", scenes=scenes)
    assert done.exit_code == 0, said(done)
    for words in ("Point 1 of 3", "fans start at 35.00 °C: until now this sensor shows 35.55 °C", "0.00 °C now, then"):
        assert words in said(done), words
    assert abs(board.shown("case") - 3500) <= 1
    assert "case_true1_centi_c" in run("history", "mast").output
    assert run("temperature", "--sensor", "battery", "--undo").exit_code != 0, "another sensor has no calibration"
    assert run("temperature", "--undo").exit_code == 0
    assert board.values == before
    assert "not undone" in said(run("temperature", "--undo")), "it is undone once"


def test_a_calibration_that_was_half_written_is_undone(board: ArithmeticBoard, run: Callable[..., Result]) -> None:
    before = dict(board.values)
    board.error = {"voltage": lambda _: 20, "check": lambda _: 40}
    board.lost_after = 3
    scenes = tuple(volts(mv, f"{mv / 1000:.3f}") for mv in (11500, 14400, 12500))
    assert "--undo" in said(run("voltage", *GOOD_METER, "--yes", scenes=scenes))
    assert board.values != before
    board.lost_after = None
    assert run("voltage", "--undo").exit_code == 0
    assert board.values == before


def test_undo_refuses_values_that_were_changed_since(board: ArithmeticBoard, run: Callable[..., Result]) -> None:
    scenes = tuple(degrees(true, f"{true / 100 - 0.3:.1f}") for true in (2000, 4000, 3000))
    assert run("temperature", "--thermometer-error", "0.1", "--yes", scenes=scenes).exit_code == 0
    board.values["case_true1_centi_c"] += 50
    changed = dict(board.values)
    assert "case_true1_centi_c" in said(run("temperature", "--undo"))
    assert board.values == changed


def test_a_board_that_forgets_is_found_by_reading_back(board: ArithmeticBoard, run: Callable[..., Result]) -> None:
    board.forgets = "case_true1_centi_c"
    scenes = tuple(degrees(true, f"{true / 100 - 0.3:.1f}") for true in (2000, 4000, 3000))
    done = run("temperature", "--thermometer-error", "0.1", "--yes", scenes=scenes)
    assert done.exit_code != 0
    assert "case_true1_centi_c: reads back another value" in said(done)


def test_an_instrument_no_better_than_the_parts_only_checks(board: ArithmeticBoard, run: Callable[..., Result]) -> None:
    before = dict(board.values)
    done = run("voltage", scenes=(volts(12500, "12.47"),))
    assert done.exit_code == 0, said(done)
    assert "voltage stays as it is" in done.output
    assert "agrees with the meter" in done.output
    done = run("voltage", scenes=(volts(12500, "13.3"),))
    assert done.exit_code != 0
    assert "check the meter" in said(done)
    assert board.values == before


def test_parts_of_a_wider_tolerance_are_named_by_the_person(board: ArithmeticBoard, run: Callable[..., Result]) -> None:
    board.error = {"case": lambda _: 300}
    board.values |= {"battery_sensor_kind": 0, "intake_sensor_kind": 0}
    scenes = tuple(degrees(true, f"{true / 100:.1f}") for true in (2000, 4000, 3000))
    assert run("temperature", "--thermometer-error", "0.1", "--yes", scenes=scenes).exit_code != 0
    done = run("temperature", "--thermometer-error", "0.1", "--parts-scale", "5", scenes=scenes)
    assert done.exit_code == 0, said(done)
    assert abs(board.shown("case") - board.truth["case"]) <= 1


@pytest.mark.parametrize("channel", ["voltage", "check", "case"])
def test_parts_in_order_are_never_refused(board: ArithmeticBoard, run: Callable[..., Result], channel: str) -> None:
    """Each channel at the limit of its parts and of the instrument, in the same direction."""
    points = (11500, 14400, 12500) if channel != "case" else (2000, 5000, 3500)
    for sign in (1, -1):
        own = parts_of(channel, board.values)
        board.error = {channel: lambda true, own=own, sign=sign: sign * 0.95 * own.worst(true)}
        board.values = defaults()
        if channel == "case":
            scenes = tuple(degrees(true, f"{true / 100 - sign * 0.1:.2f}") for true in points)
            done = run("temperature", "--thermometer-error", "0.1", scenes=scenes)
        else:
            scenes = tuple(volts(true, f"{true * (1 - sign * 0.0005) / 1000:.3f}") for true in points)
            done = run("voltage", *GOOD_METER, scenes=scenes)
        assert done.exit_code == 0, said(done)
        expected = board.truth[channel]
        assert abs(board.shown(channel) - expected) <= max(own.left * own.worst(expected), 20)


def set_up(*words: str) -> Result:
    return CliRunner().invoke(cli.commands, ["board", "settings", *words])


def test_every_mistake_in_settings_is_named_with_old_and_new(board: ArithmeticBoard) -> None:
    before = dict(board.values)
    done = set_up("fan_on_centi_c=99999", "low_stop_mv=12000", "frozen=60", "over_s=9")
    assert done.exit_code != 0
    for words in ("fan_on_centi_c 3500 -> 99999", "low_stop_mv 10800 -> 12000", "did you mean frozen_s"):
        assert words in said(done), words
    assert board.values == before


def test_changed_settings_are_shown_with_old_and_new_and_read_back(board: ArithmeticBoard) -> None:
    shown = json.loads(set_up("over_s=9", "--json").output)
    assert (shown["before"], shown["settings"][0]["value"]) == ({"over_s": 10}, 9)
    assert re.search(r"over_s +9 +8 ", set_up("over_s=8").output)
    board.forgets = "over_s"
    assert "over_s: reads back" in said(set_up("over_s=7"))


def test_settings_are_saved_and_restored_and_a_calibration_stays_with_its_own_board(
    board: ArithmeticBoard, tmp_path: Path
) -> None:
    file = str(tmp_path / "mast.toml")
    board.values |= {"fan_on_centi_c": 3300, "case_true1_centi_c": 30}
    saved = dict(board.values)
    assert set_up("--save", file).exit_code == 0
    assert "exists already" in said(set_up("--save", file))
    board.values |= {"fan_on_centi_c": 4000, "fan_off_centi_c": 3600, "case_true1_centi_c": 0}
    done = set_up("--restore", file)
    assert done.exit_code == 0, said(done)
    assert board.values == saved
    board.box, board.values = "hut", defaults() | {"case_true1_centi_c": -20}
    assert "another box" in said(set_up("--restore", file))
    assert set_up("--restore", file, "--other-board").exit_code == 0
    assert (board.box, board.values["fan_on_centi_c"], board.values["case_true1_centi_c"]) == ("hut", 3300, -20)


@pytest.mark.parametrize(("gap", "expected"), [(27, None), (29, False), (51, False), (52, True)])
def test_the_limits_of_a_doubt_are_those_of_parts_and_instrument(gap: int, expected: bool | None) -> None:
    """Monitor at 12 V: 41.4 mV, likely 25.7; meter 10 mV: doubt over hypot(25.7, 10) = 27.6 mV, refused over 51.4."""
    for sign in (1, -1):
        raws = {"voltage": 12_000.0}
        found = doubt("voltage", 12_000 + sign * gap, raws, defaults(), ("meter", 10), 1, str)
        assert (found.certain if found else None) is expected


def test_a_third_point_within_the_parts_error_still_contradicts_the_others(
    board: ArithmeticBoard, run: Callable[..., Result]
) -> None:
    before = dict(board.values)
    scenes = (degrees(2000, "20.0"), degrees(4000, "40.0"), degrees(3000, "30.7"))
    done = run("temperature", "--thermometer-error", "0.1", scenes=scenes, sure=True)
    assert "one point is wrong" in said(done)
    assert board.values == before
    scenes = (degrees(2000, "20.0"), degrees(4000, "40.0"), degrees(3000, "30.5"))
    assert run("temperature", "--thermometer-error", "0.1", scenes=scenes, sure=True).exit_code == 0


def test_undo_takes_back_the_newest_of_this_box_only(board: ArithmeticBoard, run: Callable[..., Result]) -> None:
    for offset in (0.3, 0.2):
        scenes = tuple(degrees(true, f"{true / 100 - offset:.1f}") for true in (2000, 4000, 3000))
        assert run("temperature", "--thermometer-error", "0.1", "--yes", scenes=scenes).exit_code == 0
    board.box = "hut"
    assert "nothing there" in said(run("temperature", "--undo"))
    board.box = "mast"
    assert run("temperature", "--undo").exit_code == 0
    assert abs(board.shown("case") - (board.truth["case"] - 30)) <= 1
    assert run("temperature", "--undo").exit_code == 0
    assert board.shown("case") == board.truth["case"]

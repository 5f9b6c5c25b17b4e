"""Slots, settings, calibrations and fans: the arithmetic of board care, without a board."""

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from groundbox.errors import BadInput, LinkError
from groundbox.maintenance import calibration, settings, slots, spin
from groundbox.maintenance.calibration import Point
from groundbox.maintenance.flash import FolderFlash
from groundbox.maintenance.install import Package, install
from groundbox.wire.settings import SETTINGS, defaults, refusal_of_all
from groundbox.wire.settings import calibration as points_of

PACKAGE = Package(files={"begin.py": b"begin", "core/fans.py": b"fans"}, selector=b"select")


def _nobody(_: str) -> None:
    """Nobody wants to know."""


def test_a_first_firmware_goes_to_slot_a_and_is_not_on_trial(tmp_path: Path) -> None:
    done = install(FolderFlash(tmp_path), PACKAGE, _nobody)
    assert (done.slot, done.before, done.compared) == ("a", None, 3)
    assert (tmp_path / "choice").read_text() == "a"
    assert (tmp_path / "a" / "core" / "fans.py").read_bytes() == b"fans"
    assert (tmp_path / "main.py").read_bytes() == b"select"


def test_the_next_one_is_tried_beside_it(tmp_path: Path) -> None:
    flash = FolderFlash(tmp_path)
    install(flash, PACKAGE, _nobody)
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "left_over.py").write_text("of an earlier one")
    done = install(flash, PACKAGE, _nobody)
    assert (done.slot, done.before) == ("b", "a")
    assert (tmp_path / "choice").read_text() == "a>b"
    assert flash.hashes("b") == PACKAGE.hashes == flash.hashes("a")
    (tmp_path / "choice").write_text("b")
    assert install(flash, PACKAGE, _nobody).written == 0, "what is there already is not written again"
    assert (tmp_path / "choice").read_text() == "b>a"


def test_a_board_that_does_not_hold_what_was_sent_keeps_what_it_had(tmp_path: Path) -> None:
    class Worn(FolderFlash):
        def write(self, path: str, data: bytes) -> None:
            super().write(path, data[:-1] if path.startswith("b/") else data)

    install(FolderFlash(tmp_path), PACKAGE, _nobody)
    with pytest.raises(LinkError, match=r"begin\.py on the board is not what was sent"):
        install(Worn(tmp_path), PACKAGE, _nobody)
    assert (tmp_path / "choice").read_text() == "a"


@pytest.mark.parametrize(
    ("choice", "a", "b", "good"),
    [
        ("", False, False, None),
        ("", True, False, "a"),
        ("a>b", True, True, "a"),
        ("b!a", True, True, "b"),
        ("b", True, False, "a"),
        ("?", False, True, "b"),
    ],
)
def test_the_slot_that_must_not_be_touched(choice: str, a: bool, b: bool, good: str | None) -> None:
    there = {"begin.py": ""}
    assert slots.good_slot(choice, there if a else {}, there if b else {}) == good


def test_settings_as_a_person_types_them() -> None:
    assert settings.parse(["fan_on_centi_c=3400", "box=mast"]) == {"fan_on_centi_c": 3400, "box": "mast"}
    for word, mend in (
        ("fan_on_centi_c", "NAME=VALUE"),
        ("fan_on_centi_c=34.5", r"whole number from 2000 to 5000 \(0.01 C\)"),
        ("fan_on_centi_c=99999", "from 2000 to 5000"),
        ("fan_on_centi=3", "did you mean fan_on_centi_c"),
        ("box=two words", "box"),
    ):
        with pytest.raises(BadInput, match=mend):
            settings.parse([word])
    with pytest.raises(BadInput, match="twice"):
        settings.parse(["silence_s=60", "silence_s=61"])


def test_every_setting_has_a_row_with_its_meaning() -> None:
    found = settings.rows(defaults())
    assert [row.name for row in found] == [setting[0] for setting in SETTINGS]
    assert {row.name: row.unit for row in found if row.name.startswith("over_")} == {
        "over_mv": "mV",
        "over_mv_per_c": "mV per C",
        "over_s": "s",
    }
    assert settings.rows({})[0].value is None


@given(
    st.sampled_from([2100, 2800, 4200]),
    st.integers(-900, 900),
    st.integers(-900, 900),
    st.sampled_from(["case", "battery"]),
)
def test_a_way_to_changes_that_only_count_together(on: int, off1: int, off2: int, channel: str) -> None:
    changes: dict[str, int | str] = {"fan_on_centi_c": on, "fan_off_centi_c": on - 400, "fan_full_centi_c": on + 300}
    changes |= points_of(channel, 1, 100, 100 + off1) | points_of(channel, 2, 4900, 4900 + off2)
    now = defaults()
    if settings.refusal(changes, now):
        return
    steps = settings.path(changes, now)
    assert steps is not None
    for name, value in steps:
        assert not refusal_of_all({name: value}, now)
        now[name] = value
    assert {name: now[name] for name in changes} == changes


def test_two_points_give_the_line_the_board_draws() -> None:
    points = [Point(raw=11480, true=11520), Point(raw=14390, true=14460)]
    line = calibration.line_through(points)
    raw1, true1, raw2, true2 = calibration.settings_for(line, 11480, 14390)
    assert (raw1, true1, raw2, true2) == (11480, 11520, 14390, 14460)
    for raw in (10500, 12000, 15000):
        board = raw + (true1 - raw1) + (raw - raw1) * (true2 - true1 - (raw2 - raw1)) // (raw2 - raw1)
        assert abs(line.true(raw) - board) <= 1
        assert calibration.uncorrected(line.true(raw), raw1, true1, raw2, true2) == pytest.approx(raw, abs=1)
    left = calibration.residual(line, points, 70.0, [2.0, 3.0], 1)
    assert left.drift is None
    assert left.fit == pytest.approx(0, abs=1e-6)
    assert left.worst == pytest.approx(70 + 2 * 3 / math.sqrt(5))
    assert left.expected < left.worst


def test_two_temperatures_are_split_evenly_and_the_rest_is_told_as_drift() -> None:
    cold = [Point(raw=11500, true=11500), Point(raw=14400, true=14400)]
    warm = [Point(raw=11520, true=11500), Point(raw=14420, true=14400)]
    line = calibration.line_through(cold + warm)
    left = calibration.residual(line, cold + warm, 0.0, [0.0], 2)
    assert left.drift == pytest.approx(10, abs=0.1)


def test_points_that_do_not_differ_make_no_line() -> None:
    with pytest.raises(ValueError, match="differ"):
        calibration.line_through([Point(raw=1, true=2), Point(raw=1, true=3)])


def test_a_thermistors_curve_between_its_points() -> None:
    """B of 3950 off by 1 %: at 60 C, moved at 25 C, 1 % of 35 K * 333/298 by the beta equation, worked by hand."""
    error = calibration.beta_error_c(60, (25,), 3950, 0.01)
    inverse = 1 / 298.15 + 1.01 * (1 / 333.15 - 1 / 298.15)
    assert error == pytest.approx(1 / inverse - 333.15)
    assert error == pytest.approx(0.39, abs=0.02)
    assert calibration.beta_error_c(0, (0, 45), 3950, 0.01) == pytest.approx(0, abs=1e-9)
    assert abs(calibration.beta_error_c(25, (0, 45), 3950, 0.01)) < 0.1


def _seen(percent: int, *rpm: int | None) -> list[spin.Seen]:
    return [spin.Seen(percent=percent, rpm=one, state="running") for one in rpm]


@pytest.mark.parametrize(
    ("low", "full", "good", "word"),
    [
        (_seen(30, 0, 900, 900, 910), _seen(100, 100, 2990, 3000, 3010), True, "good"),
        ([], _seen(100, 0, 0, 0), False, "does not turn"),
        ([], _seen(100, 1900, 1900, 1900), False, "slow"),
        ([], _seen(100, 4000, 4000, 4000), False, "fan1_full_rpm=4000"),
        (_seen(30, 2900, 2900, 2900), _seen(100, 3000, 3000, 3000), False, "control wire"),
        (_seen(30, 0, 0, 0), _seen(100, 3000, 3000, 3000), False, "fan_lowest_percent"),
        (_seen(100, 3000, 3000, 3000), _seen(100, 3000, 3000, 3000), True, "not tried"),
        ([], _seen(100, None, None, None), None, "watch"),
    ],
)
def test_what_to_think_of_a_fan(low: list[spin.Seen], full: list[spin.Seen], good: bool | None, word: str) -> None:
    verdict = spin.judge(1, "pwm", low, full, 3000, 20)
    assert verdict.good is good
    assert word in verdict.sentence


def test_swapped_leads_are_told() -> None:
    still, turning = spin.Seen(percent=100, rpm=0, state="starting"), spin.Seen(percent=0, rpm=2900, state="off")
    seen = [{1: still, 2: turning}] * 3
    assert spin.turned_instead(1, seen, {1: 3000, 2: 3000}) == 2
    breath = spin.Seen(percent=0, rpm=900, state="off")
    assert spin.turned_instead(1, [{1: still, 2: breath}] * 3, {1: 3000, 2: 3000}) is None
    assert "leads are swapped" in spin.judge(1, "switched", [], [still] * 3, 3000, 20, 2).sentence

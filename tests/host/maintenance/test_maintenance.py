"""Slots, settings, calibrations and fans: the arithmetic of board maintenance, without a board."""

import math
import re
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from groundbox.errors import BadInput, LinkError
from groundbox.maintenance import bytecode, calibration, fan_check, settings
from groundbox.maintenance.calibration import Point
from groundbox.maintenance.flash import FolderFlash
from groundbox.maintenance.install import Package, good_slot, install
from groundbox.ui.cmd_board_install import _package
from groundbox.wire.settings import SETTINGS, defaults, range_of, refusal_of_all
from groundbox.wire.settings import calibration as points_of

PACKAGE = Package(files={"startup/begin.py": b"begin", "core/fans.py": b"fans"}, selector=b"select")


def _ignore(_: str) -> None:
    """Ignores progress."""


def test_a_first_firmware_goes_to_slot_a_and_is_not_on_trial(tmp_path: Path) -> None:
    done = install(FolderFlash(tmp_path), PACKAGE, _ignore)
    assert (done.slot, done.before, done.compared) == ("a", None, 3)
    assert (tmp_path / "choice").read_text() == "a"
    assert (tmp_path / "a" / "core" / "fans.py").read_bytes() == b"fans"
    assert (tmp_path / "main.py").read_bytes() == b"select"


def test_the_next_firmware_is_on_trial_in_the_other_slot(tmp_path: Path) -> None:
    flash = FolderFlash(tmp_path)
    install(flash, PACKAGE, _ignore)
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "left_over.py").write_text("of an earlier one")
    done = install(flash, PACKAGE, _ignore)
    assert (done.slot, done.before) == ("b", "a")
    assert (tmp_path / "choice").read_text() == "a>b"
    assert flash.hashes("b") == PACKAGE.hashes == flash.hashes("a")
    (tmp_path / "choice").write_text("b")
    assert install(flash, PACKAGE, _ignore).written == 0, "files that are equal are not written again"
    assert (tmp_path / "choice").read_text() == "b>a"


def test_a_board_whose_files_differ_from_what_was_sent_keeps_its_firmware(tmp_path: Path) -> None:
    class Worn(FolderFlash):
        def write(self, path: str, data: bytes) -> None:
            super().write(path, data[:-1] if path.startswith("b/") else data)

    install(FolderFlash(tmp_path), PACKAGE, _ignore)
    with pytest.raises(LinkError, match=r"fans\.py on the board differs from what was sent"):
        install(Worn(tmp_path), PACKAGE, _ignore)
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
@pytest.mark.parametrize("entry", ["startup/begin.py", "startup/begin.mpy"])
def test_the_slot_that_must_not_be_changed(choice: str, a: bool, b: bool, good: str | None, entry: str) -> None:
    there = {entry: ""}
    assert good_slot(choice, there if a else {}, there if b else {}) == good


def test_a_board_gets_bytecode_of_the_version_it_takes_else_source() -> None:
    compiled, source = _package(bytecode.VERSION).files, _package(bytecode.VERSION + 1).files
    assert {path.removesuffix(".mpy") for path in compiled} == {path.removesuffix(".py") for path in source}
    assert {content[:2] for content in compiled.values()} == {b"M\x06"}
    assert sum(map(len, compiled.values())) < sum(map(len, source.values())) / 2
    assert _package(None).files == source


def test_settings_as_a_person_types_them() -> None:
    assert settings.parse(["fan_on_centi_c=3400", "box=mast"]) == ({"fan_on_centi_c": 3400, "box": "mast"}, {})
    for word, fix in (
        ("fan_on_centi_c", "NAME=VALUE"),
        ("fan_on_centi_c=34.5", r"whole number from 2000 to 5000 \(0\.01 °C\)"),
        ("fan_on_centi_c=99999", "from 2000 to 5000"),
        ("fan_on_centi=3", "did you mean fan_on_centi_c"),
        ("box=two words", "1 to 16 plain"),
    ):
        changes, mistakes = settings.parse([word])
        assert not changes
        assert re.search(fix, mistakes[word.partition("=")[0]]), mistakes
    assert "twice" in settings.parse(["frozen_s=60", "frozen_s=61"])[1]["frozen_s"]
    assert len(settings.parse(["frozen_s=x", "fan_on_centi_c=1", "nothing=1", "over_s=10"])[1]) == 3


def test_every_refusal_is_named_with_old_and_new() -> None:
    changes: dict[str, int | str] = {
        "fan_on_centi_c": 4900,
        "low_stop_mv": 12000,
        "case_true1_centi_c": 900,
        "over_s": 9,
    }
    found = settings.refusals(changes, defaults())
    assert len(found) == 3, found
    text = "; ".join(found)
    for part in ("fan_on_centi_c 3500 -> 4900", "low_stop_mv 10800 -> 12000", "case_true1_centi_c 0 -> 900"):
        assert part in text
    assert "over_s" not in text
    assert settings.refusals({"over_s": 9}, defaults()) == []


@given(st.dictionaries(st.sampled_from([s[0] for s in SETTINGS]), st.integers(0, 5), max_size=5))
def test_a_saved_file_restores_what_was_saved(moves: dict[str, int]) -> None:
    values = defaults() | {name: min(defaults()[name] + move, range_of(name)[1]) for name, move in moves.items()}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "mast.toml")
        path.write_text(settings.saved("mast", values))
        assert settings.restored(path) == {"box": "mast", **values}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("box = ", "cannot be read"),
        ("over_s = 9\n", "box is missing"),
        ('box = "mast"\nover_s = 999\nfrozen_s = 1\n', "over_s .*; frozen_s "),
        ('box = "mast"\nover_s = 1.5\n', "over_s"),
    ],
)
def test_a_damaged_file_of_settings_is_refused_with_all_its_mistakes(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "mast.toml").write_text(text)
    with pytest.raises(BadInput, match=words):
        settings.restored(tmp_path / "mast.toml")


def test_every_setting_has_a_row_with_its_meaning() -> None:
    found = settings.rows(defaults())
    assert [row.name for row in found] == [setting[0] for setting in SETTINGS]
    assert {row.name: row.unit for row in found if row.name.startswith("over_")} == {
        "over_mv": "mV",
        "over_mv_per_c": "mV per °C",
        "over_s": "s",
    }
    assert settings.rows({})[0].value is None


@given(
    st.sampled_from([2100, 2800, 4200]),
    st.integers(-900, 900),
    st.integers(-900, 900),
    st.sampled_from(["case", "battery"]),
)
def test_an_order_for_changes_that_depend_on_each_other(on: int, off1: int, off2: int, channel: str) -> None:
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


def test_two_points_give_the_line_of_the_board() -> None:
    points = [Point(raw=11480, true=11520), Point(raw=14390, true=14460)]
    line = calibration.line_through(points)
    raw1, true1, raw2, true2 = calibration.settings_for(line, 11480, 14390)
    assert (raw1, true1, raw2, true2) == (11480, 11520, 14390, 14460)
    for raw in (10500, 12000, 15000):
        board = raw + (true1 - raw1) + (raw - raw1) * (true2 - true1 - (raw2 - raw1)) // (raw2 - raw1)
        assert abs(line.true(raw) - board) <= 1
        settings_there = dict(zip(calibration.names("voltage"), (raw1, true1, raw2, true2), strict=True))
        assert calibration.line_by("voltage", settings_there).raw(line.true(raw)) == pytest.approx(raw, abs=1)
    left = calibration.residual(line, points, 70.0, [2.0, 3.0], 1)
    assert left.drift is None
    assert left.fit == pytest.approx(0, abs=1e-6)
    assert left.maximum == pytest.approx(70 + 2 * 3 / math.sqrt(5))
    assert left.expected < left.maximum


def test_two_temperatures_are_averaged_and_the_rest_is_drift() -> None:
    cold = [Point(raw=11500, true=11500), Point(raw=14400, true=14400)]
    warm = [Point(raw=11520, true=11500), Point(raw=14420, true=14400)]
    line = calibration.line_through(cold + warm)
    left = calibration.residual(line, cold + warm, 0.0, [0.0], 2)
    assert left.drift == pytest.approx(10, abs=0.1)


def test_equal_points_give_no_line() -> None:
    with pytest.raises(ValueError, match="equal"):
        calibration.line_through([Point(raw=1, true=2), Point(raw=1, true=3)])


def test_a_thermistors_curve_between_its_points() -> None:
    """B of 3950 wrong by 1 %: at 60 °C, corrected at 25 °C, 1 % of 35 K * 333/298 by the beta equation, by hand."""
    error = calibration.beta_error_c(60, (25,), 3950, 0.01)
    inverse = 1 / 298.15 + 1.01 * (1 / 333.15 - 1 / 298.15)
    assert error == pytest.approx(1 / inverse - 333.15)
    assert error == pytest.approx(0.39, abs=0.02)
    assert calibration.beta_error_c(0, (0, 45), 3950, 0.01) == pytest.approx(0, abs=1e-9)
    assert abs(calibration.beta_error_c(25, (0, 45), 3950, 0.01)) < 0.1


def _readings(percent: int, *rpm: int | None) -> list[fan_check.FanSample]:
    return [fan_check.FanSample(percent=percent, rpm=one, state="running") for one in rpm]


@pytest.mark.parametrize(
    ("low", "full", "good", "word"),
    [
        (_readings(30, 0, 900, 900, 910), _readings(100, 100, 2990, 3000, 3010), True, "good"),
        ([], _readings(100, 0, 0, 0), False, "does not turn"),
        ([], _readings(100, 1900, 1900, 1900), False, "slow"),
        ([], _readings(100, 4000, 4000, 4000), False, "fan1_full_rpm=4000"),
        (_readings(30, 2900, 2900, 2900), _readings(100, 3000, 3000, 3000), False, "control wire"),
        (_readings(30, 0, 0, 0), _readings(100, 3000, 3000, 3000), False, "fan_lowest_percent"),
        (_readings(100, 3000, 3000, 3000), _readings(100, 3000, 3000, 3000), True, "not checked"),
        ([], _readings(100, None, None, None), None, "watch"),
    ],
)
def test_the_finding_on_a_fan(
    low: list[fan_check.FanSample], full: list[fan_check.FanSample], good: bool | None, word: str
) -> None:
    finding = fan_check.assess(1, "pwm", low, full, 3000, 20)
    assert finding.good is good
    assert word in finding.sentence


def test_exchanged_leads_are_found() -> None:
    still, turning = (
        fan_check.FanSample(percent=100, rpm=0, state="starting"),
        fan_check.FanSample(percent=0, rpm=2900, state="off"),
    )
    readings = [{1: still, 2: turning}] * 3
    assert fan_check.turned_instead(1, readings, {1: 3000, 2: 3000}) == 2
    windmilling = fan_check.FanSample(percent=0, rpm=900, state="off")
    assert fan_check.turned_instead(1, [{1: still, 2: windmilling}] * 3, {1: 3000, 2: 3000}) is None
    sentence = fan_check.assess(1, "switched", [], [still] * 3, 3000, 20, 2).sentence
    assert "exchange the leads" in sentence


@pytest.mark.parametrize("full_rpm", [0, 1900, 3000])
def test_a_finding_that_sends_a_hand_to_a_fan_unplugs_the_battery_first(full_rpm: int) -> None:
    low, full = _readings(30, 2900, 2900, 2900), _readings(100, full_rpm, full_rpm, full_rpm)
    for instead in (None, 2):
        sentence = fan_check.assess(1, "pwm", low, full, 3000, 20, instead).sentence
        assert sentence.split(": ", 1)[1].startswith("unplug the battery, then ")

"""The search finds a seeded fault and reduces it to a file that shows it; the sweep names the unbeaten choices."""

import shutil
from pathlib import Path

import msgspec
import pytest

from groundbox.rig.image import firmware_folder
from groundbox.rig.play import play
from groundbox.rig.scenario import load, prepare
from groundbox.rig.scenario_file import ScenarioFile
from groundbox.rig.search import as_toml, broken, invariants, search
from groundbox.rig.sweep import SweepRow, _unbeaten, choices, measure
from groundbox.rig.trace import Trace


@pytest.mark.endurance
def test_a_seeded_fault_is_found_and_shrunk(tmp_path: Path) -> None:
    firmware = tmp_path / "firmware"
    shutil.copytree(firmware_folder(), firmware)
    thermostat = firmware / "core" / "thermostat.py"
    text = thermostat.read_text()
    seeded = text.replace("full = case_age_ms >= LOST_MS or self.case_heat", "full = self.case_heat")
    assert seeded != text
    thermostat.write_text(seeded)
    reports: list[str] = []
    found = search(60, 1, firmware, reports.append)
    assert found is not None
    assert "case becoming" in found.sentence
    assert len(found.file.change) == 1
    path = tmp_path / "found.toml"
    path.write_text(as_toml(found))
    again = load(path)
    assert not again.expectations[0].judge(play(again, firmware=firmware)).passed
    assert again.expectations[0].judge(play(again)).passed


def _case(**parts: object) -> ScenarioFile:
    tree = {"story": "s", "lasts_min": 1, "expect": ["board starts 1 times"], **parts}
    return msgspec.convert(tree, ScenarioFile)


def test_a_sound_case_breaks_nothing() -> None:
    changes = [{"at": "12:00:20", "thing": "case", "becomes": "open"}]
    assert broken(_case(box={"start_c": 25}, change=changes), None) is None


def test_sentences_about_a_fault_are_asked_only_when_it_is_there() -> None:
    mild = invariants(_case())
    broken_sensor = invariants(_case(change=[{"at": "12:00:20", "thing": "case", "becomes": "open"}]))
    assert "fans full within 8 s of case becoming open" in broken_sensor
    assert not [sentence for sentence in mild if "becoming" in sentence]
    assert [sentence for sentence in mild if "each time" in sentence]
    for file in (_case(), _case(change=[{"at": "12:00:20", "thing": "fan1", "becomes": "stalled"}])):
        prepare(msgspec.structs.replace(file, expect=invariants(file)), "s")


def test_choices_are_settings_the_board_takes() -> None:
    tried = list(choices({}))
    assert len(tried) >= 12
    assert {one["fan_mode"] for one in tried} == {0, 1}


def _row(highest_c: float, starts: int) -> SweepRow:
    settings = {"fan_mode": 0, "fan_on_centi_c": 3500, "fan_off_centi_c": 3100}
    return SweepRow(settings=settings, highest_c=highest_c, starts=starts, fan_hours=1.0, battery_min=1.0, noise=1.0)


def test_a_row_beaten_on_every_count_is_not_named() -> None:
    cool, seldom, worse = _row(36.0, 9), _row(40.0, 3), _row(40.0, 4)
    rows = [cool, seldom, worse]
    assert [_unbeaten(row, rows) for row in rows] == [True, True, False]


def test_a_day_is_measured_by_hand() -> None:
    """Ten seconds, one fan: 5 s at 3000 rpm and 2.5 W. Others take 10 W, so the fan cost 1.25 s of them."""
    trace = Trace(end_s=10.0, at_s=[float(s) for s in range(1, 11)])
    runs = [s <= 5 for s in range(1, 11)]
    trace.truth = {
        "case": [30.0] * 10,
        "fan 1 speed": [3000.0 * run for run in runs],
        "fan watts": [2.5 * run for run in runs],
        "voltage": [12.5] * 10,
        "current": [(10 + 2.5 * run) / 12.5 for run in runs],
    }
    trace.drives = [
        (0.0, (0,), (True, True), False),
        (0.5, (100,), (True, True), False),
        (5.0, (0,), (True, True), False),
    ]
    row = measure(trace, {"fan_mode": 0, "fan_on_centi_c": 3500, "fan_off_centi_c": 3100})
    assert (row.highest_c, row.starts) == (30.0, 1)
    assert row.fan_hours == pytest.approx(5 / 3600)
    assert row.battery_min == pytest.approx(1.25 / 60)
    assert row.noise == pytest.approx(50.0)

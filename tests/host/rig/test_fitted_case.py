"""A fitted case in the rig and in a plan has the heat behaviour of the fit."""

import math
from datetime import date
from pathlib import Path

import pytest

from groundbox.errors import BadInput
from groundbox.plan.day_file import load_day
from groundbox.rig.heat import SimCase, SimCaseSettings, SimFan, SimFanSettings, as_settings, flow_m3_per_h
from groundbox.rig.scenario import load
from groundbox.thermal.case_file import CaseFile, save_case
from groundbox.thermal.fit import CaseFit
from groundbox.thermal.model import NAMES, CaseModel, Drive, steady

MODEL = CaseModel(wall_outside_w_per_k=2.0, air_wall_w_per_k=3.0, fan_two_w_per_k=6.0, sun_watts=50)
SCENARIO = """
story = "learned"
lasts_min = 1
expect = ["case never above 80 C"]
[box]
fitted_case = "case.json"
"""


def settled_c(settings: SimCaseSettings, fans_run: bool, sun_w_m2: float) -> float:
    """The rig's air after two days of 30 W at 20 C outside."""
    pair = [SimFan(SimFanSettings()), SimFan(SimFanSettings())]
    for fan in pair:
        fan.rpm = fan.settings.full_rpm if fans_run else 0.0
    case = SimCase(settings, 20.0)
    flow = flow_m3_per_h(pair, settings.path, 0.0)
    for _ in range(48 * 60):
        case.step(60.0, 60 * 30.0, 0.0, sun_w_m2, flow, 20.0)
    return case.air_c


def saved(folder: Path) -> None:
    fit = CaseFit(
        model=MODEL,
        spread=dict.fromkeys(NAMES, 0.1),
        undetermined=(),
        draws=(MODEL,),
        minutes=100,
        residual_rms_k=0.1,
        residual_worst_k=0.3,
        hidden_watts=None,
        remarks=(),
    )
    save_case(folder / "case.json", CaseFile(box="mast", date=date(2031, 7, 19), fit=fit))


@pytest.mark.parametrize("fans", [0, 2])
@pytest.mark.parametrize("sun", [0.0, 0.8])
def test_the_rigs_case_settles_where_the_fit_says(fans: int, sun: float) -> None:
    fitted_c = steady(MODEL, Drive(watts=30, outside_c=20, fans=fans, sun=sun)).air_c
    assert settled_c(as_settings(MODEL), fans == 2, 1000 * sun) == pytest.approx(fitted_c, abs=0.05)


def test_a_scenario_names_the_file(tmp_path: Path) -> None:
    saved(tmp_path)
    path = tmp_path / "hot.toml"
    path.write_text(SCENARIO + "case = { sun_area_m2 = 0.02 }\n")
    settings = load(path).box.case
    assert settings.walls_outside_w_per_k == 2.0
    assert settings.sun_area_m2 == 0.02, "what the scenario says itself counts more"
    (tmp_path / "case.json").unlink()
    with pytest.raises(BadInput, match=r"case\.json: cannot be read"):
        load(path)


def test_a_day_file_names_it_too(tmp_path: Path) -> None:
    saved(tmp_path)
    example = Path(__file__).parents[3] / "host" / "groundbox" / "examples" / "bog_day.toml"
    with_case = '[box.case]\nfitted = "case.json"\nfans_on_c = 33.0\n\n[[box]]\nname = "mast"'
    path = tmp_path / "day.toml"
    path.write_text(example.read_text().replace('[[box]]\nname = "mast"', with_case))
    day = load_day(path)
    assert day.boxes["table"].case.wall_outside_w_per_k == 2.0
    assert day.boxes["table"].case.fans_on_c == 33.0
    assert math.isclose(day.boxes["mast"].case.wall_outside_w_per_k, 3.0)

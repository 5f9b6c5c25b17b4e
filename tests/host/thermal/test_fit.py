"""Fits recover unknown cases: of the model's own kind to its stated spread, and the rig's other physics."""

import math
from dataclasses import replace
from datetime import date
from pathlib import Path
from random import Random

import pytest
from tests.host.thermal.sessions import drive_box, own, rig_box

from groundbox.errors import BadInput, GroundboxError
from groundbox.rig.box import SimBox
from groundbox.rig.heat import SimCase, flow_m3_per_h
from groundbox.thermal.case_file import CaseFile, load_case, save_case
from groundbox.thermal.filter_check import SessionRise, filter_notice, session_rise
from groundbox.thermal.fit import CaseFit, fit
from groundbox.thermal.model import NAMES, CaseModel, CaseState, Drive
from groundbox.thermal.tracker import CaseTracker


def shaken(seed: int) -> CaseModel:
    random = Random(seed)
    return CaseModel(**{name: getattr(CaseModel(), name) * math.exp(random.gauss(0, 0.4)) for name in NAMES})


def off_by_sd(found: CaseFit, truth: CaseModel) -> dict[str, float]:
    return {name: math.log(getattr(found.model, name) / getattr(truth, name)) / found.spread[name] for name in NAMES}


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.endurance)])
def test_own_kind_is_recovered(seed: int) -> None:
    truth = shaken(seed)
    found = fit(own(truth, seed))
    assert max(map(abs, off_by_sd(found, truth).values())) < 3
    assert set(found.undetermined) <= {"wall_battery_w_per_k"}  # the weakest path of heat: hardly ever determined
    assert found.residual_rms_k < 0.1
    for fans in (0, 1, 2):
        assert found.model.rise_k_per_w(fans) == pytest.approx(truth.rise_k_per_w(fans), rel=0.1)


def test_what_never_changed_is_undetermined() -> None:
    truth = shaken(4)
    without_block = [replace(row, battery_c=None) for row in own(truth, 4, one_fan=False)]
    found = fit(without_block)
    assert {"fan_one_w_per_k", "air_battery_w_per_k", "battery_lag_s"} <= set(found.undetermined)
    assert found.spread["fan_one_w_per_k"] > 0.6
    assert any("one fan alone" in remark for remark in found.remarks)
    low, _, high = found.rise_k_per_w(1)
    assert high > 1.5 * low  # and a prediction with one fan says how little is known


def test_sun_that_is_not_noted_leaves_the_walls_undetermined() -> None:
    truth = shaken(1)
    found = fit(own(truth, 1, sun_noted=False))
    assert found.hidden_watts is not None
    assert {"wall_j_per_k", "wall_outside_w_per_k", "sun_watts"} <= set(found.undetermined)
    assert max(map(abs, off_by_sd(found, truth).values())) < 3


def test_gaps_and_repeats_change_nothing() -> None:
    rows = own(shaken(1), 1, hours=3)
    cut = [row for row in rows if not 5000 < row.t_s < 6000]
    with_repeats = [again for row in cut for again in (row, row)]
    once, twice = fit(cut), fit(with_repeats)
    assert once == twice
    assert max(map(abs, off_by_sd(once, shaken(1)).values())) < 3


def test_too_little_is_refused() -> None:
    with pytest.raises(GroundboxError, match="minutes"):
        fit(own(shaken(1), 1, hours=0.3))


def test_heat_in_no_column_appears_in_the_remarks() -> None:
    """The lid is open for half an hour, which is not noted: the case is as cold as outside."""
    rows = [
        replace(row, case_c=row.outside_c + 1) if 7200 < row.t_s < 9000 else row for row in own(shaken(2), 2, hours=3)
    ]
    found = fit(rows)
    assert found.residual_rms_k > 0.3
    assert any("than the model" in remark for remark in found.remarks)


def true_rise(box: SimBox, fans: int) -> float:
    """Steady rise in K/W of the rig's own case, by letting it settle."""
    case = SimCase(box.settings.case, 25.0)
    for i, fan in enumerate(box.fans):
        fan.rpm = fan.settings.full_rpm if i < fans else 0.0
    flow = flow_m3_per_h(box.fans, box.settings.case.path, box.blocked) if fans else 0.0
    for _ in range(2000):
        case.step(60, 60 * 40.0, 0, 0, flow, 25)
    return (case.air_c - 25) / 40


def widths(found: CaseFit, fans: int) -> float:
    """One sd of the logarithm of the rise, from its 5 and 95 % points."""
    low, _, high = found.rise_k_per_w(fans)
    return math.log(high / low) / (2 * 1.645)


@pytest.mark.parametrize(
    ("seed", "sun_noted"), [(1, True), pytest.param(2, True, marks=pytest.mark.endurance), (1, False)]
)
def test_the_rigs_box_is_recovered(seed: int, sun_noted: bool) -> None:
    """Three nodes, fan curves, sensor errors of 0.3 K: the rises lie where the fit says they may."""
    box = rig_box(seed)
    found = fit(drive_box(box, hours=6, sun_noted=sun_noted, stalled=(3.2, 4.0)))
    for fans in (0, 1, 2):
        off = math.log(found.model.rise_k_per_w(fans) / true_rise(box, fans)) / widths(found, fans)
        assert abs(off) < 2.5, f"{fans} fans: {off:.1f} sd"
    if sun_noted:
        assert max(widths(found, fans) for fans in (0, 1, 2)) < 0.08
        case = box.settings.case
        for name, true in (
            ("air_j_per_k", case.air_j_per_k),
            ("wall_j_per_k", case.walls_j_per_k),
            ("air_wall_w_per_k", case.air_walls_w_per_k),
            ("wall_outside_w_per_k", case.walls_outside_w_per_k),
            ("air_battery_w_per_k", case.air_battery_w_per_k),
            ("sun_watts", 1000 * case.sun_area_m2),
        ):
            assert abs(math.log(getattr(found.model, name) / true)) < 3 * found.spread[name], name


def test_fans_stop_in_the_rigs_box() -> None:
    """Predicted just before the fans stop: the rig's case gets to 45 C neither long before nor long after."""
    box = rig_box(1)
    rows = drive_box(box, hours=4.5, stalled=(3.2, 4.0))
    found = fit(rows)
    tracker = CaseTracker(found.model)
    for row in rows:
        tracker.update(row)
    expected, drive = tracker.minutes_to(45), tracker.drive(0)
    assert expected is not None
    assert drive is not None
    assert tracker.state is not None
    low = found.low_minutes_to(45, tracker.state, drive)
    seconds = 0.0
    for fan in box.fans:
        fan.fault = "stalled"
    while box.case.air_c < 45:
        box.step(0.5)
        seconds += 0.5
    assert expected == pytest.approx(seconds / 60, rel=0.3)
    assert low is not None
    assert low < expected


def test_a_clogging_filter_is_noticed_and_a_clean_one_is_not() -> None:
    case = fit(drive_box(rig_box(1), hours=4.5, stalled=(3.2, 4.0)))

    def session(name: str, seed: int, blocked: float) -> SessionRise:
        box = rig_box(seed)
        box.blocked = blocked
        rise = session_rise(name, drive_box(box, hours=3), case)
        assert rise is not None
        return rise

    clean = session("first", 1, 0.0)
    assert filter_notice([clean]) is None
    assert filter_notice([clean, session("second", 2, 0.2)]) is None
    notice = filter_notice([clean, session("third", 1, 0.75)])
    assert notice is not None
    assert "filter" in notice


def test_a_notice_needs_a_small_spread() -> None:
    clean = SessionRise(name="a", k_per_w=0.10, spread=0.05)
    assert filter_notice([clean, SessionRise(name="b", k_per_w=0.14, spread=0.30)]) is None
    assert filter_notice([clean, SessionRise(name="b", k_per_w=0.14, spread=0.05)]) is not None
    assert filter_notice([clean, SessionRise(name="b", k_per_w=0.11, spread=0.01)]) is None


def test_case_file_keeps_everything_and_names_what_is_wrong(tmp_path: Path) -> None:
    path = tmp_path / "case.json"
    found = fit(own(shaken(1), 1, hours=2))
    save_case(path, CaseFile(box="mast", date=date(2031, 7, 19), fit=found))
    back = load_case(path).fit
    state, drive = CaseState(air_c=35, wall_c=33), Drive(watts=60, outside_c=30)
    assert back == found
    assert back.low_minutes_to(50, state, drive) == found.low_minutes_to(50, state, drive)
    path.write_text(path.read_text().replace('"air_j_per_k": ', '"air_j_per_k": -', 1))
    with pytest.raises(BadInput, match=r"case\.json: .*air_j_per_k"):
        load_case(path)
    path.write_text("{")
    with pytest.raises(BadInput, match="fit the case again"):
        load_case(path)
    with pytest.raises(BadInput, match="cannot be read"):
        load_case(tmp_path / "none.json")


def test_after_cleaning_the_first_sessions_still_count() -> None:
    rises = [SessionRise(name=f"2031-07-1{day}", k_per_w=k, spread=0.05) for day, k in enumerate((0.1, 0.1, 0.1, 0.15))]
    case = CaseFile(box="mast", date=date(2031, 7, 19), fit=fit(own(shaken(1), 1, hours=1)))
    for rise in rises:
        case = case.with_session(rise.name, rise)
    assert filter_notice(case.sessions) is not None
    clean = case.cleaned()
    assert filter_notice(clean.sessions) is None
    assert all(clean.has(rise.name) for rise in rises), "none is fitted again"
    again = clean.with_session("2031-07-20", replace(rises[3], name="2031-07-20"))
    assert filter_notice(again.sessions) is not None

"""Heat live: the time left should the fans stop, what a reading says about heat, the notice of a clogging filter."""

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import pytest
from tests.host.monitor.test_recorder import SETTINGS, Bench

from groundbox.errors import BadInput
from groundbox.model import FanReading, Reading
from groundbox.monitor.heat import LEVELS_C, Heat, row_of, turning
from groundbox.settings import LoadSettings, load
from groundbox.thermal.case_file import CaseFile, load_case, save_case
from groundbox.thermal.filter_check import SessionRise
from groundbox.thermal.fit import CaseFit
from groundbox.thermal.model import NAMES, CaseModel, CaseState, Drive, minutes_to, predict
from groundbox.ui import screen

HOT = CaseModel(wall_outside_w_per_k=1.2, sun_watts=40)


def fitted(model: CaseModel) -> CaseFit:
    worse = CaseModel(**{name: getattr(model, name) for name in NAMES} | {"air_j_per_k": model.air_j_per_k / 2})
    return CaseFit(
        model=model,
        spread=dict.fromkeys(NAMES, 0.1),
        undetermined=(),
        draws=(model,) * 18 + (worse,) * 2,
        minutes=600,
        residual_rms_k=0.1,
        residual_worst_k=0.3,
        hidden_watts=None,
        remarks=(),
    )


def fans_of(*states: str, percent: int = 100) -> dict[int, FanReading]:
    return {
        number: FanReading(state=state, percent=0 if state == "off" else percent)
        for number, state in enumerate(states, 1)
    }


def reading(
    second: int, case_c: float, *, fans: Sequence[str] = ("running", "running"), percent: int = 100, **more: object
) -> Reading:
    values: dict[str, object] = {"battery_volts": 12.5, "battery_amps": 4.0, "intake_c": 30.0}
    values["fans"] = fans_of(*fans, percent=percent)
    return Reading(box="mast", boot=1, sequence=second + 1, uptime_ms=1000 * second, case_c=case_c, **values | more)  # type: ignore[arg-type]


def followed(case: CaseFit | None, model: CaseModel) -> tuple[Heat, CaseState]:
    """A follower after an hour of 50 W with both fans running in a case of `model`, and the case's true state."""
    heat, state = Heat(case), CaseState(air_c=32, wall_c=31)
    for second in range(3600):
        state = predict(model, state, Drive(watts=50, outside_c=30, fans=2), 1)
        heat.take(second, reading(second, state.air_c))
    return heat, state


def test_with_both_fans_stopped_a_fitted_case_shows_its_minutes() -> None:
    heat, state = followed(fitted(HOT), HOT)
    found = heat.outlook()
    truth = minutes_to(60.0, HOT, state, Drive(watts=50, outside_c=30))
    assert truth is not None
    assert found.fitted
    assert found.limit_c == LEVELS_C[-1] == 60.0
    assert found.fans_stopped_min == pytest.approx(truth, rel=0.02)
    assert found.fans_stopped_low_min is not None
    assert found.fans_stopped_low_min < truth
    assert found.levels_min == (None, None, None), "with its fans it stays cool"


def test_an_assumed_case_says_that_it_is() -> None:
    found = followed(None, CaseModel())[0].outlook()
    assert not found.fitted
    assert found.fans_stopped_low_min is None


def test_with_the_fans_standing_now_is_the_same_as_stopped() -> None:
    heat = Heat(fitted(HOT))
    for second in range(300):
        heat.take(second, reading(second, 45.0 + second / 100, fans=("off", "off")))
    found = heat.outlook()
    assert found.levels_min[-1] == found.fans_stopped_min is not None
    assert found.levels_min[0] == 0.0


def test_what_a_reading_says_about_heat() -> None:
    row = row_of(5.0, reading(5, 40.0, battery_c=33.0), sun=0.5)
    assert row is not None
    assert (row.t_s, row.case_c, row.outside_c, row.watts, row.fans) == (5.0, 40.0, 30.0, 50.0, 2.0)
    assert (row.battery_c, row.sun) == (33.0, 0.5)
    assert row_of(5.0, reading(5, 40.0, intake_c=None)) is None
    assert row_of(5.0, reading(5, 40.0, battery_amps=None)) is None
    declared = row_of(5.0, reading(5, 40.0, battery_amps=None), [LoadSettings(name="display", watts=20)])
    assert declared is not None
    assert declared.watts == pytest.approx(20.0)


def test_fans_that_turn() -> None:
    assert turning(reading(1, 40.0)) == 2.0
    assert turning(reading(1, 40.0, fans=("running", "stalled"))) == 1.0
    assert turning(reading(1, 40.0, fans=("running", "too_fast"))) == 1.0
    assert turning(reading(1, 40.0, percent=40)) == pytest.approx(0.8)
    assert turning(reading(1, 40.0, fans=["running"] * 4)) == 2.0, "two pairs are no more than one in its own stream"
    assert turning(reading(1, 40.0, fans=("absent", "absent"))) == 0.0


@pytest.fixture(autouse=True)
def at_every_turn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Estimates come by the computer's own clock, which these tests do not wait for."""
    monkeypatch.setattr("groundbox.monitor.recorder.TAKE_S", 0.0)
    monkeypatch.setattr("groundbox.monitor.recorder.ESTIMATE_EVERY_S", 0.0)


def service_of(folder: Path, rises: tuple[float, ...]) -> Bench:
    sessions = tuple(SessionRise(name=f"2031-07-1{n}", k_per_w=k, spread=0.05) for n, k in enumerate(rises))
    save_case(folder / "case.json", CaseFile(box="mast", date=date(2031, 7, 19), fit=fitted(HOT), sessions=sessions))
    for battery in ("sedge", "heath"):
        (folder / f"{battery}.toml").write_text("c20_ah = 9.0\n")
    text = SETTINGS.replace("lead_ohm = 0.02", 'lead_ohm = 0.02\ncase = "case.json"')
    (folder / "groundbox.toml").write_text(text)
    return Bench(folder, load(folder / "groundbox.toml"))


@pytest.mark.parametrize(("rises", "warned"), [((0.1, 0.1, 0.15), True), ((0.1, 0.1, 0.11), False)])
def test_a_clogging_filter_is_a_notice(rises: tuple[float, ...], warned: bool, tmp_path: Path) -> None:
    bench = service_of(tmp_path, rises)
    bench.recorder.lessons.background.wait()
    bench.pass_s(3)
    assert [one.kind for one in bench.view.warnings if one.kind == "filter"] == ["filter"] * warned
    bench.end()


def test_the_line_says_it(tmp_path: Path) -> None:
    bench = service_of(tmp_path, ())
    bench.values |= {
        "intake_c": 38.0,
        "battery_amps": 8.0,
        "fans": {1: FanReading(state="off", percent=0), 2: FanReading(state="running")},
    }
    for second in range(130):
        bench.pass_s(1, case_c=45.0 + second / 40)
    assert bench.view.heat.fitted
    shown = screen.heat(bench.view)
    assert shown.startswith("60 °C in ")
    assert shown.endswith("if its fans stop")
    assert shown in screen.line(bench.view)
    bench.end()


def test_a_damaged_case_file_is_said_and_the_rest_goes_on(tmp_path: Path) -> None:
    bench = service_of(tmp_path, ())
    bench.end()
    (tmp_path / "case.json").write_text("{}")
    with pytest.raises(BadInput, match="fit the case again"):
        load_case(tmp_path / "case.json")
    bench.begin()
    bench.pass_s(130)
    assert any("heat is predicted by an assumed case" in said for said in bench.heard.said)
    assert not bench.view.heat.fitted
    bench.end()

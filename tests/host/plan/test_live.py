"""The plan from what `groundbox log` has stored: what it takes over, where from, how old, and what that changes."""

import json
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner
from tests.host.advice.test_rules import FINE, FLYING

from groundbox.advice.judge import Judge
from groundbox.advice.result import FlightShown
from groundbox.conversion import from_wire
from groundbox.errors import BadInput
from groundbox.model import BatteryFitted, Mark, Reading
from groundbox.plan.battery_pool import soc_of
from groundbox.plan.day import LOADED_VOLTS
from groundbox.plan.day_file import load_day
from groundbox.plan.planner import Plan, plan_day
from groundbox.plan.replan import KnownNow, replan
from groundbox.plan.standing import minute_of, standing_at
from groundbox.settings import Settings, load
from groundbox.store import Reader, Store
from groundbox.ui import cmd_mark
from groundbox.ui.cmd_plan import command
from groundbox.ui.cmd_plan_live import LiveStanding, live_standing
from groundbox.wire.messages import fields_of

EXAMPLES = Path(__file__).parents[3] / "host" / "groundbox" / "examples"
DAY = datetime(2031, 7, 19)
AMPS = {"table": 2.4, "mast": 1.1}
EVERY_S = 20.0


def _at(hour: int, minute: int = 0) -> float:
    return DAY.replace(hour=hour, minute=minute).timestamp()


def _readings(box: str, until_s: float, amps: float) -> list[Reading]:
    begin, found, drawn = _at(13), [], 0.0
    while (at_s := begin + EVERY_S * len(found)) < until_s:
        drawn += amps * EVERY_S / 3600 / (18 if box == "table" else 9)
        values: dict[str, object] = {name: None for name, *_ in fields_of("reading")}
        values.update(place="flight" if _at(13, 20) <= at_s < _at(13, 55) else "ground")
        values.update(box=box, boot=1, sequence=len(found), uptime_ms=round(1000 * (at_s - begin)), charging="no")
        volts = 12.85 - 1.2 * drawn - 0.02 * amps
        values.update(battery_mv=round(1000 * volts), battery_ma=round(1000 * amps), case_centi_c=2600)
        dated = {"wall_s": at_s, "wall_uncertainty_s": 0.01, "wall_source": "exchange"}
        found.append(from_wire(Reading, list(values.values()), **dated))
    return found


@pytest.fixture(scope="module")
def base() -> Plan:
    return plan_day(load_day(EXAMPLES / "bog_day.toml"), seconds=1)


@pytest.fixture
def logged(tmp_path: Path) -> Settings:
    """Both boxes heard from 13:00 to 14:10 with their own batteries; a flight from 13:20 to 13:55, nothing charged."""
    for name in ("groundbox.toml", "M9.toml", "T18.toml", "bog_day.toml"):
        (tmp_path / name).write_text((EXAMPLES / name).read_text())
    with Store(tmp_path / "session.db") as store:
        for box, amps in AMPS.items():
            store.add(_readings(box, _at(14, 10), amps))
        store.add_mark(Mark(box="table", kind="launch", wall_s=_at(13, 20)))
        store.add_mark(Mark(box="table", kind="landing", wall_s=_at(13, 55)))
        store.commit()
    return load(tmp_path / "groundbox.toml")


def _live(settings: Settings, plan: Plan, at_s: float, *given_up: str) -> LiveStanding:
    with Reader(settings.database_path) as reader:
        return live_standing(reader, settings, plan, at_s, given_up)


def test_charges_flights_and_currents_come_from_the_store(logged: Settings, base: Plan) -> None:
    found = _live(logged, base, _at(14, 10))
    assert found.flights.done == ("north edge",)
    assert found.flights.flying is None
    assert found.fitted == {"table": "T18", "mast": "M9"}
    assert set(found.banks) == {"T18", "M9"}
    volts = 12.85 - 1.2 * AMPS["mast"] * 0.6 / 9  # in the middle of the flight
    assert found.flight_amps["mast"] == pytest.approx(AMPS["mast"] * volts / LOADED_VOLTS, rel=0.01)
    sources = {figure.of: figure for figure in found.figures if figure.source.startswith("estimated")}
    assert sources["M9"].source == "estimated in mast"
    assert sources["M9"].age_s == pytest.approx(EVERY_S, abs=1)
    assert "charge" in sources["M9"].words


def test_a_flight_in_the_air_is_planned_from_now_on(logged: Settings, base: Plan) -> None:
    with Store(logged.database_path) as store:
        store.add_mark(Mark(box="table", kind="launch", wall_s=_at(14, 6)))
        store.commit()
    found = _live(logged, base, _at(14, 10))
    assert (found.flights.flying, found.flights.launched_min) == ("old cutting", pytest.approx(66.0))
    new = replan(base, found.now(KnownNow(minute=0.0)))
    (mast,) = [one for one in new.plan.outcome.answers if one.flight == "old cutting" and one.box == "mast"]
    assert mast.in_air
    assert mast.verdict == "turn_back_by"
    assert mast.turn_back_min is not None
    later = [one.launch_min for one in new.plan.outcome.answers if one.flight == "dams" and one.launch_min is not None]
    assert all(launch >= 66 + 35 + 10 for launch in later), "not before landing and turnaround"


def test_a_charge_that_does_not_arrive_is_reported(logged: Settings, base: Plan) -> None:
    at_s = _at(14, 10)
    run = next(run for run in base.outcome.charges if run.start_min + 5 < minute_of(base.day, at_s) < run.end_min)
    found = _live(logged, base, at_s)
    assert found.arriving[run.battery] is False
    news = replan(base, found.now(KnownNow(minute=0.0))).news
    assert any(f"{run.battery} should be on {run.charger}" in one and "connect it" in one for one in news)


def test_stale_readings_state_nothing_of_what_is_connected(logged: Settings, base: Plan) -> None:
    found = _live(logged, base, _at(14, 40))
    assert found.arriving == {}
    ages = [figure.age_s for figure in found.figures if figure.source.startswith("estimated")]
    assert ages == [pytest.approx(1820, abs=30)] * 2


def test_a_box_silent_for_hours_is_reported_and_planned_with_its_loads_on(logged: Settings, base: Plan) -> None:
    fresh, late = _live(logged, base, _at(14, 12)), _live(logged, base, _at(16, 12))
    assert fresh.silent == {}
    assert set(late.silent) == {"table", "mast"}
    new = replan(base, late.now(KnownNow(minute=0.0)), seconds=0.3).plan
    assert new.next_answer is not None
    assert new.next_answer.verdict in ("unknown", "do_not_launch"), "unknown never reads as good"
    assert "silent for 2 h 02 min, since 14:09" in late.silent["mast"]
    for name in ("M9", "T18"):
        assert soc_of(late.banks[name]).expected < soc_of(fresh.banks[name]).expected - 0.1
    assert any(figure.of == "M9" and "--charge" in figure.source for figure in late.figures)


def test_a_stated_charge_wins_over_what_a_silent_box_may_have_drawn(logged: Settings, base: Plan) -> None:
    late = _live(logged, base, _at(16, 12))
    assert "M9" not in (late.now(KnownNow(minute=0.0, charges={"M9": 0.9})).banks or {})


def test_a_box_not_heard_since_yesterday_is_planned_by_the_day_file(logged: Settings, base: Plan) -> None:
    found = _live(logged, base, _at(14, 12) + 86400)
    assert found.banks == {}
    assert "not been heard today: M9" in found.silent["mast"]
    assert {"table", "mast"} == {figure.source.split()[0] for figure in found.figures if "heard" in figure.source}


def test_a_swapped_battery_and_one_that_the_day_does_not_have(logged: Settings, base: Plan) -> None:
    with Store(logged.database_path) as store:
        store.add_fitted(BatteryFitted(box="mast", battery="X5", from_wall_s=_at(14)))
        store.add_mark(Mark(box="mast", kind="swap", wall_s=_at(14), name="X5"))
        store.commit()
    found = _live(logged, base, _at(14, 10))
    assert found.fitted == {"table": "T18"}
    assert any('"X5"' in note and "add it" in note for note in found.notes)


def test_a_battery_of_another_size_than_in_the_day_file(logged: Settings, base: Plan) -> None:
    (logged.folder / "M9.toml").write_text("c20_ah = 12.0\n")
    found = _live(logged, base, _at(14, 10))
    assert "M9" not in found.banks
    assert any("correct one" in note for note in found.notes)


def test_what_a_person_states_wins(logged: Settings, base: Plan) -> None:
    found = _live(logged, base, _at(14, 10))
    now = found.now(KnownNow(minute=0.0, charges={"M9": 0.5}, failed=["bench"]))
    assert now.banks is not None
    assert "M9" not in now.banks
    assert now.charges == {"M9": 0.5}
    assert now.failed == ["bench"]


def test_measured_currents_replace_declared_ones(base: Plan) -> None:
    heavy = replan(base, KnownNow(minute=60.0, done=["north edge"], flight_amps={"mast": 3.0}))
    before = {(one.flight, one.box): one for one in base.outcome.answers}
    for one in heavy.plan.outcome.answers:
        if one.box == "mast" and one.margin_min is not None and one.flight == "old cutting":
            old = before[one.flight, one.box].margin_min
            assert old is None or one.margin_min < old
    assert any("mast" in sentence for sentence in heavy.news)


def _typed(folder: Path, monkeypatch: pytest.MonkeyPatch, *words: str) -> str:
    monkeypatch.chdir(folder)
    run = CliRunner().invoke(command, ["bog_day.toml", "--seconds", "0.5", "--fixes", "0", *words])
    if run.exception is not None and not isinstance(run.exception, SystemExit):
        raise run.exception
    return run.output


def test_the_command_states_the_source_of_its_figures(logged: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    text = _typed(logged.folder, monkeypatch, "--live", "--at", "14:10")
    assert text.splitlines()[0].startswith("old cutting: ")
    assert text.splitlines()[2] == "Where the figures come from"
    for words in ("estimated in mast, ", " s old", "landing mark", "measured in its flights", "Changed"):
        assert words in text
    assert (
        "Do not launch with that" in _typed(logged.folder, monkeypatch, "--live", "--at", "15:30").split("Changed")[1]
    )
    tree = json.loads(_typed(logged.folder, monkeypatch, "--live", "--at", "14:10", "--json"))
    assert {figure["of"] for figure in tree["figures"]} >= {"M9", "T18", "mast", "north edge"}
    assert tree["news"]
    assert any("hydrogen" in caution for caution in tree["cautions"])


@pytest.mark.parametrize(
    ("words", "fix"),
    [
        (("--live",), "--at for a day that is past"),
        (("--live", "--at", "13:30"), "before the newest reading, of 14:09"),
        (("--follow",), "goes with --live"),
        (("--charge", "M9=0.5"), "add --live, or --at and a time"),
        (("--at", "14:00", "--swap", "mast=T18"), "may not go into mast"),
        (("--at", "14:00", "--swap", "mast"), "BOX=BATTERY"),
        (("--at", "14:00", "--lost", "M8"), 'did you mean "M9"'),
        (("--live", "--at", "14:10", "--database", "none.db"), "no such database"),
    ],
)
def test_a_wrong_option_is_an_error_with_its_fix(
    logged: Settings, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], fix: str
) -> None:
    with pytest.raises(BadInput) as caught:
        _typed(logged.folder, monkeypatch, *words)
    assert fix in str(caught.value)


def _advise(settings: Settings, wall_s: float, flights: tuple[tuple[float, float | None], ...], **mast: float) -> None:
    """A recorder, whose clock shows `wall_s`, has stored its advice this moment."""
    state = replace(FLYING if flights[-1][1] is None else FINE, wall_s=wall_s, **mast)
    flight = FlightShown(in_flight=flights[-1][1] is None, flights=flights)
    advice, _ = Judge().update(0.0, wall_s, [state, replace(state, box="table")], flight)
    with Store(settings.database_path) as store:
        store.save_advice(time.time(), msgspec.json.encode(advice).decode())
        store.commit()


def test_the_plan_of_now_is_by_the_clock_and_the_advice_of_the_recorder(
    logged: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A simulated session has its own clock; its flights and turn-back times are computed once."""
    flights = ((_at(13, 20), _at(13, 55)), (_at(14, 6), None))
    times = {"runtime_low_s": 5000.0, "runtime_expected_s": 6000.0, "runtime_high_s": 7000.0, "turn_back_in_s": 3660.0}
    _advise(logged, _at(14, 10), flights, landing_in_s=1800.0, **times)
    tree = json.loads(_typed(logged.folder, monkeypatch, "--live", "--json"))
    now = [one for one in tree["answers"] if one["in_air"]]
    assert {(one["flight"], one["box"], one["verdict"]) for one in now} == {
        ("old cutting", "mast", "turn_back_by"),
        ("old cutting", "table", "turn_back_by"),
    }
    assert {round(one["turn_back_min"]) for one in now} == {130}, "rounded down to 15:10, as shown by `now`"
    assert now[0]["runtime_low_min"] == pytest.approx(5000 / 60)
    left_min, bounds = 35 - 4, ("low", "expected", "high")
    for box, bound in ((box, bound) for box in now for bound in bounds):
        assert box[f"landing_{bound}_min"] == pytest.approx(box[f"runtime_{bound}_min"] - left_min, abs=0.2), bound
    assert now[0]["margin_min"] == pytest.approx(5000 / 60 - left_min - 15, abs=0.2)
    assert tree["sentence"].startswith("Turn back by 15:10, in 60 min: mast")
    assert tree["sentence"].endswith("old cutting: in the air, turn back by 15:10.")


def test_a_mark_is_dated_by_the_clock_of_the_recorder(logged: Settings) -> None:
    _advise(logged, _at(14, 10), ((_at(13, 20), _at(13, 55)),))
    typed = ["launch", "--settings", str(logged.folder / "groundbox.toml"), "--confirm"]
    assert CliRunner().invoke(cmd_mark.command, typed).exit_code == 0
    with Reader(logged.database_path) as reader:
        assert reader.marks()[-1].wall_s == pytest.approx(_at(14, 10), abs=3)
    undo = CliRunner().invoke(cmd_mark.command, ["undo", *typed[1:3]])
    assert undo.exit_code == 0, undo.output


def test_a_day_in_the_morning_is_planned_from_its_start(logged: Settings, base: Plan) -> None:
    morning, midday = standing_at(base.day, _at(9)), standing_at(base.day, _at(13, 30))
    assert morning is not None
    assert midday is not None
    assert (morning.plan_min, midday.plan_min) == (0.0, 30.0)

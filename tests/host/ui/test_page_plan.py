"""The page's plan: what-if answers differ, and the plan continues from the day's standing."""

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from tests.host.advice.test_rules import FLYING

import groundbox
from groundbox.advice.judge import Judge
from groundbox.advice.result import FlightShown
from groundbox.errors import BadInput
from groundbox.ui.page.plan import DayPlan

DAY = Path(groundbox.__file__).parent / "examples" / "bog_day.toml"
BEFORE_THE_DAY: dict[str, Any] = {"wall_s": 1_800_000_000.0, "charges": {}}


def _today(clock: str, landed: int, launched: str | None = None, **charges: float) -> dict[str, Any]:
    def at(time: str) -> float:
        return datetime.fromisoformat(f"2031-07-19T{time}").timestamp()

    flights = [(at("13:00") + one, at("13:00") + one + 0.5) for one in range(landed)]
    in_air = [] if launched is None else [(at(launched), None)]
    return {"wall_s": at(clock), "charges": charges, "flights": [*flights, *in_air]}


@pytest.fixture(scope="module")
def plan() -> DayPlan:
    return DayPlan(DAY)


def _flown(tree: dict[str, Any]) -> list[str]:
    return [flight["name"] for flight in tree["flights"] if flight["flown"]]


def _words(tree: dict[str, Any]) -> str:
    return " ".join(one["words"] for flight in tree["flights"] for one in flight["boxes"])


def test_longer_flights_are_fewer(plan: DayPlan) -> None:
    as_planned = plan.answer({}, **BEFORE_THE_DAY)
    longer = plan.answer({"length_min": 70}, **BEFORE_THE_DAY)
    assert len(_flown(longer)) < len(_flown(as_planned)) == 4
    assert "batteries as the day file states them" in str(as_planned["words"])


def test_it_continues_from_the_flights_done(plan: DayPlan) -> None:
    good = plan.answer({}, **_today("14:20:00", 1, M9=0.95, T18=0.9))
    bad = plan.answer({}, **_today("14:20:00", 1, M9=0.05, T18=0.9))
    assert [flight["name"] for flight in good["flights"]] == ["old cutting", "dams", "south lagg"]
    assert "mast: clear to launch at 14:35. " in _words(good)
    assert "mast: clear to launch at 14:35. " not in _words(bad)  # waits, or goes with loads off, or not at all
    assert "1 flight done" in str(bad["words"])
    assert "mast" in str(bad["words"])
    assert "not heard" not in str(bad["words"])
    assert "(M9 not heard now, so as planned)" in str(plan.answer({}, **_today("14:20:00", 1, T18=0.9))["words"])


def test_a_switched_off_load_stays_off(plan: DayPlan) -> None:
    tree = plan.answer({"off": [["table", "USB charging"]]}, **BEFORE_THE_DAY)
    assert [(load["name"], load["off"]) for load in tree["loads"]] == [("USB charging", True)]
    tree = plan.answer({}, **BEFORE_THE_DAY)
    assert [(load["name"], load["off"]) for load in tree["loads"]] == [("USB charging", False)]


@pytest.mark.parametrize(
    "body", [{"length_min": 0}, {"length_min": "long"}, {"off": [["table", "repeater"]]}, {"off": [["table"]]}]
)
def test_a_wrong_question_is_refused(plan: DayPlan, body: dict[str, object]) -> None:
    with pytest.raises(BadInput):
        plan.answer(body, **BEFORE_THE_DAY)


def test_the_flight_in_the_air_is_not_launched_again(plan: DayPlan) -> None:
    tree = plan.answer({}, **_today("14:45:00", 1, launched="14:35:00", M9=0.9, T18=0.9))
    flying, following, *_ = tree["flights"]
    assert (flying["name"], flying["in_air"]) == ("old cutting", True)
    assert tree["verdict"] in ("turn_back_by", "return_now")
    assert str(tree["sentence"]).startswith("old cutting: in the air")
    assert (following["name"], following["in_air"], following["launch_min"]) == ("dams", False, 170.0)


def test_the_flight_in_the_air_has_the_turn_back_time_of_the_recorder(plan: DayPlan) -> None:
    """The plan computes none of its own: runtime, turn-back time and verdict are those of `now`."""
    today = _today("14:45:00", 1, launched="14:35:00", M9=0.9, T18=0.9)
    times = {"landing_in_s": 1500.0, "runtime_low_s": 4000.0, "turn_back_in_s": 2640.0}
    mast, table = (replace(FLYING, box=box, wall_s=today["wall_s"], **times) for box in ("mast", "table"))
    flight = FlightShown(in_flight=True, flights=tuple(today["flights"]))
    for boxes, verdict, words in (
        ([mast, table], "turn_back_by", "mast: in the air, turn back by 15:25. "),
        ([replace(mast, turn_back_in_s=-60.0), table], "return_now", "mast: in the air, return now: turn-back time"),
        ([mast.without_runtime("no current"), table], "unknown", "mast: unknown: turn-back time unknown, no current"),
    ):
        advice, _ = Judge().update(0.0, today["wall_s"], boxes, flight)
        tree = plan.answer({}, **today, advice=advice)
        assert (tree["verdict"], tree["flights"][0]["in_air"]) == (verdict, True)
        assert words in _words(tree)
        assert {one["box"]: one["verdict"] for one in tree["flights"][0]["boxes"]} == {
            "mast": verdict,
            "table": "turn_back_by",
        }


@pytest.mark.parametrize("second", [7, 19, 50])
def test_the_flight_in_the_air_is_planned_at_any_second(plan: DayPlan, second: int) -> None:
    tree = plan.answer({}, **_today(f"14:45:{second:02d}", 1, launched="14:35:00", M9=0.9, T18=0.9))
    assert tree["flights"][0]["in_air"]
    assert tree["verdict"] == "turn_back_by"


def test_a_day_that_has_ended_is_never_shown_as_the_present(plan: DayPlan) -> None:
    for when in (
        _today("23:30:00", 2, M9=0.9, T18=0.9),
        _today("17:40:00", 4, M9=0.9, T18=0.9),
        {**_today("14:00:00", 0), "wall_s": datetime.fromisoformat("2031-07-21T14:00:00").timestamp()},
    ):
        tree = plan.answer({}, **when)
        assert tree["flights"] == []
        assert tree["charges"] == []
        assert tree["verdict"] is None
        assert any(word in str(tree["words"]) for word in ("is past", "No flight is left"))


def test_a_day_moved_to_now_is_planned_as_in_its_file(plan: DayPlan) -> None:
    start = datetime(2033, 3, 4, 22, 15)
    moved = DayPlan(DAY, start).answer({}, wall_s=start.timestamp() + 60, charges={"M9": 1.0, "T18": 1.0})
    assert [flight["launch_min"] for flight in moved["flights"]] == [
        flight["launch_min"] for flight in plan.answer({}, **BEFORE_THE_DAY)["flights"]
    ]
    assert "clear to launch at 22:35" in str(moved["sentence"])


def test_charging_carries_its_cautions(plan: DayPlan) -> None:
    tree = plan.answer({}, **BEFORE_THE_DAY)
    assert tree["charges"]
    assert any("hydrogen" in caution for caution in tree["cautions"])

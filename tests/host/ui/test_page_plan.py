"""The page's plan: what-if answers differ as they should, and the plan goes on from where the day stands."""

from datetime import datetime
from pathlib import Path

import pytest

import groundbox
from groundbox.errors import BadInput
from groundbox.ui.page.past import Standing
from groundbox.ui.page.plan import DayPlan

DAY = Path(groundbox.__file__).parent / "examples" / "bog_day.toml"
ANOTHER_DAY = Standing(wall_s=1_800_000_000.0, charges={}, landed=0)


def _today(clock: str, landed: int, **charges: float) -> Standing:
    wall_s = datetime.fromisoformat(f"2031-07-19T{clock}").timestamp()
    return Standing(wall_s=wall_s, charges=charges, landed=landed)


@pytest.fixture(scope="module")
def plan() -> DayPlan:
    return DayPlan(DAY)


def _flown(told: dict) -> list[str]:
    return [flight["name"] for flight in told["flights"] if flight["flown"]]


def _words(told: dict) -> str:
    return " ".join(one["words"] for flight in told["flights"] for one in flight["boxes"])


def test_longer_flights_are_fewer(plan: DayPlan) -> None:
    as_told = plan.answer({}, ANOTHER_DAY)
    longer = plan.answer({"length_min": 70}, ANOTHER_DAY)
    assert len(_flown(longer)) < len(_flown(as_told)) == 4
    assert "batteries as believed at its start" in str(as_told["words"])


def test_it_goes_on_from_where_the_day_stands(plan: DayPlan) -> None:
    good = plan.answer({}, _today("14:20:00", 1, M9=0.95, T18=0.9))
    bad = plan.answer({}, _today("14:20:00", 1, M9=0.05, T18=0.9))
    assert [flight["name"] for flight in good["flights"]] == ["old cutting", "dams", "south lagg"]
    assert "mast: launch at 14:35. " in _words(good)
    assert "mast: launch at 14:35. " not in _words(bad)  # waits, or goes with loads off, or not at all
    assert "1 flight done" in str(bad["words"])
    assert "mast" in str(bad["words"])
    assert "not heard" not in str(bad["words"])
    assert "(M9 not heard now, so as planned)" in str(plan.answer({}, _today("14:20:00", 1, T18=0.9))["words"])


def test_a_switched_off_load_stays_off(plan: DayPlan) -> None:
    told = plan.answer({"off": [["table", "USB charging"]]}, ANOTHER_DAY)
    assert [(load["name"], load["off"]) for load in told["loads"]] == [("USB charging", True)]
    told = plan.answer({}, ANOTHER_DAY)
    assert [(load["name"], load["off"]) for load in told["loads"]] == [("USB charging", False)]


@pytest.mark.parametrize(
    "body", [{"length_min": 0}, {"length_min": "long"}, {"off": [["table", "repeater"]]}, {"off": [["table"]]}]
)
def test_what_cannot_be_is_refused(plan: DayPlan, body: dict[str, object]) -> None:
    with pytest.raises(BadInput):
        plan.answer(body, ANOTHER_DAY)

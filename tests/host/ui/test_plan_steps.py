"""The steps of a plan: complete, few, in order, with the caution beside the charge; and the lanes of its picture."""

import sys
from pathlib import Path

import pytest

from groundbox.plan.planner import Plan, plan_day
from groundbox.ui.plan_steps import gap_lines, gaps, lanes

sys.path.insert(0, str(Path(__file__).parents[1] / "plan"))
from days import bog_day, random_day  # noqa: E402


@pytest.fixture(scope="module", params=(None, 0, 8))
def plan(request: pytest.FixtureRequest) -> Plan:
    seed = request.param
    return plan_day(bog_day() if seed is None else random_day(seed, batteries=4, flights=4, chargers=2), seconds=1.0)


def test_every_charge_swap_and_pause_is_one_act_and_a_gap_has_five_lines_at_most(plan: Plan) -> None:
    found = gaps(plan)
    assert [gap.flight for gap in found if gap.flight] == [flight.name for flight in plan.day.flights]
    assert all(len(gap.steps) <= 5 for gap in found)
    words = [step.words for gap in found for step in gap.steps]
    acts = {kind: sum(one.count(mark) for one in words if one.startswith(kind)) for kind, mark in KINDS.items()}
    assert acts["plug in"] == len(plan.outcome.charges)
    assert acts["swap"] == len(plan.outcome.swaps)
    unplugged = " ".join(one for one in words if one.startswith("unplug"))
    assert all(run.battery in unplugged for run in plan.outcome.charges)
    assert sum(one.startswith("switch off") for one in words) <= len(plan.outcome.pauses)
    assert all(pause.box in " ".join(words) for pause in plan.outcome.pauses)


KINDS = {"plug in": " at ", "swap": " into "}


def test_a_caution_is_beside_each_charge_and_times_do_not_go_back_between_gaps(plan: Plan) -> None:
    for gap in gaps(plan):
        for step in gap.steps:
            assert not step.words.startswith("plug in") or "no sparks near" in step.words
    last = [max(step.at_min for step in gap.steps) for gap in gaps(plan) if gap.steps]
    assert last == sorted(last)


def test_the_text_names_each_flight_with_its_verdict(plan: Plan) -> None:
    text = "\n".join(gap_lines(plan))
    for flight in plan.day.flights:
        answer = plan.outcome.worst_of(flight.name)
        assert answer is not None
        assert f"\n{flight.name}: {answer.box}: " in text


def test_the_picture_has_every_flight_on_its_battery_and_every_charge_twice(plan: Plan) -> None:
    found = lanes(plan)
    bars = [bar for row in found["rows"] for bar in row["bars"]]
    flown = [answer for answer in plan.outcome.answers if answer.launch_min is not None]
    assert sum(bar["kind"] == "flight" for bar in bars) == len(flown)
    assert sum(bar["kind"] == "charge" for bar in bars) == 2 * len(plan.outcome.charges)
    assert all(found["start_min"] <= bar["start_min"] <= bar["end_min"] <= found["end_min"] + 1e-6 for bar in bars)
    for answer in flown:
        row = next(row for row in found["rows"] if row["name"] == answer.battery)
        assert any(bar["start_min"] == answer.launch_min for bar in row["bars"] if bar["kind"] == "flight")

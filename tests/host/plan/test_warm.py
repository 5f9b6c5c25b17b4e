"""A new plan begins from the earlier choice, where that is still allowed."""

import sys
from dataclasses import replace
from pathlib import Path

import pytest

from groundbox.plan.planner import Plan, plan_day
from groundbox.plan.schedule.lexicographic import TimeBudget
from groundbox.plan.schedule.problem import Choice, is_allowed, levels, objective
from groundbox.plan.timetable import timetable, warm_start

sys.path.insert(0, str(Path(__file__).parent))
from days import random_day  # noqa: E402


@pytest.fixture(scope="module")
def plan() -> Plan:
    return plan_day(random_day(3, batteries=4, flights=4, chargers=2), seconds=1)


def test_on_the_same_table_the_same_choice(plan: Plan) -> None:
    choice = warm_start(plan.outcome, plan.day, plan.table)
    assert choice.starts == plan.schedule.choice.starts
    assert choice.fitted == plan.schedule.choice.fitted
    assert choice.charging == plan.schedule.choice.charging


def test_later_in_the_day_it_still_holds(plan: Plan) -> None:
    later = timetable(plan.day, plan.pool, delays=(0.0, 30.0))
    choice = warm_start(plan.outcome, plan.day, later)
    assert is_allowed(later.problem, choice)
    rows = levels(later.problem, choice)
    assert rows is not None
    assert objective(later.problem, choice, rows).flown == plan.flown


def test_a_lost_charger_is_left_out(plan: Plan) -> None:
    (lost, *_) = [run.charger for run in plan.outcome.charges]
    day = replace(plan.day, chargers={name: one for name, one in plan.day.chargers.items() if name != lost})
    table = timetable(day, plan.pool)
    choice = warm_start(plan.outcome, day, table)
    assert is_allowed(table.problem, choice)
    assert all(table.chargers[charger] != lost for _, charger, _ in choice.charging)


def test_a_choice_that_breaks_a_rule_is_not_allowed(plan: Plan) -> None:
    problem, choice = plan.table.problem, plan.schedule.choice
    assert is_allowed(problem, choice)
    slot = min(slot for _, _, slot in choice.charging)
    crowd = frozenset((battery, 0, slot) for battery in range(len(problem.capacity_ah)))
    assert not is_allowed(problem, replace(choice, charging=crowd)), "more batteries than places"
    twice = frozenset((0, charger, slot) for charger in range(2))
    assert not is_allowed(problem, replace(choice, charging=twice)), "one battery on two chargers"
    same = dict.fromkeys(choice.fitted, 0)
    assert not is_allowed(problem, Choice(starts=choice.starts, fitted=same, charging=frozenset())), (
        "one battery in two boxes"
    )


def test_a_time_budget_is_spent_by_its_clock_or_by_what_is_granted() -> None:
    now = [10.0]
    by_clock, by_grant = TimeBudget(4.0, lambda: now[0]), TimeBudget(4.0)
    assert by_clock.grant(0.5) == by_grant.grant(0.5) == pytest.approx(2.0)
    assert by_clock.left == pytest.approx(4.0), "nothing of it was used"
    assert by_grant.left == pytest.approx(2.0)
    now[0] = 15.0
    assert by_clock.left == 0
    assert by_clock.out
    assert not by_grant.out
    assert by_clock.grant(1.0) > 0, "above 0"

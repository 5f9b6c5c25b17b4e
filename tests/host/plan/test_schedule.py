"""The scheduler against every schedule there is (small days) and against greedy schedules (larger ones)."""

import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from groundbox.plan.schedule import lexicographic
from groundbox.plan.schedule.greedy import greedy
from groundbox.plan.schedule.lexicographic import Schedule, TimeBudget, best_schedule
from groundbox.plan.schedule.problem import Choice, Fit, Problem, Start, concave, levels, objective
from groundbox.plan.schedule.refine import SHORTEST_GAIN, charges_of

sys.path.insert(0, str(Path(__file__).parent))
from random_days import best_by_trying, brute_force, random_problem, with_margins  # noqa: E402

SMALL = [
    *({"flights": 2, "batteries": 2, "chargers": 1, "slots": 5} for _ in range(12)),
    *({"flights": 3, "batteries": 2, "chargers": 1, "slots": 6} for _ in range(8)),
    *({"flights": 2, "batteries": 3, "chargers": 1, "slots": 5, "boxes": 2} for _ in range(8)),
    *({"flights": 2, "batteries": 2, "chargers": 2, "slots": 4} for _ in range(8)),
    *({"flights": 2, "batteries": 2, "chargers": 1, "slots": 5, "in_flight": (0,)} for _ in range(6)),
]


def _holds(problem: Problem, choice: Choice) -> None:
    """Places, overlaps and budgets, checked apart from the program that made the choice."""
    assert levels(problem, choice) is not None
    flown = [start for start in choice.starts if start is not None]
    assert all(a.free <= b.first for a, b in zip(flown, flown[1:], strict=False))
    for slot in range(len(problem.slot_min)):
        here = [(battery, charger) for battery, charger, s in choice.charging if s == slot]
        assert len({battery for battery, _ in here}) == len(here)
        for charger, places in enumerate(problem.at_once):
            assert sum(c == charger for _, c in here) <= places
        for (flight, _), battery in choice.fitted.items():
            start = choice.starts[flight]
            assert start is not None
            if start.first <= slot < start.last:
                grounded = [b for b, charger in here if charger not in problem.in_flight]
                assert battery not in grounded, "charged in the air"
    for budget in problem.budgets:
        assert sum(budget.amounts.get((c, s), 0.0) for _, c, s in choice.charging) <= budget.limit + 1e-6


@cache
def _solved(seed: int) -> Schedule:
    return best_schedule(random_problem(seed, **SMALL[seed]), tidy=seed % 4 == 0)


@pytest.mark.parametrize("seed", range(len(SMALL)))
def test_equal_to_every_schedule_tried(seed: int) -> None:
    problem = random_problem(seed, **SMALL[seed])
    found, wanted = _solved(seed), brute_force(problem)
    assert found.open_gap is None
    _holds(problem, found.choice)
    assert (found.objective.flown, found.objective.late_min) == (wanted.flown, pytest.approx(wanted.late_min))
    assert found.objective.deep_ah == pytest.approx(wanted.deep_ah, abs=2e-3)


@pytest.mark.parametrize("seed", range(14))
def test_flights_then_margin_then_lateness_then_swaps(seed: int) -> None:
    """The objective against every schedule there is, with one charger on two batteries."""
    small = random_problem(200 + seed, flights=2 + seed % 2, batteries=2, chargers=1, slots=5)
    problem = with_margins(small, seed)
    found = best_schedule(problem)
    _holds(problem, found.choice)
    assert found.objective.key()[:4] == pytest.approx(best_by_trying(problem), abs=1e-6)


def test_margins_and_swaps_of_these_days_differ() -> None:
    """A comparison on days with one margin and no swap would prove little."""
    keys = [
        best_by_trying(with_margins(random_problem(200 + seed, flights=2, batteries=2, chargers=1, slots=5), seed))
        for seed in range(0, 14, 2)
    ]
    assert len({key[1] for key in keys if len(key) > 1}) > 1


@pytest.mark.parametrize("seed", range(4))
def test_a_small_charge_that_no_flight_needs_is_left_out(seed: int) -> None:
    problem = with_margins(random_problem(300 + seed, flights=3, batteries=3, chargers=1, slots=8), seed)
    found = best_schedule(problem, TimeBudget(1.0))
    before = levels(problem, found.choice)
    assert before is not None
    for run in charges_of(found.choice):
        after = levels(problem, replace(found.choice, charging=found.choice.charging - run))
        battery, end = next(iter(run))[0], max(slot for _, _, slot in run) + 1
        brings = 0.0 if after is None else before[battery][end] - after[battery][end]
        if after is not None and brings < SHORTEST_GAIN * problem.capacity_ah[battery]:
            less = replace(found.choice, charging=found.choice.charging - run)
            assert objective(problem, less, after).key()[:3] > found.objective.key()[:3], "else it is left out"


@pytest.mark.parametrize("seed", range(5))
def test_never_worse_than_greedy_schedules(seed: int) -> None:
    problem = random_problem(100 + seed, flights=5, batteries=4, chargers=2, slots=14, boxes=2)
    found = best_schedule(problem, TimeBudget(1.5))
    _holds(problem, found.choice)
    choice = greedy(problem)
    rows = levels(problem, choice)
    if rows is not None:
        assert found.objective.key() <= objective(problem, choice, rows).key()


def test_the_random_days_are_not_all_alike() -> None:
    """A comparison on days that all fly, or none do, would prove little."""
    worths = [_solved(seed).objective for seed in range(len(SMALL))]
    assert len({found.flown for found in worths}) > 1
    assert any(found.late_min > 0 for found in worths)
    assert any(found.deep_ah > 0 for found in worths)


def test_a_curve_made_concave_by_hand() -> None:
    """The gain at 2 Ah may fall by 1 to the next point; before it no stretch may fall more steeply."""
    assert concave(((0.0, 5.0), (1.0, 4.5), (2.0, 2.0), (3.0, 1.0))) == (
        (0.0, 4.0),
        (1.0, 3.0),
        (2.0, 2.0),
        (3.0, 1.0),
    )


def test_the_battery_that_lacks_most_for_its_flight_is_charged_first() -> None:
    """One place: A has 5 Ah and needs 6, B has 4 Ah and needs 2. The emptier one is not the one that lacks most."""
    problem = Problem(
        slot_min=(60.0, 60.0, 60.0),
        flights=((Start(first=1, last=2, wait_from=1, free=3, late_min=0.0),),),
        boxes=((0, 1),),
        capacity_ah=(10.0, 10.0),
        start_ah=(5.0, 4.0),
        fits={(0, 0, 0): Fit(need_ah=6.0, use_ah=1.0), (0, 1, 1): Fit(need_ah=2.0, use_ah=1.0)},
        gains={(battery, 0, slot): ((0.0, 1.0), (10.0, 1.0)) for battery in (0, 1) for slot in range(3)},
        at_once=(1,),
    )
    choice = greedy(problem)
    assert (0, 0, 0) in choice.charging
    assert choice.starts[0] is not None


def test_a_try_that_brings_nothing_is_followed_by_the_next(monkeypatch: pytest.MonkeyPatch) -> None:
    """Less late starts are tried, the least late first, until one is better than the best so far."""
    starts = tuple(Start(first=n, last=n + 1, wait_from=n, free=n + 1, late_min=10.0 * n) for n in range(4))
    fits = {(0, 0, 0): Fit(need_ah=1.0, use_ah=1.0)}
    common = {"slot_min": (10.0,) * 4, "boxes": ((0,),), "capacity_ah": (9.0,), "start_ah": (9.0,), "fits": fits}
    problem = Problem(flights=(starts,), **common)  # type: ignore[arg-type]
    tried: list[float] = []

    class Solver:
        """Finds nothing with the least late start."""

        def __init__(self, pattern: Problem) -> None:
            self.model, (self.start,) = self, pattern.flights[0]

        def flight_cost(self) -> None:
            return None

        def solve(self, cost: None, seconds: float) -> tuple[bool | None, float, bool]:
            tried.append(self.start.late_min)
            return (None if self.start.late_min < 15 else True), 0.0, False

        def choice(self, values: bool) -> Choice:
            return Choice(starts=(self.start,), fitted={(0, 0): 0}, charging=frozenset())

    latest = Choice(starts=(starts[3],), fitted={(0, 0): 0}, charging=frozenset())
    rows = levels(problem, latest)
    assert rows is not None
    best = lexicographic._Best(problem=problem, choice=latest, rows=rows, objective=objective(problem, latest, rows))
    monkeypatch.setattr(lexicographic, "Program", Solver)
    lexicographic._try_patterns(best, 1.0)
    assert (tried, best.objective.late_min) == ([10.0, 20.0], 20.0)

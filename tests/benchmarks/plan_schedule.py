"""A plan's time against its size, and how much better than greedy schedules it is."""

import sys
from pathlib import Path
from time import perf_counter

from groundbox.plan.fixes import fixes
from groundbox.plan.planner import plan_day
from groundbox.plan.replan import KnownNow, replan
from groundbox.plan.schedule.lexicographic import TimeBudget, best_schedule, greedy_objective

sys.path.insert(0, str(Path(__file__).parents[1] / "host" / "plan"))
from days import random_day  # noqa: E402
from random_days import random_problem  # noqa: E402

SIZES = ((2, 4, 1), (4, 6, 2), (6, 8, 2), (8, 8, 3), (12, 10, 3))
SEEDS = range(4)


def _sizes() -> None:
    print("batteries flights chargers | whole plan s, replan s, search for fixes s (sets found) | flown, proven")
    for batteries, flights, chargers in SIZES:
        for seed in SEEDS:
            day = random_day(seed, batteries=batteries, flights=flights, chargers=chargers)
            t0 = perf_counter()
            plan = plan_day(day, clock=perf_counter)
            t1 = perf_counter()
            replan(plan, KnownNow(minute=80.0, done=(day.flights[0].name,)), clock=perf_counter)
            t2 = perf_counter()
            found = None if plan.works else fixes(plan.day, plan.pool, clock=perf_counter)
            t3 = perf_counter()
            searched = f"{t3 - t2:5.1f} ({len(found.fixes)})" if found else " " * 9
            print(
                f"{batteries:9d} {flights:7d} {chargers:8d} | {t1 - t0:5.2f} {t2 - t1:5.2f} {searched} | "
                f"{plan.flown} of {flights}, {plan.not_proven or 'proven'}"
            )


def _against_rules() -> None:
    print("\nflights flown, minutes late, Ah deep: solver | simple rules")
    for seed in range(12):
        problem = random_problem(200 + seed, flights=5, batteries=4, chargers=2, slots=14, boxes=2)
        found, rules = best_schedule(problem, TimeBudget(3.0, perf_counter)), greedy_objective(problem)
        print(
            f"  {found.objective.flown} {found.objective.late_min:4.0f} {found.objective.deep_ah:5.2f} | "
            f"{rules.flown} {rules.late_min:4.0f} {rules.deep_ah:5.2f}   {found.open_gap or 'proven'}"
        )


def main(arguments: list[str]) -> None:
    """Print times against size, then solver against rules."""
    _sizes()
    _against_rules()

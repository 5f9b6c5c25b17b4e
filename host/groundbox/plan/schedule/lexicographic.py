"""The best schedule by mixed-integer programming (SciPy's HiGHS), with a lexicographic objective.

Objectives in order: see Objective. All but plug-ins are solved in stages; each stage keeps the value of the stages
before. `refined` betters the result by small changes, so it is never worse than a greedy schedule.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from math import inf

from groundbox.plan.schedule.greedy import greedy
from groundbox.plan.schedule.milp import Program, Terms
from groundbox.plan.schedule.problem import (
    MARGIN_STEP_MIN,
    WANTED_MARGIN_MIN,
    Choice,
    Objective,
    Problem,
    is_allowed,
    levels,
    objective,
)
from groundbox.plan.schedule.refine import refined, without_small_charges

STAGE_FRACTIONS = (0.4, 0.2, 0.15, 0.1, 0.1, 0.05)  # of the time: flights, margin, lateness, swaps, depth, tidiness
DEEP_STEP_AH = 1e-4
MARGIN_SLACK = 0.02  # of the wanted margin: the program's margin is at most the exact one
TRY_FRACTION, MAXIMUM_TRIES, MAXIMUM_TIDY_SECONDS = 0.15, 6, 0.5


Clock = Callable[[], float]

MINIMUM_SECONDS = 0.05


class TimeBudget:
    """A time budget in seconds, granted to the parts of a plan.

    Args:
        seconds: the whole budget.
        clock: monotonic seconds; without one, what is granted counts as spent.
    """

    def __init__(self, seconds: float, clock: Clock | None = None) -> None:
        self.clock = clock
        self._left = seconds
        self._until = seconds + clock() if clock else inf

    @property
    def left(self) -> float:
        """Seconds left, 0 or more."""
        return max(0.0, self._until - self.clock() if self.clock else self._left)

    @property
    def out(self) -> bool:
        """True when the clock is past the budget; without a clock only the solver's time counts."""
        return self.clock is not None and self.left == 0

    def grant(self, fraction: float, maximum_s: float = inf) -> float:
        """Seconds for a part: a fraction of what is left, above 0."""
        seconds = max(MINIMUM_SECONDS, min(fraction * self.left, maximum_s))
        self._left -= seconds
        return seconds

    def part(self, fraction: float) -> "TimeBudget":
        """A time budget for a part; with a clock, what the part does not use stays."""
        return TimeBudget(self.grant(fraction), self.clock)


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """The best choice found, its objective and charge levels.

    open_gap: by how much a better schedule may exist, in words; None where this one is proven optimal.
    """

    choice: Choice
    objective: Objective
    levels: tuple[tuple[float, ...], ...]
    open_gap: str | None = None


@dataclass(slots=True)
class _Best:
    """The best feasible choice so far."""

    problem: Problem
    choice: Choice
    rows: list[list[float]]
    objective: Objective

    def offer(self, choice: Choice, tidier: bool = False) -> None:
        rows = levels(self.problem, choice)
        if rows is None:
            return
        found = objective(self.problem, choice, rows)
        if found.key() < self.objective.key() or (tidier and found.key() == self.objective.key()):
            self.choice, self.rows, self.objective = choice, rows, found


def _patterns(problem: Problem) -> Iterator[Problem]:
    """The problem with every start allowed, then with one flight and all after it late by the same delay."""
    yield problem
    ways = max(len(starts) for starts in problem.flights)
    for slipped in range(len(problem.flights)):
        for way in range(0 if slipped == 0 else 1, ways):
            flights = tuple(
                starts[(way if flight >= slipped else 0) : (way if flight >= slipped else 0) + 1]
                for flight, starts in enumerate(problem.flights)
            )
            yield replace(problem, flights=flights)


def _greedy(problem: Problem, enough: int | None = None) -> _Best:
    nothing = Choice(starts=(None,) * len(problem.flights), fitted={}, charging=frozenset())
    best = _best_of(problem, nothing)
    for pattern in _patterns(problem):
        best.offer(greedy(pattern))
        if best.objective.deep_ah > 0 or best.objective.flown < len(problem.flights):
            best.offer(greedy(pattern, sparing=True))
        if best.objective.flown == enough:
            break
    return best


def _stage(program: Program, best: _Best, cost: Terms, seconds: float) -> tuple[float, bool]:
    """Solve one stage; (bound, proven)."""
    if seconds <= 0:
        return -inf, False
    values, bound, proven = program.model.solve(cost, seconds)
    if values is not None:
        best.offer(program.choice(values))
    return bound, proven


def _try_patterns(best: _Best, seconds: float) -> None:
    """Where lateness is not proven: solve a few less late problems with fixed starts, the least late first."""
    tries: list[tuple[float, int, Problem]] = []
    for pattern in _patterns(best.problem):
        late = [starts[0].late_min for starts in pattern.flights if len(starts) == 1]
        if len(late) == len(pattern.flights) == best.objective.flown and 0 < sum(late) < best.objective.late_min:
            tries.append((sum(late), len(tries), pattern))
    for _, _, pattern in sorted(tries)[:MAXIMUM_TRIES]:
        program = Program(pattern)
        values, _, _ = program.model.solve(program.flight_cost(), seconds)
        before = best.objective
        if values is not None:
            best.offer(program.choice(values))
        if best.objective != before:
            return


def _open_stage(name: str, objective_: Objective, flights: int = 0) -> bool:
    """True where the best so far can still be improved in this objective."""
    return {
        "flights": objective_.flown < flights,
        "margin": objective_.flown > 0 and objective_.margin_min < WANTED_MARGIN_MIN - MARGIN_STEP_MIN,
        "late": objective_.late_min > 0,
        "swaps": objective_.swaps > 0,
        "deep": objective_.deep_ah > 0,
    }[name]


def _flights_stage(program: Program, best: _Best, seconds: float) -> str | None:
    """Maximum flights; in words what is not proven."""
    cost, most = program.flight_cost(), float(len(best.problem.flights))
    if _open_stage("flights", best.objective, len(best.problem.flights)):
        bound, proven = _stage(program, best, cost, seconds)
        most = best.objective.flown if proven else min(most, -bound)
    program.keep(cost, -best.objective.flown)
    more = int(most + 1e-6) - best.objective.flown
    return f"perhaps {more} more flight(s)" if more > 0 else None


def _margin_stage(program: Program, best: _Best, seconds: float) -> str | None:
    """The largest smallest margin; in words what is not proven."""
    most = WANTED_MARGIN_MIN
    if _open_stage("margin", best.objective):
        bound, proven = _stage(program, best, program.margin_cost(), seconds)
        most = best.objective.margin_min if proven else min(most, -bound * WANTED_MARGIN_MIN)
    kept = min(best.objective.margin_min, WANTED_MARGIN_MIN) // MARGIN_STEP_MIN * MARGIN_STEP_MIN / WANTED_MARGIN_MIN
    program.keep(program.margin_cost(), -max(0.0, kept - MARGIN_SLACK))
    more = most - best.objective.margin_min
    return f"perhaps {more:.0f} min more margin" if more > MARGIN_STEP_MIN else None


def _late_stage(program: Program, best: _Best, seconds: float) -> str | None:
    """Minimum lateness; in words what is not proven."""
    cost, least = program.late_cost(), 0.0
    if _open_stage("late", best.objective):
        bound, proven = _stage(program, best, cost, seconds)
        if not proven:
            _try_patterns(best, seconds * TRY_FRACTION)
        least = best.objective.late_min if proven else max(bound, 0.0)
    program.keep(cost, best.objective.late_min + 1e-6)
    less = best.objective.late_min - least
    return f"perhaps {less:.0f} min less late" if less > 0.5 else None


def _swaps_stage(program: Program, best: _Best, seconds: float) -> str | None:
    """Fewest swaps; in words what is not proven."""
    cost, least = program.swap_cost(), 0.0
    if _open_stage("swaps", best.objective):
        bound, proven = _stage(program, best, cost, seconds)
        least = best.objective.swaps if proven else max(bound, 0.0)
    program.keep(cost, best.objective.swaps + 1e-6)
    fewer = best.objective.swaps - int(least + 0.999)
    return f"perhaps {fewer} swap(s) less" if fewer > 0 else None


def _deep_stage(program: Program, best: _Best, seconds: float) -> str | None:
    """Minimum deep discharge; in words what is not proven."""
    cost, least = program.deep_cost(), 0.0
    if _open_stage("deep", best.objective):
        bound, proven = _stage(program, best, cost, seconds)
        least = best.objective.deep_ah if proven else max(bound, 0.0)
    program.keep(cost, best.objective.deep_ah + DEEP_STEP_AH)
    less = best.objective.deep_ah - least
    return f"perhaps {less:.1f} Ah less deep discharge" if less > 0.05 else None


def best_schedule(
    problem: Problem, time_budget: TimeBudget | None = None, tidy: bool = True, known: Choice | None = None
) -> Schedule:
    """The best schedule within about the time budget (4 s).

    Args:
        known: a choice to begin with, where it is feasible.
    """
    time_budget = time_budget or TimeBudget(4.0)
    best, program = _greedy(problem), Program(problem)
    if known is not None and is_allowed(problem, known):
        best.offer(known)
    best.offer(refined(problem, best.choice))
    stages = {
        "flights": _flights_stage,
        "margin": _margin_stage,
        "late": _late_stage,
        "swaps": _swaps_stage,
        "deep": _deep_stage,
    }
    gaps = []
    for place, (name, stage) in enumerate(stages.items()):
        is_open = _open_stage(name, best.objective, len(problem.flights)) and not time_budget.out
        fraction = STAGE_FRACTIONS[place] / sum(STAGE_FRACTIONS[place:])
        gaps.append(stage(program, best, time_budget.grant(fraction) if is_open else 0.0))
    if tidy and not time_budget.out:
        values, _, _ = program.model.solve(program.tidy_cost(), time_budget.grant(1.0, MAXIMUM_TIDY_SECONDS))
        if values is not None:
            best.offer(program.choice(values), tidier=True)
    best.offer(refined(problem, best.choice))
    best = _best_of(problem, without_small_charges(problem, best.choice))
    return _schedule_of(best, ", ".join(gap for gap in gaps if gap) or None)


def greedy_objective(problem: Problem, enough: int | None = None) -> Objective:
    """The objective of a greedy schedule: quick, never better than the best; it stops at `enough` flights."""
    return greedy_schedule(problem, enough).objective


def greedy_schedule(problem: Problem, enough: int | None = None) -> Schedule:
    """The best greedy schedule; it stops at `enough` flights."""
    return _schedule_of(_greedy(problem, enough), "only greedy schedules were tried")


def schedule_of_choice(problem: Problem, choice: Choice) -> Schedule:
    """The schedule of a choice that is feasible."""
    return _schedule_of(_best_of(problem, choice), None)


def _best_of(problem: Problem, choice: Choice) -> _Best:
    rows = levels(problem, choice)
    assert rows is not None
    return _Best(problem=problem, choice=choice, rows=rows, objective=objective(problem, choice, rows))


def _schedule_of(best: _Best, open_gap: str | None) -> Schedule:
    rows = tuple(tuple(row) for row in best.rows)
    return Schedule(choice=best.choice, objective=best.objective, levels=rows, open_gap=open_gap)


def maximum_flights(problem: Problem, seconds: float) -> int:
    """Maximum flights of a schedule found within `seconds`."""
    best, program = _greedy(problem), Program(problem)
    _stage(program, best, program.flight_cost(), seconds)
    return best.objective.flown

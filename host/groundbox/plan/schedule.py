"""The best schedule by mixed-integer programming (SciPy's HiGHS): most flights, then least late, then least deep.

Each flight picks at most one of its starts with one battery for each of its boxes (one 0/1 variable for each
combination, so no large constants are needed). A battery on a charger gains at most what its concave charge curve
allows from the charge it has, which is linear. Stages are solved one after another; each keeps what the last reached.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from groundbox.plan.greedy import greedy
from groundbox.plan.problem import DEEP_FRACTION, Choice, Points, Problem, Start, Worth, levels, worth

Terms = dict[int, float]
STAGE_SHARES = (0.45, 0.3, 0.15, 0.1)  # of the time: flights, lateness, depth, tidiness
DEEP_STEP_AH = 1e-4
TRY_SHARE, MOST_TRIES, MOST_TIDY_SECONDS = 0.15, 6, 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """The best choice found, its worth and charge levels. `open_gap` names what is not proven: None when all is.

    open_gap: how much better an unknown schedule might be, in the words of the objective it concerns.
    """

    choice: Choice
    worth: Worth
    levels: tuple[tuple[float, ...], ...]
    open_gap: str | None = None


@dataclass(slots=True)
class _Model:
    """Columns and rows of the program, gathered one by one."""

    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)
    whole: list[int] = field(default_factory=list)
    entries: tuple[list[int], list[int], list[float]] = field(default_factory=lambda: ([], [], []))
    row_low: list[float] = field(default_factory=list)
    row_high: list[float] = field(default_factory=list)

    def column(self, low: float, high: float, whole: bool = False) -> int:
        self.low.append(low)
        self.high.append(high)
        self.whole.append(int(whole))
        return len(self.low) - 1

    def row(self, terms: Iterable[tuple[int, float]], low: float, high: float) -> None:
        number = len(self.row_low)
        for column, value in terms:
            self.entries[0].append(number)
            self.entries[1].append(column)
            self.entries[2].append(value)
        self.row_low.append(low)
        self.row_high.append(high)

    def solve(self, cost: Terms, seconds: float) -> tuple[np.ndarray | None, float, bool]:
        """(values or None, best bound on the cost, proven optimal)."""
        costs = np.zeros(len(self.low))
        for column, value in cost.items():
            costs[column] = value
        rows, columns, values = self.entries
        matrix = csr_array((values, (rows, columns)), shape=(len(self.row_low), len(self.low)))
        found = milp(
            costs,
            integrality=np.array(self.whole),
            bounds=Bounds(np.array(self.low), np.array(self.high)),
            constraints=LinearConstraint(matrix, np.array(self.row_low), np.array(self.row_high)),
            options={"time_limit": seconds, "mip_rel_gap": 0.0},
        )
        bound = found.mip_dual_bound if found.mip_dual_bound is not None else -np.inf
        return found.x, float(bound), found.status == 0


def falling_lines(points: Points) -> list[tuple[float, float]]:
    """(slope, value at 0) of each falling stretch of a curve."""
    lines = []
    for (x0, y0), (x1, y1) in zip(points, points[1:], strict=False):
        slope = (y1 - y0) / (x1 - x0)
        if slope < -1e-12:
            lines.append((slope, y0 - slope * x0))
    return lines


class _Program:
    """The mixed-integer program of one problem."""

    def __init__(self, problem: Problem) -> None:
        self.problem, self.model = problem, _Model()
        inf = np.inf
        model, slots = self.model, range(len(problem.slot_min))
        self.ah = [
            [model.column(0.0, inf) if slot else model.column(start, start) for slot in range(len(slots) + 1)]
            for start in problem.start_ah
        ]
        self.start = {
            (flight, place): model.column(0, 1, whole=True)
            for flight, starts in enumerate(problem.flights)
            for place in range(len(starts))
        }
        self.fit = {
            (flight, place, box, battery): model.column(0, 1, whole=True)
            for flight, box, battery in problem.fits
            for place in range(len(problem.flights[flight]))
        }
        self.plug = {key: model.column(0, 1, whole=True) for key in problem.gains}
        self.gain = {key: model.column(0, inf) for key in problem.gains}
        self.carried = {key: model.column(0, inf) for key in problem.gains}
        self.plugged_in = {key: model.column(0, 1) for key in problem.gains}
        self.deep = [model.column(0, inf) for _ in problem.start_ah]
        self._flights()
        self._charge_flow()
        self._chargers()

    def _flights(self) -> None:
        model, problem = self.model, self.problem
        for flight, starts in enumerate(problem.flights):
            places = range(len(starts))
            model.row([(self.start[flight, place], 1.0) for place in places], -np.inf, 1)
            for place in places:
                for box in problem.boxes[flight]:
                    crew = [
                        (column, 1.0) for (f, p, x, _), column in self.fit.items() if (f, p, x) == (flight, place, box)
                    ]
                    model.row([*crew, (self.start[flight, place], -1.0)], 0, 0)
        self._no_overlap()
        self._one_box_each()

    def _no_overlap(self) -> None:
        """Only one flight between a launch and the earliest next launch, and flights in their order."""
        model, problem = self.model, self.problem
        for slot in range(len(problem.slot_min)):
            here = [
                (column, 1.0)
                for (flight, place), column in self.start.items()
                if problem.flights[flight][place].first <= slot < problem.flights[flight][place].free
            ]
            if len(here) > 1:
                model.row(here, -np.inf, 1)
        flights = range(len(problem.flights))
        for before, after in ((f, g) for f in flights for g in flights if f < g):
            for place, start in enumerate(problem.flights[after]):
                later = [
                    (self.start[before, p], 1.0)
                    for p, other in enumerate(problem.flights[before])
                    if other.first > start.first
                ]
                if later:
                    model.row([*later, (self.start[after, place], 1.0)], -np.inf, 1)

    def _one_box_each(self) -> None:
        problem = self.problem
        by_flight: dict[tuple[int, int, int], list[tuple[int, float]]] = {}
        for (flight, place, _, battery), column in self.fit.items():
            by_flight.setdefault((flight, place, battery), []).append((column, 1.0))
        for (flight, _, _), columns in by_flight.items():
            if len(problem.boxes[flight]) > 1 and len(columns) > 1:
                self.model.row(columns, -np.inf, 1)

    def _charge_flow(self) -> None:
        problem, model = self.problem, self.model
        flow: dict[tuple[int, int], list[tuple[int, float]]] = {}
        self.waits: dict[tuple[int, int], list[tuple[int, float]]] = {}
        for (flight, place, box, battery), column in self.fit.items():
            start, fit = problem.flights[flight][place], problem.fits[flight, box, battery]
            in_air = sum(problem.slot_min[start.first : start.last])
            for slot in range(start.wait_from, start.last):
                rate = fit.wait_ah_min if slot < start.first else fit.use_ah / in_air
                flow.setdefault((battery, slot), []).append((column, rate * problem.slot_min[slot]))
                if slot < start.first:
                    self.waits.setdefault((battery, slot), []).append((column, -rate * problem.slot_min[slot]))
        for (battery, _, slot), column in self.gain.items():
            flow.setdefault((battery, slot), []).append((column, -1.0))
        for (battery, _, slot), column in self.carried.items():
            flow.setdefault((battery, slot), []).append((column, -1.0))
        for battery, row in enumerate(self.ah):
            for slot in range(len(problem.slot_min)):
                moved = flow.get((battery, slot), [])
                model.row([(row[slot + 1], 1.0), (row[slot], -1.0), *moved], 0, 0)
                half = DEEP_FRACTION * problem.capacity_ah[battery]
                if moved:
                    model.row([(self.deep[battery], 1.0), (row[slot + 1], 1.0)], half, np.inf)
            model.row(
                [(self.deep[battery], 1.0)],
                DEEP_FRACTION * problem.capacity_ah[battery] - problem.start_ah[battery],
                np.inf,
            )
        self._launch_needs()

    def _launch_needs(self) -> None:
        problem = self.problem
        needs: dict[tuple[int, int], list[tuple[int, float]]] = {}
        for (flight, place, box, battery), column in self.fit.items():
            first = problem.flights[flight][place].first
            need = problem.fits[flight, box, battery].need_ah
            needs.setdefault((battery, first), []).append((column, -need))
        for (battery, first), terms in needs.items():
            self.model.row([(self.ah[battery][first], 1.0), *terms], 0, np.inf)

    def _chargers(self) -> None:
        problem, model = self.problem, self.model
        for (battery, charger, slot), column in self.gain.items():
            key = battery, charger, slot
            points = problem.gains[key]
            most, loss = points[0][1], problem.plug_ah.get((battery, charger), 0.0)
            given = [(column, 1.0), (self.carried[key], 1.0)]
            model.row([*given, (self.plug[key], -most), (self.plugged_in[key], min(loss, most))], -np.inf, 0)
            model.row([(self.carried[key], 1.0), *self.waits.get((battery, slot), [])], -np.inf, 0)
            before = self.plug.get((battery, charger, slot - 1))
            terms = [(self.plugged_in[key], 1.0), (self.plug[key], -1.0)]
            model.row([*terms, (before, 1.0)] if before is not None else terms, 0, np.inf)
        self._acceptance()
        self._places()

    def _acceptance(self) -> None:
        """What the battery takes, whichever charger offers it: one bound on the sum, or on each where curves differ."""
        problem, model = self.problem, self.model
        at: dict[tuple[int, int], list[int]] = {}
        for battery, charger, slot in problem.gains:
            at.setdefault((battery, slot), []).append(charger)
        for (battery, slot), chargers in at.items():
            curves = {charger: problem.gains[battery, charger, slot] for charger in chargers}
            here = (self.ah[battery][slot], 1.0)
            for charger, points in curves.items():
                for slope, at_zero in falling_lines(points):
                    covers = all(at_zero + slope * x >= y - 1e-9 for each in curves.values() for x, y in each)
                    bound = chargers if covers else [charger]
                    gains = [(self.gain[battery, one, slot], 1.0) for one in bound]
                    model.row([*gains, (here[0], -slope)], -np.inf, at_zero)

    def _places(self) -> None:
        """A charger has so many places; a battery hangs on one, and not while it flies; sources give so much."""
        problem, model = self.problem, self.model
        at: dict[tuple[str, int, int], list[tuple[int, float]]] = {}
        for (battery, charger, slot), column in self.plug.items():
            at.setdefault(("charger", charger, slot), []).append((column, 1.0))
            at.setdefault(("battery", battery, slot), []).append((column, 1.0))
        for (flight, place, _, battery), column in self.fit.items():
            start = problem.flights[flight][place]
            for slot in range(start.first, start.last):
                if ("battery", battery, slot) in at:
                    at["battery", battery, slot].append((column, 1.0))
        for (kind, number, _), terms in at.items():
            model.row(terms, -np.inf, problem.at_once[number] if kind == "charger" else 1)
        for budget in problem.budgets:
            spent = [
                (column, budget.amounts[charger, slot])
                for (_, charger, slot), column in self.plug.items()
                if (charger, slot) in budget.amounts
            ]
            model.row(spent, -np.inf, budget.limit)

    # -- objectives -------------------------------------------------------------------------------------------------

    def flight_cost(self) -> Terms:
        return dict.fromkeys(self.start.values(), -1.0)

    def late_cost(self) -> Terms:
        return {column: self.problem.flights[f][p].late_min for (f, p), column in self.start.items()}

    def keep(self, terms: Terms, most: float) -> None:
        """From now on this cost stays at `most` or less."""
        self.model.row(terms.items(), -np.inf, most)

    def deep_cost(self) -> Terms:
        return dict.fromkeys(self.deep, 1.0)

    def tidy_cost(self) -> Terms:
        """Few plug-ins, short charges, and full batteries at the end."""
        cost = dict.fromkeys(self.plugged_in.values(), 1.0)
        cost |= dict.fromkeys(self.plug.values(), 0.01)
        capacity = max(self.problem.capacity_ah)
        return cost | {row[-1]: -0.5 / capacity for row in self.ah}

    def choice(self, values: np.ndarray) -> Choice:
        starts: list[Start | None] = [None] * len(self.problem.flights)
        for (flight, place), column in self.start.items():
            if values[column] > 0.5:
                starts[flight] = self.problem.flights[flight][place]
        fitted = {(f, x): b for (f, _, x, b), column in self.fit.items() if values[column] > 0.5}
        charging = frozenset(key for key, column in self.plug.items() if values[column] > 0.5)
        return Choice(starts=tuple(starts), fitted=fitted, charging=charging)


@dataclass(slots=True)
class _Best:
    """The best choice so far that holds when followed slot by slot."""

    problem: Problem
    choice: Choice
    rows: list[list[float]]
    worth: Worth

    def offer(self, choice: Choice, tidier: bool = False) -> None:
        rows = levels(self.problem, choice)
        if rows is None:
            return
        found = worth(self.problem, choice, rows)
        if found.key() < self.worth.key() or (tidier and found.key() == self.worth.key()):
            self.choice, self.rows, self.worth = choice, rows, found


def _patterns(problem: Problem) -> Iterator[Problem]:
    """The day with every start open, and with one flight and all after it late by the same."""
    yield problem
    ways = max(len(starts) for starts in problem.flights)
    for slipped in range(len(problem.flights)):
        for way in range(0 if slipped == 0 else 1, ways):
            flights = tuple(
                starts[(way if flight >= slipped else 0) : (way if flight >= slipped else 0) + 1]
                for flight, starts in enumerate(problem.flights)
            )
            yield replace(problem, flights=flights)


def _by_simple_rules(problem: Problem) -> _Best:
    nothing = Choice(starts=(None,) * len(problem.flights), fitted={}, charging=frozenset())
    rows = levels(problem, nothing)
    assert rows is not None
    best = _Best(problem=problem, choice=nothing, rows=rows, worth=worth(problem, nothing, rows))
    for pattern in _patterns(problem):
        best.offer(greedy(pattern))
    return best


def _stage(program: _Program, best: _Best, cost: Terms, seconds: float) -> tuple[float, bool]:
    """Solve for one objective from what earlier stages keep; (bound, proven)."""
    values, bound, proven = program.model.solve(cost, seconds)
    if values is not None:
        best.offer(program.choice(values))
    return bound, proven


def _try_patterns(best: _Best, seconds: float) -> None:
    """Where lateness is open: solve a few less late days with all start times given, least late first."""
    tries: list[tuple[float, int, Problem]] = []
    for pattern in _patterns(best.problem):
        late = [starts[0].late_min for starts in pattern.flights if len(starts) == 1]
        if len(late) == len(pattern.flights) == best.worth.flown and 0 < sum(late) < best.worth.late_min:
            tries.append((sum(late), len(tries), pattern))
    for _, _, pattern in sorted(tries)[:MOST_TRIES]:
        program = _Program(pattern)
        values, _, _ = program.model.solve(program.flight_cost(), seconds)
        before = best.worth
        if values is not None:
            best.offer(program.choice(values))
        if best.worth != before:
            return


def _open_stage(name: str, worth_: Worth, flights: int = 0) -> bool:
    """False where the best so far cannot be bettered in this respect, so that there is nothing to solve."""
    return {"flights": worth_.flown < flights, "late": worth_.late_min > 0, "deep": worth_.deep_ah > 0}[name]


def _flights_stage(program: _Program, best: _Best, seconds: float) -> str | None:
    """Most flights; the words for what is not proven."""
    cost, most = program.flight_cost(), float(len(best.problem.flights))
    if _open_stage("flights", best.worth, len(best.problem.flights)):
        bound, proven = _stage(program, best, cost, seconds)
        most = best.worth.flown if proven else min(most, -bound)
    program.keep(cost, -best.worth.flown)
    more = int(most + 1e-6) - best.worth.flown
    return f"perhaps {more} more flight(s)" if more > 0 else None


def _late_stage(program: _Program, best: _Best, seconds: float) -> str | None:
    """Least late; the words for what is not proven."""
    cost, least = program.late_cost(), 0.0
    if _open_stage("late", best.worth):
        bound, proven = _stage(program, best, cost, seconds)
        if not proven:
            _try_patterns(best, seconds * TRY_SHARE)
        least = best.worth.late_min if proven else max(bound, 0.0)
    program.keep(cost, best.worth.late_min + 1e-6)
    less = best.worth.late_min - least
    return f"perhaps {less:.0f} min less late" if less > 0.5 else None


def _deep_stage(program: _Program, best: _Best, seconds: float) -> str | None:
    """Least deep discharge; the words for what is not proven."""
    cost, least = program.deep_cost(), 0.0
    if _open_stage("deep", best.worth):
        bound, proven = _stage(program, best, cost, seconds)
        least = best.worth.deep_ah if proven else max(bound, 0.0)
    program.keep(cost, best.worth.deep_ah + DEEP_STEP_AH)
    less = best.worth.deep_ah - least
    return f"perhaps {less:.1f} Ah less deep discharge" if less > 0.05 else None


def best_schedule(problem: Problem, seconds: float = 4.0, tidy: bool = True) -> Schedule:
    """The best schedule, and what of it is not proven within about `seconds` of solving."""
    best, program = _by_simple_rules(problem), _Program(problem)
    flights, late, deep, last = STAGE_SHARES
    gaps = []
    for name, stage, share, rest in (
        ("flights", _flights_stage, flights, late + deep + last),
        ("late", _late_stage, late, deep + last),
        ("deep", _deep_stage, deep, last),
    ):
        here = seconds * share / (share + rest) if _open_stage(name, best.worth, len(problem.flights)) else 0.0
        gaps.append(stage(program, best, here))
        seconds -= here
    if tidy:
        values, _, _ = program.model.solve(program.tidy_cost(), min(seconds, MOST_TIDY_SECONDS))
        if values is not None:
            best.offer(program.choice(values), tidier=True)
    return Schedule(
        choice=best.choice,
        worth=best.worth,
        levels=tuple(tuple(row) for row in best.rows),
        open_gap=", ".join(gap for gap in gaps if gap) or None,
    )


def rough_worth(problem: Problem) -> Worth:
    """What simple rules reach: quick, and never better than the best schedule."""
    return _by_simple_rules(problem).worth


def most_flights(problem: Problem, seconds: float) -> int:
    """Most flights that a schedule found within `seconds` flies."""
    best, program = _by_simple_rules(problem), _Program(problem)
    _stage(program, best, program.flight_cost(), seconds)
    return best.worth.flown

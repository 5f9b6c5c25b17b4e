"""The mixed-integer program of a day: its columns, its rows and what its objectives cost.

Each flight picks at most one of its starts with one battery for each of its boxes (one 0/1 variable for each
combination, so no large constants are needed). A battery on a charger gains at most what its concave charge curve
allows from the charge it has, which is linear.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from groundbox.plan.schedule.problem import DEEP_FRACTION, WANTED_MARGIN_MIN, Choice, Points, Problem, Start

Terms = dict[int, float]


@dataclass(slots=True)
class MilpModel:
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

    def solve(self, cost: Terms, seconds: float) -> tuple[NDArray[np.float64] | None, float, bool]:
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


class Program:
    """The mixed-integer program of one problem."""

    def __init__(self, problem: Problem) -> None:
        self.problem, self.model = problem, MilpModel()
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
        self.margin = model.column(0, 1)  # as a fraction of WANTED_MARGIN_MIN
        self.swaps: list[int] = []
        self._flights()
        self._charge_flow()
        self._chargers()
        self._swaps()

    def _flights(self) -> None:
        model, problem = self.model, self.problem
        for flight, starts in enumerate(problem.flights):
            places = range(len(starts))
            model.row([(self.start[flight, place], 1.0) for place in places], -np.inf, 1)
            for place in places:
                for box in problem.boxes[flight]:
                    assignment = [
                        (column, 1.0) for (f, p, x, _), column in self.fit.items() if (f, p, x) == (flight, place, box)
                    ]
                    model.row([*assignment, (self.start[flight, place], -1.0)], 0, 0)
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
        self.flies: dict[tuple[int, int], list[tuple[int, float]]] = {}
        for (flight, place, box, battery), column in self.fit.items():
            start, fit = problem.flights[flight][place], problem.fits[flight, box, battery]
            air_min = sum(problem.slot_min[start.first : start.last])
            for slot in range(start.wait_from, start.last):
                rate = fit.wait_ah_min if slot < start.first else fit.use_ah / air_min
                flow.setdefault((battery, slot), []).append((column, rate * problem.slot_min[slot]))
                loads = self.waits if slot < start.first else self.flies
                loads.setdefault((battery, slot), []).append((column, -rate * problem.slot_min[slot]))
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
        self._margins()

    def _margins(self) -> None:
        """Charge for the margin beside each need: at most one fit of a battery begins in a slot, so its rate bounds."""
        problem = self.problem
        at: dict[tuple[int, int], list[tuple[int, float, float]]] = {}
        for (flight, place, box, battery), column in self.fit.items():
            fit = problem.fits[flight, box, battery]
            if fit.minute_ah > 0 and fit.need_ah > 0:
                first = problem.flights[flight][place].first
                at.setdefault((battery, first), []).append((column, fit.need_ah, WANTED_MARGIN_MIN * fit.minute_ah))
        for (battery, first), fits in at.items():
            most = max(spare for _, _, spare in fits)
            terms = [(column, -need - most) for column, need, _ in fits]
            self.model.row([(self.ah[battery][first], 1.0), *terms, (self.margin, -most)], -most, np.inf)

    def _swaps(self) -> None:
        """What is in each box after each flight: what flew in it, else what was there before."""
        problem, model, batteries = self.problem, self.model, range(len(self.problem.capacity_ah))
        flew: dict[tuple[int, int, int], list[tuple[int, float]]] = {}
        for (flight, _, box, battery), column in self.fit.items():
            flew.setdefault((flight, box, battery), []).append((column, -1.0))
        for box, first in enumerate(problem.inside):
            before = [model.column(float(battery == first), float(battery == first)) for battery in batteries]
            for flight in (flight for flight, boxes in enumerate(problem.boxes) if box in boxes):
                inside = [model.column(0, 1) for _ in batteries]
                swap = model.column(0, 1)
                model.row([(column, 1.0) for column in inside], -np.inf, 1)
                for battery in batteries:
                    if (flight, box, battery) in flew:
                        model.row([(inside[battery], 1.0), *flew[flight, box, battery]], 0, np.inf)
                    model.row([(swap, 1.0), (inside[battery], -1.0), (before[battery], 1.0)], 0, np.inf)
                self.swaps.append(swap)
                before = inside

    def _chargers(self) -> None:
        problem, model = self.problem, self.model
        for (battery, charger, slot), column in self.gain.items():
            key = battery, charger, slot
            points = problem.gains[key]
            most, loss = points[0][1], problem.plug_ah.get((battery, charger), 0.0)
            given = [(column, 1.0), (self.carried[key], 1.0)]
            model.row([*given, (self.plug[key], -most), (self.plugged_in[key], min(loss, most))], -np.inf, 0)
            loads = [*self.waits.get((battery, slot), [])]
            loads += self.flies.get((battery, slot), []) if charger in problem.in_flight else []
            model.row([(self.carried[key], 1.0), *loads], -np.inf, 0)
            before = self.plug.get((battery, charger, slot - 1))
            terms = [(self.plugged_in[key], 1.0), (self.plug[key], -1.0)]
            model.row([*terms, (before, 1.0)] if before is not None else terms, 0, np.inf)
        self._acceptance()
        self._places()

    def _acceptance(self) -> None:
        """What the battery accepts from any charger: one bound on the sum, or on each where curves differ."""
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
        """Places of each charger, one charger for a battery, none in flight, and limits of sources."""
        problem, model = self.problem, self.model
        at: dict[tuple[str, int, int], list[tuple[int, float]]] = {}
        for (battery, charger, slot), column in self.plug.items():
            at.setdefault(("charger", charger, slot), []).append((column, 1.0))
            at.setdefault(("battery", battery, slot), []).append((column, 1.0))
            if charger not in problem.in_flight:
                at.setdefault(("grounded", battery, slot), []).append((column, 1.0))
        for (flight, place, _, battery), column in self.fit.items():
            start = problem.flights[flight][place]
            for slot in range(start.first, start.last):
                if ("grounded", battery, slot) in at:
                    at["grounded", battery, slot].append((column, 1.0))
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

    def margin_cost(self) -> Terms:
        return {self.margin: -1.0}

    def late_cost(self) -> Terms:
        return {column: self.problem.flights[f][p].late_min for (f, p), column in self.start.items()}

    def swap_cost(self) -> Terms:
        return dict.fromkeys(self.swaps, 1.0)

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

    def choice(self, values: NDArray[np.float64]) -> Choice:
        starts: list[Start | None] = [None] * len(self.problem.flights)
        for (flight, place), column in self.start.items():
            if values[column] > 0.5:
                starts[flight] = self.problem.flights[flight][place]
        fitted = {(f, x): b for (f, _, x, b), column in self.fit.items() if values[column] > 0.5}
        charging = frozenset(key for key, column in self.plug.items() if values[column] > 0.5)
        return Choice(starts=tuple(starts), fitted=fitted, charging=charging)

"""The scheduling problem in numbers: slots of time, flights with their possible starts, batteries, chargers.

Charge is in ampere-hours above empty. A choice is the start of each flight, the battery in each of its boxes, and the
battery on each charger in each slot. `levels` follows the charge slot by slot and finds whether the choice is feasible.
"""

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

DEEP_FRACTION = 0.5  # under this fraction of its capacity a discharge counts as deep
WANTED_MARGIN_MIN = 10.0  # low runtime wanted above the reserve at each launch, before lateness counts
MARGIN_STEP_MIN, MORE_STEP_MIN = 1.0, 5.0  # a smaller difference in margin does not count, up to that and beyond it
MOST_MARGIN_MIN = 60.0  # more does not count
SLACK_AH = 1e-4

Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """One possible start: slots first..last-1 in the air, boxes on from `wait_from`, next launch at `free`."""

    first: int
    last: int
    wait_from: int
    free: int
    late_min: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A battery in a box for a flight.

    Attributes:
        need_ah: charge needed at launch, for the flight and its reserve.
        use_ah: charge used in the flight.
        wait_ah_min: charge used a minute while waiting.
        minute_ah: charge needed for a minute more of low runtime; 0: margin does not matter.
    """

    need_ah: float
    use_ah: float
    wait_ah_min: float = 0.0
    minute_ah: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """The limit of a source: the sum of the amounts of all used (charger, slot) pairs is at most `limit`."""

    limit: float
    amounts: Mapping[tuple[int, int], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """Everything the schedule depends on; batteries, boxes, chargers, flights and slots by number.

    fits: (flight, box, battery) -> Fit; a missing key means that battery may not go in there.
    gains: (battery, charger, slot) -> falling, concave points (charge at the slot's start, charge gained in it).
    plug_ah: (battery, charger) -> charge lost to plugging in, in the first slot of a charge.
    in_flight: chargers that may go on while their battery flies; no flight's need counts on them.
    inside: battery in each box before the first flight; empty: swaps do not matter.
    """

    slot_min: tuple[float, ...]
    flights: tuple[tuple[Start, ...], ...]
    boxes: tuple[tuple[int, ...], ...]
    capacity_ah: tuple[float, ...]
    start_ah: tuple[float, ...]
    fits: Mapping[tuple[int, int, int], Fit]
    gains: Mapping[tuple[int, int, int], Points] = field(default_factory=dict)
    plug_ah: Mapping[tuple[int, int], float] = field(default_factory=dict)
    at_once: tuple[int, ...] = ()
    budgets: tuple[Budget, ...] = ()
    in_flight: frozenset[int] = frozenset()
    inside: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """Start of each flight (None: not flown), battery by (flight, box), and (battery, charger, slot) of each charge."""

    starts: tuple[Start | None, ...]
    fitted: Mapping[tuple[int, int], int]
    charging: frozenset[tuple[int, int, int]]


def without_flights(choice: Choice, dropped: Collection[int]) -> Choice:
    """The choice with some flights not flown; charging stays."""
    starts = tuple(None if flight in dropped else start for flight, start in enumerate(choice.starts))
    fitted = {key: battery for key, battery in choice.fitted.items() if key[0] not in dropped}
    return Choice(starts=starts, fitted=fitted, charging=choice.charging)


@dataclass(frozen=True, slots=True, kw_only=True)
class Objective:
    """The lexicographic objective of a choice, in this order.

    Attributes:
        flown: flights flown.
        margin_min: smallest margin of low runtime above the reserve at a launch, minutes; up to WANTED_MARGIN_MIN it
            counts here, beyond it after the swaps.
        late_min: minutes late in all.
        swaps: batteries swapped in.
        deep_ah: deep discharge.
        plug_ins: charges begun.
    """

    flown: int
    late_min: float
    deep_ah: float
    margin_min: float = MOST_MARGIN_MIN
    swaps: int = 0
    plug_ins: int = 0

    def key(self) -> tuple[float, ...]:
        """Smaller is better."""
        return (
            -self.flown,
            -((min(self.margin_min, WANTED_MARGIN_MIN) + 1e-6) // MARGIN_STEP_MIN),
            round(self.late_min, 6),
            self.swaps,
            -(self.margin_min // MORE_STEP_MIN),
            round(self.deep_ah, 3),
            self.plug_ins,
        )


def gained(points: Points, ah: float) -> float:
    """Charge gained from `ah` on, straight between points."""
    if ah <= points[0][0]:
        return points[0][1]
    for (x0, y0), (x1, y1) in zip(points, points[1:], strict=False):
        if ah <= x1:
            return y0 + (y1 - y0) * (ah - x0) / (x1 - x0)
    return points[-1][1]


def concave(points: Points) -> Points:
    """The same points, lowered where needed (from the right) so that no stretch falls more steeply than the next."""
    kept = [points[-1]]
    steepest = float("-inf")
    for x, y in reversed(points[:-1]):
        x1, y1 = kept[-1]
        slope = max((y1 - y) / (x1 - x), steepest)
        kept.append((x, y1 - slope * (x1 - x)))
        steepest = slope
    return tuple(reversed(kept))


def slot_gain(
    problem: Problem, battery: int, charger: int, slot: int, ah: float, first: bool, load_ah: float = 0.0
) -> float:
    """Charge that a charger gives in a slot: the running box takes first, the battery accepts of the rest.

    The first slot of a charge loses the time it takes to plug in, at the full rate.
    """
    points = problem.gains[battery, charger, slot]
    most = max(0.0, points[0][1] - (problem.plug_ah.get((battery, charger), 0.0) if first else 0.0))
    carried = min(load_ah, most)
    return carried + min(gained(points, ah), most - carried)


def drains(problem: Problem, choice: Choice) -> tuple[dict[tuple[int, int], float], dict[tuple[int, int], float]]:
    """(battery, slot) -> charge that flights take, and the same for waiting."""
    taken: dict[tuple[int, int], float] = {}
    waited: dict[tuple[int, int], float] = {}
    for (flight, box), battery in choice.fitted.items():
        start, fit = choice.starts[flight], problem.fits[flight, box, battery]
        assert start is not None
        air_min = sum(problem.slot_min[start.first : start.last])
        for slot in range(start.wait_from, start.last):
            rate = fit.wait_ah_min if slot < start.first else fit.use_ah / air_min
            kind = waited if slot < start.first else taken
            kind[battery, slot] = kind.get((battery, slot), 0.0) + rate * problem.slot_min[slot]
    return taken, waited


def levels(problem: Problem, choice: Choice) -> list[list[float]] | None:
    """Charge of each battery at each slot's start and at the end; None when a flight would start with too little."""
    taken, waited = drains(problem, choice)
    plugged = {(battery, slot): charger for battery, charger, slot in choice.charging}
    rows = [[ah] for ah in problem.start_ah]
    for slot in range(len(problem.slot_min)):
        for battery, row in enumerate(rows):
            ah, gain = row[slot], 0.0
            waiting, flying = waited.get((battery, slot), 0.0), taken.get((battery, slot), 0.0)
            charger = plugged.get((battery, slot))
            if charger is not None:
                first = plugged.get((battery, slot - 1)) != charger
                load = waiting + (flying if charger in problem.in_flight else 0.0)
                gain = slot_gain(problem, battery, charger, slot, ah, first, load)
            row.append(ah + gain - waiting - flying)
            if row[-1] < -SLACK_AH:
                return None
    for (flight, box), battery in choice.fitted.items():
        start = choice.starts[flight]
        assert start is not None
        if rows[battery][start.first] < problem.fits[flight, box, battery].need_ah - SLACK_AH:
            return None
    return rows


def is_allowed(problem: Problem, choice: Choice) -> bool:
    """True when every rule but charge holds: places of chargers, budgets, one box for a battery at a time."""
    flown = [start for start in choice.starts if start is not None]
    if any(before.free > after.first for before, after in zip(flown, flown[1:], strict=False)):
        return False
    if len({(flight, battery) for (flight, _), battery in choice.fitted.items()}) < len(choice.fitted):
        return False
    at = Counter((charger, slot) for _, charger, slot in choice.charging)
    if any(count > problem.at_once[charger] for (charger, _), count in at.items()):
        return False
    if any(count > 1 for count in Counter((battery, slot) for battery, _, slot in choice.charging).values()):
        return False
    spent = (sum(budget.amounts.get(key, 0.0) * count for key, count in at.items()) for budget in problem.budgets)
    return all(sum_ <= budget.limit + 1e-9 for sum_, budget in zip(spent, problem.budgets, strict=True))


def objective(problem: Problem, choice: Choice, rows: list[list[float]]) -> Objective:
    """The objective of a choice with these charge levels."""
    deep = [max(0.0, DEEP_FRACTION * cap - min(row)) for cap, row in zip(problem.capacity_ah, rows, strict=True)]
    flown = [start for start in choice.starts if start is not None]
    begun = sum((battery, charger, slot - 1) not in choice.charging for battery, charger, slot in choice.charging)
    return Objective(
        flown=len(flown),
        late_min=sum(start.late_min for start in flown),
        deep_ah=sum(deep),
        margin_min=_margin_min(problem, choice, rows),
        swaps=len(swaps_of(problem, choice)),
        plug_ins=begun,
    )


def _margin_min(problem: Problem, choice: Choice, rows: list[list[float]]) -> float:
    margin = MOST_MARGIN_MIN
    for (flight, box), battery in choice.fitted.items():
        start, fit = choice.starts[flight], problem.fits[flight, box, battery]
        if start is not None and fit.minute_ah > 0 and fit.need_ah > 0:
            margin = min(margin, max(0.0, rows[battery][start.first] - fit.need_ah) / fit.minute_ah)
    return margin


def swaps_of(problem: Problem, choice: Choice) -> list[tuple[int, int]]:
    """(flight, box) of each swap: the box flies another battery than the one it has."""
    inside, found = dict(enumerate(problem.inside)), []
    for (flight, box), battery in sorted(choice.fitted.items()):
        if inside.get(box, battery) != battery:
            found.append((flight, box))
        if problem.inside:
            inside[box] = battery
    return found

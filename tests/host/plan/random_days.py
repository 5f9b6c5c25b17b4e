"""Random small problems for the scheduler, and every schedule of them tried one by one."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from random import Random

from groundbox.plan.schedule.problem import (
    SLACK_AH,
    Budget,
    Choice,
    Fit,
    Objective,
    Problem,
    Start,
    drains,
    is_allowed,
    levels,
    objective,
    slot_gain,
)


def random_problem(
    seed: int,
    *,
    flights: int,
    batteries: int,
    chargers: int,
    slots: int,
    boxes: int = 1,
    in_flight: tuple[int, ...] = (),
) -> Problem:
    """Flights one after another with one to three starts each; charge curves fall in a concave way."""
    random = Random(seed)
    slot_min = tuple(random.choice((10.0, 15.0, 20.0)) for _ in range(slots))
    capacity = tuple(random.uniform(4, 8) for _ in range(batteries))
    starts, at = [], random.randint(0, 1)
    for _ in range(flights):
        last_first = min(at + random.randint(0, 2), slots - 1)
        ways = [
            Start(
                first=first, last=first + 1, wait_from=max(0, first - 1), free=first + 2, late_min=10.0 * (first - at)
            )
            for first in range(at, last_first + 1)
        ]
        starts.append(tuple(ways))
        at = min(at + random.randint(1, 2), slots - 1)
    fits = {
        (flight, box, battery): Fit(
            need_ah=random.uniform(2, 5), use_ah=random.uniform(1, 2.5), wait_ah_min=random.choice((0.0, 0.01, 0.03))
        )
        for flight in range(flights)
        for box in range(boxes)
        for battery in range(batteries)
        if random.random() < 0.8
    }
    gains = {}
    for battery, charger in product(range(batteries), range(chargers)):
        amps, knee = random.uniform(1, 3), random.uniform(0.4, 0.8) * capacity[battery]
        for slot in range(slots):
            most = amps * slot_min[slot] / 60
            gains[battery, charger, slot] = ((0.0, most), (knee, most), (capacity[battery], 0.0))
    plug = dict.fromkeys(product(range(batteries), range(chargers)), 0.1)
    amounts = {(0, slot): slot_min[slot] for slot in range(slots)} if chargers else {}
    return Problem(
        slot_min=slot_min,
        flights=tuple(starts),
        boxes=tuple(tuple(range(boxes)) for _ in range(flights)),
        capacity_ah=capacity,
        start_ah=tuple(random.uniform(0.3, 1.0) * cap for cap in capacity),
        fits=fits,
        gains=gains,
        plug_ah=plug,
        at_once=(1,) * chargers,
        budgets=(Budget(limit=0.7 * sum(slot_min), amounts=amounts),) if chargers else (),
        in_flight=frozenset(in_flight),
    )


def _skeletons(problem: Problem) -> Iterator[Choice]:
    """Every way to start flights and put batteries in, without any charging."""
    for starts in product(*[(None, *ways) for ways in problem.flights]):
        flown = [start for start in starts if start is not None]
        if any(a.free > b.first for a, b in zip(flown, flown[1:], strict=False)):
            continue
        places = [(f, box) for f, start in enumerate(starts) if start is not None for box in problem.boxes[f]]
        options = [[b for b in range(len(problem.capacity_ah)) if (f, x, b) in problem.fits] for f, x in places]
        for chosen in product(*options):
            fitted = dict(zip(places, chosen, strict=True))
            if len({(f, b) for (f, _), b in fitted.items()}) == len(fitted):
                yield Choice(starts=starts, fitted=fitted, charging=frozenset())


class _Tree:
    """All chargings of one skeleton, depth first; remembers the least deep discharge that holds."""

    def __init__(self, problem: Problem, skeleton: Choice) -> None:
        self.problem, self.skeleton = problem, skeleton
        self.taken, self.waited = drains(problem, skeleton)
        self.needs: dict[tuple[int, int], float] = {}
        self.flying = set()
        for (flight, box), battery in skeleton.fitted.items():
            start = skeleton.starts[flight]
            assert start is not None
            self.needs[battery, start.first] = problem.fits[flight, box, battery].need_ah
            self.flying |= {(battery, slot) for slot in range(start.first, start.last)}
        self.least_deep: float | None = None

    def _load(self, battery: int, charger: int, slot: int) -> float:
        flying = self.taken.get((battery, slot), 0.0) if charger in self.problem.in_flight else 0.0
        return self.waited.get((battery, slot), 0.0) + flying

    def descend(self, slot: int, ah: list[float], lowest: list[float], before: tuple[int, ...], spent: float) -> None:
        problem = self.problem
        if any(ah[b] < need - SLACK_AH for (b, s), need in self.needs.items() if s == slot) or min(ah) < -SLACK_AH:
            return
        lowest = [min(pair) for pair in zip(lowest, ah, strict=True)]
        deep = sum(max(0.0, 0.5 * cap - low) for cap, low in zip(problem.capacity_ah, lowest, strict=True))
        if self.least_deep is not None and deep >= self.least_deep:
            return
        if slot == len(problem.slot_min):
            self.least_deep = deep
            return
        chargers = range(-1, len(problem.at_once))
        for plugged in product(chargers, repeat=len(ah)):
            used = [p for p in plugged if p >= 0]
            if len(set(used)) < len(used) or any(
                p >= 0 and (b, slot) in self.flying and p not in problem.in_flight for b, p in enumerate(plugged)
            ):
                continue
            cost = sum(budget.amounts.get((p, slot), 0.0) for budget in problem.budgets for p in used)
            if problem.budgets and spent + cost > problem.budgets[0].limit + 1e-9:
                continue
            after = [
                ah[b]
                - self.taken.get((b, slot), 0.0)
                - self.waited.get((b, slot), 0.0)
                + (slot_gain(problem, b, p, slot, ah[b], before[b] != p, self._load(b, p, slot)) if p >= 0 else 0.0)
                for b, p in enumerate(plugged)
            ]
            self.descend(slot + 1, after, lowest, plugged, spent + cost)


def brute_force(problem: Problem) -> Objective:
    """The best worth of all, by trying everything."""
    skeletons = []
    for skeleton in _skeletons(problem):
        flown = [start for start in skeleton.starts if start is not None]
        skeletons.append(((-len(flown), sum(start.late_min for start in flown)), skeleton))
    skeletons.sort(key=lambda pair: pair[0])
    best: tuple[tuple[int, float], float] | None = None
    for key, skeleton in skeletons:
        if best is not None and key > best[0]:
            break
        tree = _Tree(problem, skeleton)
        tree.descend(0, list(problem.start_ah), list(problem.start_ah), (-1,) * len(problem.start_ah), 0.0)
        if tree.least_deep is not None and (best is None or tree.least_deep < best[1]):
            best = (key, tree.least_deep)
    assert best is not None
    return Objective(flown=-best[0][0], late_min=best[0][1], deep_ah=best[1])


def with_margins(problem: Problem, seed: int) -> Problem:
    """The problem with batteries in the boxes, and margins that matter: each minute more needs this much charge."""
    random = Random(seed)
    fits = {key: replace(fit, minute_ah=random.uniform(0.02, 0.08)) for key, fit in problem.fits.items()}
    boxes = max(len(boxes) for boxes in problem.boxes)
    return replace(problem, fits=fits, inside=tuple(range(boxes)))


def best_by_trying(problem: Problem) -> tuple[float, ...]:
    """Flights, margin, lateness and swaps of the best schedule (as of Objective.key), by trying every one."""
    slots = range(len(problem.slot_min))
    keys = sorted(problem.gains)
    ways = [[(), *[(key,) for key in keys if key[2] == slot]] for slot in slots]
    best: tuple[float, ...] = (0.0,)
    for skeleton in _skeletons(problem):
        aloft = {
            (battery, slot)
            for (flight, _), battery in skeleton.fitted.items()
            if (start := skeleton.starts[flight]) is not None
            for slot in range(start.first, start.last)
        }
        for picked in product(*ways):
            charging = frozenset(key for keys_ in picked for key in keys_)
            if any((battery, slot) in aloft for battery, _, slot in charging):
                continue
            choice = replace(skeleton, charging=charging)
            if is_allowed(problem, choice) and (rows := levels(problem, choice)) is not None:
                best = min(best, objective(problem, choice, rows).key()[:4])
    return best

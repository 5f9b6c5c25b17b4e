"""A greedy schedule: each flight takes the fullest battery, each charger the battery that needs it most."""

from dataclasses import dataclass, field

from groundbox.plan.schedule.problem import DEEP_FRACTION, SLACK_AH, Choice, Problem, Start, slot_gain


@dataclass(slots=True)
class _Day:
    """The state of a day at a slot."""

    problem: Problem
    ah: list[float]
    starts: list[Start | None]
    fitted: dict[tuple[int, int], int] = field(default_factory=dict)
    charging: set[tuple[int, int, int]] = field(default_factory=set)
    busy_until: dict[int, int] = field(default_factory=dict)
    free_from: int = 0
    taken: dict[tuple[int, int], float] = field(default_factory=dict)
    waits: dict[tuple[int, int], float] = field(default_factory=dict)
    assignments: dict[int, dict[int, int]] = field(default_factory=dict)
    sparing: bool = False

    def merit(self, flight: int, box: int, battery: int) -> float:
        """Rank of a battery for a flight: its charge, or (sparing) its charge above half after the flight."""
        if not self.sparing:
            return self.ah[battery]
        fit = self.problem.fits[flight, box, battery]
        return self.ah[battery] - fit.use_ah - DEEP_FRACTION * self.problem.capacity_ah[battery]

    def to_spare(self, battery: int) -> float:
        """Charge beyond the largest need of a flight to come, or (sparing) beyond half, as a fraction of capacity."""
        if self.sparing:
            return self.ah[battery] / self.problem.capacity_ah[battery] - DEEP_FRACTION
        needs = [
            fit.need_ah
            for (flight, _, one), fit in self.problem.fits.items()
            if one == battery and self.starts[flight] is None
        ]
        return (self.ah[battery] - max(needs, default=0.0)) / self.problem.capacity_ah[battery]


def _assignment(day: _Day, flight: int, slot: int, enough: bool = True) -> dict[int, int] | None:
    """The fullest battery for each box; None where a box has none (with `enough`: none with enough charge)."""
    chosen: dict[int, int] = {}
    for box in day.problem.boxes[flight]:
        fitting = [
            battery
            for battery in range(len(day.ah))
            if battery not in chosen.values()
            and (flight, box, battery) in day.problem.fits
            and day.busy_until.get(battery, 0) <= slot
            and (not enough or day.ah[battery] >= day.problem.fits[flight, box, battery].need_ah - SLACK_AH)
        ]
        if not fitting:
            return None
        chosen[box] = max(fitting, key=lambda battery: (day.merit(flight, box, battery), -battery))
    return chosen


def _launch(day: _Day, flight: int, start: Start, assignment: dict[int, int]) -> None:
    day.starts[flight] = start
    day.free_from = start.free
    minutes = sum(day.problem.slot_min[start.first : start.last])
    for box, battery in assignment.items():
        fit = day.problem.fits[flight, box, battery]
        day.fitted[flight, box] = battery
        day.busy_until[battery] = start.last
        for slot in range(start.first, start.last):
            day.taken[battery, slot] = fit.use_ah * day.problem.slot_min[slot] / minutes
        if flight not in day.assignments:  # its launch was not known before: the charge for waiting is taken now
            day.ah[battery] -= fit.wait_ah_min * sum(day.problem.slot_min[start.wait_from : start.first])


def _begin_waiting(day: _Day, slot: int) -> None:
    """For a flight with one start only, its boxes wait with the batteries that are fullest at that slot."""
    for flight, starts in enumerate(day.problem.flights):
        if len(starts) == 1 and starts[0].wait_from == slot < starts[0].first:
            assignment = _assignment(day, flight, slot, enough=False)
            if assignment is None:
                continue
            day.assignments[flight] = assignment
            for box, battery in assignment.items():
                rate = day.problem.fits[flight, box, battery].wait_ah_min
                for later in range(slot, starts[0].first):
                    day.waits[battery, later] = rate * day.problem.slot_min[later]


def _charge(day: _Day, slot: int) -> None:
    problem = day.problem
    used: dict[int, int] = {}
    for battery in sorted(range(len(day.ah)), key=lambda b: day.to_spare(b)):
        flying, best, gain = day.busy_until.get(battery, 0) > slot, None, 0.0
        load = day.taken.get((battery, slot), 0.0) if flying else day.waits.get((battery, slot), 0.0)
        for charger, places in enumerate(problem.at_once):
            if (battery, charger, slot) not in problem.gains or used.get(charger, 0) >= places:
                continue
            if flying and charger not in problem.in_flight:
                continue
            first = (battery, charger, slot - 1) not in day.charging
            here = slot_gain(problem, battery, charger, slot, day.ah[battery], first, load)
            if here > gain and _afforded(day, charger, slot):
                best, gain = charger, here
        if best is not None:
            day.charging.add((battery, best, slot))
            used[best] = used.get(best, 0) + 1
            day.taken[battery, slot] = day.taken.get((battery, slot), 0.0) - gain


def _afforded(day: _Day, charger: int, slot: int) -> bool:
    for budget in day.problem.budgets:
        spent = sum(budget.amounts.get((c, s), 0.0) for _, c, s in day.charging)
        if spent + budget.amounts.get((charger, slot), 0.0) > budget.limit + 1e-9:
            return False
    return True


def _ready_assignment(day: _Day, flight: int, start: Start) -> dict[int, int] | None:
    """The batteries that launch now: those that waited, with enough charge; else the fullest with enough."""
    waited = day.assignments.get(flight)
    if waited is None:
        assignment = _assignment(day, flight, start.first)
        return assignment if assignment and _room_to_wait(day, flight, start, assignment) else None
    for box, battery in waited.items():
        if day.ah[battery] < day.problem.fits[flight, box, battery].need_ah - SLACK_AH:
            return None
    return waited


def _room_to_wait(day: _Day, flight: int, start: Start, assignment: dict[int, int]) -> bool:
    """True with enough charge for the wait too, since `need_ah` counts from the launch."""
    for box, battery in assignment.items():
        fit = day.problem.fits[flight, box, battery]
        wait = fit.wait_ah_min * sum(day.problem.slot_min[start.wait_from : start.first])
        if day.ah[battery] - wait < fit.need_ah - SLACK_AH:
            return False
    return True


def greedy(problem: Problem, sparing: bool = False) -> Choice:
    """A schedule by greedy rules: launch once every box has a battery with enough charge; charge the emptiest.

    Args:
        sparing: choose batteries so that they stay above half, rather than the fullest.
    """
    day = _Day(problem=problem, ah=list(problem.start_ah), starts=[None] * len(problem.flights), sparing=sparing)
    waiting = list(range(len(problem.flights)))
    for slot in range(len(problem.slot_min)):
        while waiting and not any(start.first >= slot for start in problem.flights[waiting[0]]):
            waiting.pop(0)
        if waiting and slot >= day.free_from:
            start = next((s for s in problem.flights[waiting[0]] if s.first == slot), None)
            assignment = _ready_assignment(day, waiting[0], start) if start else None
            if start and assignment:
                _launch(day, waiting.pop(0), start, assignment)
        _begin_waiting(day, slot)
        _charge(day, slot)
        for battery in range(len(day.ah)):
            day.ah[battery] -= day.taken.get((battery, slot), 0.0) + day.waits.get((battery, slot), 0.0)
    return Choice(starts=tuple(day.starts), fitted=day.fitted, charging=frozenset(day.charging))

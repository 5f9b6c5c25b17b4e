"""From a day to its plan: schedule, follow it, correct what falls short, switch loads off where that saves a flight."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations

from groundbox.plan.day import Day, mean_amps
from groundbox.plan.launch import follow
from groundbox.plan.patience import Clock, Patience
from groundbox.plan.problem import Worth
from groundbox.plan.schedule import Schedule, best_schedule, rough_worth
from groundbox.plan.timetable import Timetable, low_curve, timetable
from groundbox.plan.walk import IN_AIR, Answer, Walk
from groundbox.plan.warm import choice_from
from groundbox.plan.yard import Yard, yard_of

ROUNDS = 6  # of correcting charges needed where following the schedule falls short of the reserve
LEAST_ROUNDS = 2  # even where the time is over: without the solver they are quick
FINE_STEP_MIN, COARSE_STEP_MIN, FINE_FLIGHTS = 10.0, 30.0, 6
SHORT_MIN = 1.0
SMALL_DAY, SMALL_DAY_SECONDS, LARGE_DAY_SECONDS = 24, 8.0, 3.0  # flights times batteries
FIRST_SHARE, ROUND_SHARE, ON_TIME_SHARE = 0.75, 0.6, 0.4  # of the time: as it is, a round, launches on time
MOST_TRIES = 16  # of putting a load on again in one flight


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A day with its schedule and what happens when it is followed.

    raised: the schedule was made for needs that had been raised, since an earlier one fell short when it was followed;
        what is proven of it holds for those needs.
    """

    day: Day
    yard: Yard
    table: Timetable
    schedule: Schedule
    walk: Walk
    raised: bool = False

    @property
    def works(self) -> bool:
        """True when every flight is flown, with its reserve."""
        return self.flown == len(self.day.flights)

    @property
    def flown(self) -> int:
        """Flights that are flown, or out, with every box they need."""
        grounded = {answer.flight for answer in self.walk.answers if answer.verdict == "not today"}
        return len(self.day.flights) - len(grounded)

    @property
    def merit(self) -> tuple[int, float]:
        """The larger, the better: flights flown, then the least lateness."""
        return self.flown, -self.schedule.worth.late_min

    @property
    def not_proven(self) -> str | None:
        """What a better plan might have, in words; None where this one is proven to be the best."""
        fell = self.schedule.worth.flown - self.flown
        words = [f"{fell} flight(s) that fell short of the reserve when followed"] if fell > 0 else []
        return ", ".join([*words, *filter(None, [self.schedule.open_gap])]) or None


def seconds_for(day: Day) -> float:
    """Seconds in all: enough to prove most small days; a large one is not proven by waiting a little longer."""
    return SMALL_DAY_SECONDS if len(day.flights) * len(day.batteries) <= SMALL_DAY else LARGE_DAY_SECONDS


def delays_of(day: Day) -> tuple[float, ...]:
    """Minutes by which a launch may slip: fine steps for few flights, coarse for many."""
    step = FINE_STEP_MIN if len(day.flights) <= FINE_FLIGHTS else COARSE_STEP_MIN
    return tuple(step * count for count in range(int(day.longest_wait_min // step) + 1))


def sheddable(day: Day) -> list[tuple[str, str]]:
    """(box, load) pairs that the day file allows to be switched off and that are on; the smallest current first."""
    pairs = [
        (mean_amps(load), box.name, load.name)
        for box in day.boxes.values()
        for load in box.load
        if load.sheddable and not load.with_fans and (box.name, load.name) not in day.off
    ]
    return [(box, load) for _, box, load in sorted(pairs)]


def _scheduled(
    day: Day,
    yard: Yard,
    patience: Patience,
    start_min: float,
    extra: Mapping[tuple[int, str], float],
    try_on_time: bool,
    earlier: Walk | None,
) -> tuple[Timetable, Schedule]:
    """On time if every flight can be; else with launches that slip."""
    if try_on_time:
        table = timetable(day, yard, delays=(0.0,), extra=extra, start_min=start_min)
        schedule = best_schedule(
            table.problem, patience.part(ON_TIME_SHARE), known=choice_from(earlier, day, table) if earlier else None
        )
        if schedule.worth.flown == len(day.flights):
            return table, schedule
    late_table = timetable(day, yard, delays=delays_of(day), extra=extra, start_min=start_min)
    late = best_schedule(
        late_table.problem, patience.part(1.0), known=choice_from(earlier, day, late_table) if earlier else None
    )
    return (table, schedule) if try_on_time and schedule.worth.flown >= late.worth.flown else (late_table, late)


def _shortfalls(day: Day, walk: Walk) -> dict[tuple[int, str], Answer]:
    """(flight, box) -> answers whose launch falls short of the reserve on the low number."""
    place = {flight.name: index for index, flight in enumerate(day.flights)}
    return {(place[answer.flight], answer.box): answer for answer in walk.answers if _missing_min(answer) > 0}


def _missed(day: Day, yard: Yard, table: Timetable, flight: int, answer: Answer) -> float:
    """Minutes by which the need at that charge was put too low: the battery has not rested, as the need supposes."""
    assert answer.battery is not None
    assert answer.soc_launch is not None
    assert answer.runtime_low_min is not None
    found, battery_c = table.demands[flight, answer.box], day.battery_c(day.flights[flight].launch_min)
    curve = low_curve(day, yard, answer.battery, found, battery_c)
    return max(0.0, curve.minutes(answer.soc_launch.expected) - answer.runtime_low_min)


def _missing_min(answer: Answer) -> float:
    """Minutes by which a launch falls short of its reserve; 0 for one that does not, or is out already."""
    return 0.0 if answer.margin_min is None or answer.verdict == IN_AIR else max(0.0, -answer.margin_min)


def _grounded(answer: Answer, answers: list[Answer]) -> Answer:
    """The answer, or why not today where it, or another box of its flight, falls short of the reserve after all."""
    if _missing_min(answer) > 0:
        words = f"{answer.battery} would be {_missing_min(answer):.0f} min short of the reserve at launch"
        return _not_today(answer, words)
    others = (other for other in answers if other.flight == answer.flight and _missing_min(other) > 0)
    short = next(others, None)
    if short is None:
        return answer
    return _not_today(answer, f"{short.box} would be short of its reserve")


def _not_today(answer: Answer, because: str) -> Answer:
    return Answer(
        flight=answer.flight, box=answer.box, verdict="not today", because=because, loads_off=answer.loads_off
    )


def plan_as_is(
    day: Day,
    yard: Yard,
    seconds: float,
    start_min: float,
    rounds: int = ROUNDS,
    clock: Clock | None = None,
    earlier: Walk | None = None,
) -> Plan:
    """The plan with the loads as they are; needs are raised where following the schedule falls short of the reserve.

    Args:
        seconds: about how long all rounds may take together.
        rounds: most of them.
        clock: seconds that never step back; without one only the solver's time counts, as granted.
        earlier: what an earlier plan had chosen, to begin with.
    """
    patience = Patience(seconds, clock)
    extra: dict[tuple[int, str], float] = {}
    on_time, best = True, None
    for round_ in range(rounds):
        table, schedule = _scheduled(
            day, yard, patience.part(ROUND_SHARE if round_ < rounds - 1 else 1.0), start_min, extra, on_time, earlier
        )
        on_time = schedule.worth.flown == len(day.flights) and schedule.worth.late_min == 0
        walk = follow(day, yard, table, schedule)
        short = _shortfalls(day, walk)
        walk.answers = [_grounded(answer, walk.answers) for answer in walk.answers]
        plan = Plan(day=day, yard=yard, table=table, schedule=schedule, walk=walk, raised=bool(extra))
        best = plan if best is None or plan.merit > best.merit else best
        if not short or (patience.left == 0 and round_ + 1 >= LEAST_ROUNDS):
            break
        for key, answer in short.items():
            grown = extra.get(key, 0.0) + 2 * _missing_min(answer)
            extra[key] = max(grown, _missed(day, yard, table, key[0], answer)) + SHORT_MIN
    assert best is not None
    return best


def holds(day: Day, yard: Yard, table: Timetable, schedule: Schedule) -> bool:
    """True when the schedule leaves every launch its reserve when it is followed."""
    return not _shortfalls(day, follow(day, yard, table, schedule))


def rough(day: Day, yard: Yard, start_min: float = 0.0) -> Worth:
    """What simple rules make of the day: quick, never better than the plan; no more is looked for once all fly."""
    table = timetable(day, yard, delays=delays_of(day), start_min=start_min)
    return rough_worth(table.problem, len(day.flights))


def _loads_to_shed(
    day: Day, yard: Yard, flown: int, start_min: float, patience: Patience
) -> frozenset[tuple[str, str]]:
    """The smallest set of loads whose absence flies more, by simple rules; empty when none does."""
    pairs = sheddable(day)
    sets = [frozenset(found) for size in (1, 2) for found in combinations(pairs, size)]
    best: tuple[int, frozenset[tuple[str, str]]] = (flown, frozenset())
    for off in [*sets, frozenset(pairs)]:
        worth = rough(replace(day, off=day.off | off), yard, start_min)
        if worth.flown > best[0]:
            best = (worth.flown, off)
        if worth.flown == len(day.flights) or patience.left == 0:
            break
    return best[1]


def _with_loads_back(plan: Plan, patience: Patience) -> Plan:
    """The same schedule with loads on again in each flight that stands it, the earliest flights first."""
    flown = [answer.flight for answer in plan.walk.answers if answer.verdict != "not today"]
    tries = [(flight, box, load) for flight in dict.fromkeys(flown) for box, load in sorted(plan.day.off)]
    for one in tries[:MOST_TRIES]:
        if patience.out:
            break
        day = replace(plan.day, on_again=plan.day.on_again | {one})
        walk = follow(day, plan.yard, plan.table, plan.schedule)
        if not _shortfalls(day, walk):
            plan = replace(plan, day=day, walk=walk)
    return plan


def plan_day(
    day: Day,
    yard: Yard | None = None,
    *,
    seconds: float | None = None,
    start_min: float = 0.0,
    clock: Clock | None = None,
    rounds: int = ROUNDS,
    earlier: Walk | None = None,
) -> Plan:
    """The plan of a day: every load on if that flies everything, else with the fewest loads off that fly more.

    Args:
        yard: batteries as believed now; None takes them from the day.
        seconds: about how long it may take in all; None: `seconds_for`.
        start_min: now, in minutes of the day.
        clock, rounds, earlier: as for `plan_as_is`.
    """
    yard, patience = yard or yard_of(day), Patience(seconds or seconds_for(day), clock)
    plan = plan_as_is(day, yard, patience.grant(FIRST_SHARE), start_min, rounds, clock, earlier)
    if plan.works or patience.out:
        return plan
    off = _loads_to_shed(day, yard, plan.flown, start_min, patience)
    if not off:
        return plan
    leaner = plan_as_is(replace(day, off=day.off | off), yard, patience.grant(1.0), start_min, rounds, clock, earlier)
    return _with_loads_back(leaner, patience) if leaner.flown > plan.flown else plan

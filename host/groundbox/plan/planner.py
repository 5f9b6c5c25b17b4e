"""From a day to its plan: schedule, simulate, correct what falls short, switch sheddable loads off."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import combinations

from groundbox.advice.result import DO_NOT_LAUNCH
from groundbox.plan.battery_pool import BatteryPool, pool_of
from groundbox.plan.day import Day, mean_amps
from groundbox.plan.outcome import DayOutcome, FlightAnswer
from groundbox.plan.schedule.lexicographic import (
    Clock,
    Schedule,
    TimeBudget,
    best_schedule,
    greedy_objective,
    schedule_of_choice,
)
from groundbox.plan.schedule.problem import MARGIN_STEP_MIN, WANTED_MARGIN_MIN, Objective, without_flights
from groundbox.plan.simulate import simulate
from groundbox.plan.timetable import Timetable, low_runtime_curve, timetable, warm_start

ROUNDS = 6  # of raising needs where the followed schedule falls short of the reserve
MINIMUM_ROUNDS = 2  # even without time left: without the solver they are quick
FINE_STEP_MIN, COARSE_STEP_MIN, FINE_FLIGHTS = 10.0, 30.0, 6
SHORT_MIN = 1.0
SMALL_DAY, SMALL_DAY_SECONDS, LARGE_DAY_SECONDS = 24, 8.0, 3.0  # flights times batteries
# Of the time budget: loads as they are, a round, launches on time.
FIRST_FRACTION, ROUND_FRACTION, ON_TIME_FRACTION = 0.75, 0.6, 0.4
MAXIMUM_TRIES = 16  # of switching a load on again in one flight


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A day with its schedule and what happens when it is followed.

    raised: the needs of the schedule were raised, because an earlier schedule fell short when it was followed. What is
        proven of the schedule is proven for the raised needs.
    fell: (flight, box) -> why a flight of the best schedule is not flown: it falls short of its reserve when followed.
    """

    day: Day
    pool: BatteryPool
    table: Timetable
    schedule: Schedule
    outcome: DayOutcome
    raised: bool = False
    fell: Mapping[tuple[str, str], str] = field(default_factory=dict)

    @property
    def works(self) -> bool:
        """True when every flight is flown, with its reserve."""
        return self.flown == len(self.day.flights)

    @property
    def flown(self) -> int:
        """Flights that are flown, or in the air, with every box they need."""
        grounded = {one.flight for one in self.outcome.answers if one.verdict == DO_NOT_LAUNCH or _missing_min(one) > 0}
        return len(self.day.flights) - len(grounded)

    @property
    def next_answer(self) -> FlightAnswer | None:
        """The answer that decides the flight in the air, else the next flight; None where no flight is left."""
        return self.outcome.worst_of(self.day.flights[0].name) if self.day.flights else None

    @property
    def merit(self) -> tuple[float, ...]:
        """Larger is better: flights flown, then the smallest margin as far as it is wanted, then minutes late."""
        margins = [one.margin_min for one in self.outcome.answers if one.margin_min is not None and one.margin_min >= 0]
        margin = min([*margins, WANTED_MARGIN_MIN]) // MARGIN_STEP_MIN
        return self.flown, margin, -self.schedule.objective.late_min

    @property
    def not_proven(self) -> str | None:
        """What a better plan may have, in words; None where this plan is proven the best."""
        fell = len({flight for flight, _ in self.fell})
        words = [f"{fell} flight(s) that fell short of the reserve when followed"] if fell > 0 else []
        return ", ".join([*words, *filter(None, [self.schedule.open_gap])]) or None


def seconds_for(day: Day) -> float:
    """Time budget in seconds: enough to prove most small days; more time rarely proves a large one."""
    return SMALL_DAY_SECONDS if len(day.flights) * len(day.batteries) <= SMALL_DAY else LARGE_DAY_SECONDS


def delays_of(day: Day) -> tuple[float, ...]:
    """Minutes by which a launch may be late: fine steps for few flights, coarse steps for many."""
    step = FINE_STEP_MIN if len(day.flights) <= FINE_FLIGHTS else COARSE_STEP_MIN
    return tuple(step * count for count in range(int(day.longest_wait_min // step) + 1))


def sheddable_loads(day: Day) -> list[tuple[str, str]]:
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
    pool: BatteryPool,
    time_budget: TimeBudget,
    start_min: float,
    extra: Mapping[tuple[int, str], float],
    try_on_time: bool,
    earlier: DayOutcome | None,
) -> tuple[Timetable, Schedule]:
    """On time where every flight can be on time with the wanted margin; else the better of that and late launches."""
    if try_on_time:
        table = timetable(day, pool, delays=(0.0,), extra=extra, start_min=start_min)
        known = warm_start(earlier, day, table) if earlier else None
        schedule = best_schedule(table.problem, time_budget.part(ON_TIME_FRACTION), known=known)
        if schedule.objective.flown == len(day.flights) and schedule.objective.margin_min >= WANTED_MARGIN_MIN:
            return table, schedule
    late_table = timetable(day, pool, delays=delays_of(day), extra=extra, start_min=start_min)
    late = best_schedule(
        late_table.problem, time_budget.part(1.0), known=warm_start(earlier, day, late_table) if earlier else None
    )
    on_time = try_on_time and schedule.objective.key() <= late.objective.key()
    return (table, schedule) if on_time else (late_table, late)


def _shortfalls(day: Day, outcome: DayOutcome) -> dict[tuple[int, str], FlightAnswer]:
    """(flight, box) -> answers whose low runtime does not cover the flight and the reserve."""
    place = {flight.name: index for index, flight in enumerate(day.flights)}
    return {(place[answer.flight], answer.box): answer for answer in outcome.answers if _missing_min(answer) > 0}


def _narrow(day: Day, outcome: DayOutcome) -> dict[tuple[int, str], FlightAnswer]:
    """(flight, box) -> answers with less than the wanted margin."""
    place = {flight.name: index for index, flight in enumerate(day.flights)}
    return {
        (place[one.flight], one.box): one
        for one in outcome.answers
        if one.margin_min is not None and not one.in_air and one.margin_min < WANTED_MARGIN_MIN
    }


def _missed(day: Day, pool: BatteryPool, table: Timetable, flight: int, answer: FlightAnswer) -> float:
    """Minutes by which the need was too low: it assumes a rested battery, and this one has not rested."""
    assert answer.battery is not None
    assert answer.soc_launch is not None
    assert answer.runtime_low_min is not None
    found, battery_c = table.demands[flight, answer.box], day.battery_c(day.flights[flight].launch_min)
    curve = low_runtime_curve(day, pool, answer.battery, found, battery_c)
    return max(0.0, curve.minutes(answer.soc_launch.expected) - answer.runtime_low_min)


def _missing_min(answer: FlightAnswer) -> float:
    """Minutes by which a launch falls short of its reserve; 0 for enough, and for a flight in the air."""
    return 0.0 if answer.margin_min is None or answer.in_air else max(0.0, -answer.margin_min)


def _causes(day: Day, short: Mapping[tuple[int, str], FlightAnswer]) -> dict[tuple[str, str], str]:
    """(flight, box) -> why the flight is not flown, for each box of each flight that falls short."""
    found: dict[tuple[str, str], str] = {}
    for (flight, box), answer in short.items():
        name = day.flights[flight].name
        for other in day.flights[flight].boxes:
            found.setdefault((name, other), f"{box} is short of its reserve")
        found[name, box] = f"{answer.battery} is {_missing_min(answer):.0f} min short of the reserve"
    return found


def _as_caused(outcome: DayOutcome, fell: Mapping[tuple[str, str], str]) -> DayOutcome:
    """The outcome, in which flights that fell short give that as their cause."""
    outcome.answers = [
        replace(answer, cause=fell.get((answer.flight, answer.box), answer.cause))
        if answer.verdict == DO_NOT_LAUNCH
        else answer
        for answer in outcome.answers
    ]
    return outcome


def _without_short(plan: Plan, time_budget: TimeBudget) -> Plan:
    """The plan without the flights that fall short when followed: solved and followed again, until none falls short.

    Swaps, charges and pauses are those of the flights that remain. What is proven is that of the whole schedule.
    """
    day, pool, table, schedule, outcome = plan.day, plan.pool, plan.table, plan.schedule, plan.outcome
    fell = dict(plan.fell)
    while short := _shortfalls(day, outcome):
        dropped = {flight for flight, _ in short}
        fell |= _causes(day, short)
        flights = tuple(() if flight in dropped else ways for flight, ways in enumerate(table.problem.flights))
        table = replace(table, problem=replace(table.problem, flights=flights))
        kept = without_flights(schedule.choice, dropped)
        found = best_schedule(table.problem, time_budget.part(ON_TIME_FRACTION), known=kept)
        outcome = simulate(day, pool, table, found)
        if _shortfalls(day, outcome):
            found = schedule_of_choice(table.problem, kept)
            outcome = simulate(day, pool, table, found)
        schedule, outcome = replace(found, open_gap=schedule.open_gap), _as_caused(outcome, fell)
    return replace(plan, table=table, schedule=schedule, outcome=outcome, fell=fell)


def plan_as_is(
    day: Day,
    pool: BatteryPool,
    seconds: float,
    start_min: float,
    rounds: int = ROUNDS,
    clock: Clock | None = None,
    earlier: DayOutcome | None = None,
) -> Plan:
    """The plan with the loads as they are; needs are raised where the followed schedule leaves less than it promised.

    Args:
        seconds: about how long all rounds may take together.
        rounds: maximum number of rounds.
        clock: seconds that never step back; without one only the solver's time counts, as granted.
        earlier: outcome of an earlier plan, for a warm start.
    """
    time_budget = TimeBudget(seconds, clock)
    extra: dict[tuple[int, str], float] = {}
    on_time, best = True, None
    for round_ in range(rounds):
        part = time_budget.part(ROUND_FRACTION if round_ < rounds - 1 else 1.0)
        table, schedule = _scheduled(day, pool, part, start_min, extra, on_time, earlier)
        on_time = schedule.objective.flown == len(day.flights) and schedule.objective.late_min == 0
        outcome = simulate(day, pool, table, schedule)
        short = _shortfalls(day, outcome)
        plan = Plan(day=day, pool=pool, table=table, schedule=schedule, outcome=outcome, raised=bool(extra))
        best = plan if best is None or plan.merit > best.merit else best
        before = dict(extra)
        for key, answer in _narrow(day, outcome).items():
            grown = extra.get(key, 0.0) + 2 * _missing_min(answer) if key in short else 0.0
            need = max(grown, _missed(day, pool, table, key[0], answer)) + SHORT_MIN * (key in short)
            extra[key] = max(extra.get(key, 0.0), need)
        changed = any(extra[key] > before.get(key, 0.0) + SHORT_MIN / 2 for key in extra)
        if not changed or (time_budget.left == 0 and (not short or round_ + 1 >= MINIMUM_ROUNDS)):
            break
    assert best is not None
    return _without_short(best, time_budget)


def holds(day: Day, pool: BatteryPool, table: Timetable, schedule: Schedule) -> bool:
    """True when the schedule leaves every launch its reserve when it is followed."""
    return not _shortfalls(day, simulate(day, pool, table, schedule))


def rough(day: Day, pool: BatteryPool, start_min: float = 0.0) -> Objective:
    """The objective of a greedy schedule: quick, never better than the plan; it stops once every flight is flown."""
    table = timetable(day, pool, delays=delays_of(day), start_min=start_min)
    return greedy_objective(table.problem, len(day.flights))


def _loads_to_shed(
    day: Day, pool: BatteryPool, flown: int, start_min: float, time_budget: TimeBudget
) -> frozenset[tuple[str, str]]:
    """The smallest set of sheddable loads that flies more when off, by greedy schedules; empty when none does."""
    pairs = sheddable_loads(day)
    sets = [frozenset(found) for size in (1, 2) for found in combinations(pairs, size)]
    best: tuple[int, frozenset[tuple[str, str]]] = (flown, frozenset())
    for off in [*sets, frozenset(pairs)]:
        objective = rough(replace(day, off=day.off | off), pool, start_min)
        if objective.flown > best[0]:
            best = (objective.flown, off)
        if objective.flown == len(day.flights) or time_budget.left == 0:
            break
    return best[1]


def _with_loads_back(plan: Plan, time_budget: TimeBudget) -> Plan:
    """The same schedule with shed loads on again in each flight that keeps its reserve, the earliest flights first."""
    flown = [answer.flight for answer in plan.outcome.answers if answer.verdict != DO_NOT_LAUNCH]
    tries = [(flight, box, load) for flight in dict.fromkeys(flown) for box, load in sorted(plan.day.off)]
    for one in tries[:MAXIMUM_TRIES]:
        if time_budget.out:
            break
        day = replace(plan.day, on_again=plan.day.on_again | {one})
        outcome = simulate(day, plan.pool, plan.table, plan.schedule)
        if not _shortfalls(day, outcome):
            plan = replace(plan, day=day, outcome=_as_caused(outcome, plan.fell))
    return plan


def plan_day(
    day: Day,
    pool: BatteryPool | None = None,
    *,
    seconds: float | None = None,
    start_min: float = 0.0,
    clock: Clock | None = None,
    rounds: int = ROUNDS,
    earlier: DayOutcome | None = None,
) -> Plan:
    """The plan of a day: every load on where that flies every flight, else with the fewest sheddable loads off.

    Args:
        pool: the known batteries now; None takes them from the day.
        seconds: time budget; None: `seconds_for`.
        start_min: now, in minutes of the day.
        clock, rounds, earlier: as for `plan_as_is`.
    """
    pool, time_budget = pool or pool_of(day), TimeBudget(seconds or seconds_for(day), clock)
    plan = plan_as_is(day, pool, time_budget.grant(FIRST_FRACTION), start_min, rounds, clock, earlier)
    if plan.works or time_budget.out:
        return plan
    off = _loads_to_shed(day, pool, plan.flown, start_min, time_budget)
    if not off:
        return plan
    leaner = plan_as_is(
        replace(day, off=day.off | off), pool, time_budget.grant(1.0), start_min, rounds, clock, earlier
    )
    return _with_loads_back(leaner, time_budget) if leaner.flown > plan.flown else plan

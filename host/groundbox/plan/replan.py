"""A new plan from now, where the day differs from its plan, and one sentence for each change."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

from msgspec.structs import replace as struct_replace

from groundbox.advice.result import DO_NOT_LAUNCH, UNKNOWN, BoxAdvice, SessionAdvice
from groundbox.battery.particles import Particles
from groundbox.plan import battery_pool
from groundbox.plan.battery_pool import BatteryPool
from groundbox.plan.day import Day, PlannedFlight, as_measured
from groundbox.plan.outcome import FlightAnswer
from groundbox.plan.planner import Plan, plan_day
from groundbox.plan.schedule.lexicographic import Clock
from groundbox.plan.standing import DayStanding, minute_of, remaining_flights

SECONDS, ROUNDS = 0.6, 6
MARGIN_NEWS_MIN = 5.0
PLUG_IN_GRACE_MIN = 2.0  # after the plug-in time, before a charge counts as missed
NO_FLIGHT_LEFT = "no flight is left today"


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownNow:
    """What is known now, at a minute of the day.

    done: names of flights that have landed or were given up.
    in_air: (name, launch in minutes of the day) of the flight in the air.
    over: the day is over; no flight is left.
    charges: battery -> state of charge now (0 to 1), where it is known; others are taken from the old plan.
    banks: battery -> the estimator's particles of it, where it runs; they replace `charges`.
    unheard: battery -> why it is unknown now; the verdict of its next flight is then "unknown".
    failed: chargers that do not charge.
    lost: batteries that are no longer available.
    fitted: box -> battery in it now, where it is not the one that the old plan flew last.
    arriving: battery -> whether charge arrives, for those that are measured.
    flight_amps: box -> mean current by the habit of its flights.
    """

    minute: float
    done: Collection[str] = ()
    in_air: tuple[str, float] | None = None
    over: bool = False
    charges: Mapping[str, float] | None = None
    banks: Mapping[str, Particles] | None = None
    unheard: Mapping[str, str] | None = None
    failed: Collection[str] = ()
    lost: Collection[str] = ()
    fitted: Mapping[str, str] | None = None
    arriving: Mapping[str, bool] | None = None
    flight_amps: Mapping[str, float] | None = None

    @property
    def standing(self) -> DayStanding:
        """The flights of the day at this minute."""
        name, launched_min = self.in_air or (None, None)
        return DayStanding(
            minute=self.minute, done=tuple(self.done), flying=name, launched_min=launched_min, over=self.over
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Replan:
    """The new plan and what it changes, one sentence each."""

    plan: Plan
    news: tuple[str, ...]


def _remaining(day: Day, now: KnownNow) -> tuple[PlannedFlight, ...]:
    """The flights left, with measured currents."""
    return remaining_flights(as_measured(day, now.flight_amps or {}), now.standing)


def _in_plan(plan: Plan, battery: str, minute: float) -> Particles:
    """The battery as the old plan expected it at a minute."""
    _, drawn, wells = min(plan.outcome.wells[battery], key=lambda point: abs(point[0] - minute))
    return replace(plan.pool.banks[battery], drawn=drawn, wells=wells)


def _pool_now(plan: Plan, now: KnownNow, day: Day) -> BatteryPool:
    """The known batteries now; health and computed needs are kept from the old plan."""
    banks: dict[str, Particles] = {}
    for name in day.batteries:
        known = (now.banks or {}).get(name)
        soc = (now.charges or {}).get(name)
        if known is not None:
            banks[name] = known
        elif soc is not None:
            banks[name] = battery_pool.at_charge(plan.pool.banks[name], soc)
        else:
            banks[name] = _in_plan(plan, name, now.minute)
    profiles = {name: battery.profile for name, battery in day.batteries.items()}
    if now.banks:  # what was computed from the profile does not hold for measured batteries
        return BatteryPool(banks=banks, profiles=profiles, learned=plan.pool.learned | now.banks.keys())
    return BatteryPool(
        banks=banks, profiles=profiles, learned=plan.pool.learned, low=plan.pool.low, curves=plan.pool.curves
    )


def _day_now(plan: Plan, now: KnownNow) -> Day:
    day = plan.day
    flown = {*now.done, now.in_air[0]} if now.in_air else set(now.done)
    inside = {
        answer.box: answer.battery for answer in plan.outcome.answers if answer.flight in flown and answer.battery
    }
    inside |= now.fitted or {}
    boxes = {name: struct_replace(box, battery=inside.get(name, box.battery)) for name, box in day.boxes.items()}
    return replace(
        day,
        flights=_remaining(day, now),
        boxes=boxes,
        batteries={name: battery for name, battery in day.batteries.items() if name not in now.lost},
        chargers={name: charger for name, charger in day.chargers.items() if name not in now.failed},
    )


def _news_of(day: Day, old: FlightAnswer, new: FlightAnswer) -> str | None:
    """The change for one box in one flight; None for no change that matters."""
    where = f"{new.flight}, {new.box}"
    if new.launch_min is None or old.launch_min is None:
        if old.launch_min is None and new.launch_min is not None:
            return f"{where}: can launch again, at {day.clock(new.launch_min)}"
        if new.launch_min is None and old.launch_min is not None:
            return f"{where}: do not launch any more: {new.cause}"
        return None
    if abs(new.launch_min - old.launch_min) >= 1 and not new.in_air:
        return f"{where}: launch at {day.clock(new.launch_min)} instead of {day.clock(old.launch_min)}"
    if new.battery != old.battery:
        return f"{where}: battery {new.battery} instead of {old.battery}"
    assert new.margin_min is not None
    assert old.margin_min is not None
    change = new.margin_min - old.margin_min
    if abs(change) < MARGIN_NEWS_MIN:
        return None
    return f"{where}: {abs(change):.0f} min {'more' if change > 0 else 'less'} margin, now {new.margin_min:.0f}"


def _news(old: Plan, new: Plan) -> tuple[str, ...]:
    before = {(answer.flight, answer.box): answer for answer in old.outcome.answers}
    sentences = [
        sentence
        for answer in new.outcome.answers
        if (answer.flight, answer.box) in before
        and (sentence := _news_of(new.day, before[answer.flight, answer.box], answer)) is not None
    ]
    sentences += _other_loads(old, new)
    old_runs = {(run.battery, run.charger) for run in old.outcome.charges if run.end_min > new.table.bounds_min[0]}
    new_runs = {(run.battery, run.charger) for run in new.outcome.charges}
    sentences += [f"charge {battery} on {charger} too" for battery, charger in sorted(new_runs - old_runs)]
    sentences += [f"no more {battery} on {charger}" for battery, charger in sorted(old_runs - new_runs)]
    return tuple(sentences)


def _other_loads(old: Plan, new: Plan) -> list[str]:
    off, on = new.day.off - old.day.off, old.day.off - new.day.off
    return [f"{box}: keep {load} off now" for box, load in sorted(off)] + [
        f"{box}: {load} may stay on again" for box, load in sorted(on)
    ]


def missed(plan: Plan, now: KnownNow) -> tuple[str, ...]:
    """A sentence for each charging step of now from which no charge arrives."""
    clock, found = plan.day.clock, []
    for run in plan.outcome.charges:
        begun = run.start_min + PLUG_IN_GRACE_MIN <= now.minute < run.end_min
        if begun and (now.arriving or {}).get(run.battery) is False and run.charger not in now.failed:
            since = f"since {clock(run.start_min)}"
            found.append(f"{run.battery} should be on {run.charger} {since} and no charge arrives: connect it")
    return tuple(found)


def replan(
    plan: Plan, now: KnownNow, *, seconds: float = SECONDS, clock: Clock | None = None, compared: Plan | None = None
) -> Replan:
    """The plan from now on. With no flight left the old plan is returned, without its flights.

    Args:
        plan: the whole day's.
        compared: the plan that the news are compared with; None: `plan`.
    """
    day = _day_now(plan, now)
    if not day.flights:
        return Replan(plan=_ended(plan), news=(NO_FLIGHT_LEFT,))
    pool = _pool_now(plan, now, day)
    new = plan_day(day, pool, seconds=seconds, start_min=now.minute, clock=clock, rounds=ROUNDS, earlier=plan.outcome)
    new = _with_unknown(new, now.unheard or {})
    return Replan(plan=new, news=(*missed(compared or plan, now), *_news(compared or plan, new)))


def as_advised(plan: Plan, advice: SessionAdvice | None) -> Plan:
    """The plan with verdict, turn-back time and runtime of the flight in the air as the recorder advises them now."""
    boxes = {box.box: box for box in advice.boxes} if advice is not None and advice.flight.in_flight else {}
    answers = [
        _answer_as_advised(plan, answer, boxes[answer.box]) if answer.in_air and answer.box in boxes else answer
        for answer in plan.outcome.answers
    ]
    return replace(plan, outcome=replace(plan.outcome, answers=answers))


def _answer_as_advised(plan: Plan, answer: FlightAnswer, box: BoxAdvice) -> FlightAnswer:
    at_s, low_s = box.turn_back_at_s, box.runtime_low_s
    left_min = next(flight.flight.length_min for flight in plan.day.flights if flight.name == answer.flight)
    runtimes_s = low_s, box.runtime_expected_s, box.runtime_high_s
    low_min, expected_min, high_min = (None if one is None else one / 60 for one in runtimes_s)
    landing_min = [None if one is None else max(0.0, one - left_min) for one in (low_min, expected_min, high_min)]
    return replace(
        answer,
        verdict=box.verdict,
        cause=box.headline.partition(": ")[2],
        turn_back_min=None if at_s is None else minute_of(plan.day, at_s),
        margin_min=None if low_min is None else low_min - left_min - box.reserve_s / 60,
        runtime_low_min=low_min,
        runtime_expected_min=expected_min,
        runtime_high_min=high_min,
        landing_low_min=landing_min[0],
        landing_expected_min=landing_min[1],
        landing_high_min=landing_min[2],
    )


def _ended(plan: Plan) -> Plan:
    """The plan of a day with no flight left: its batteries for the evening, and nothing to do before."""
    outcome = replace(plan.outcome, answers=[], pauses=[], swaps=[], charges=[])
    return replace(plan, day=replace(plan.day, flights=(), off=frozenset(), on_again=frozenset()), outcome=outcome)


def _with_unknown(plan: Plan, unheard: Mapping[str, str]) -> Plan:
    """The plan with the verdict "unknown" where the battery is unknown, in the flight in the air or the next."""
    name = plan.day.flights[0].name
    answers = []
    for answer in plan.outcome.answers:
        why = unheard.get(answer.battery or "") if answer.flight == name else None
        if why is not None and answer.verdict != DO_NOT_LAUNCH:
            answer = replace(answer, verdict=UNKNOWN, cause=why)
        answers.append(answer)
    return replace(plan, outcome=replace(plan.outcome, answers=answers))

"""The day goes on otherwise than planned: a new plan from now, and in plain sentences what it changes."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

from msgspec.structs import replace as struct_replace

from groundbox.battery.particles import Particles
from groundbox.plan import battery_pool
from groundbox.plan.battery_pool import BatteryPool
from groundbox.plan.day import Day, PlannedFlight
from groundbox.plan.day_keys import DayFlight
from groundbox.plan.outcome import IN_AIR, FlightAnswer
from groundbox.plan.planner import Plan, plan_day
from groundbox.plan.schedule.lexicographic import Clock

SECONDS, ROUNDS = 0.6, 6
MARGIN_NEWS_MIN, OVERDUE_MIN = 5.0, 5.0
PLUG_IN_GRACE_MIN = 2.0  # after the plug-in time, before a charge is missed


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownNow:
    """What is known now, at a minute of the day.

    done: names of flights that have landed, or been given up.
    in_air: (name, launch in minutes of the day) of the flight that is out.
    charges: battery -> state of charge now (0 to 1), where it is known; others are taken from the old plan.
    banks: battery -> the estimator's own believed batteries, where it runs; they win over `charges`.
    dead: chargers that turned out not to charge.
    gone: batteries no longer there.
    fitted: box -> battery in it now, where it is not the one that the old plan flew last.
    arriving: battery -> whether charge is seen to arrive, of those that somebody looks at.
    flight_amps: box -> mean current measured in flights so far.
    """

    minute: float
    done: Collection[str] = ()
    in_air: tuple[str, float] | None = None
    charges: Mapping[str, float] | None = None
    banks: Mapping[str, Particles] | None = None
    dead: Collection[str] = ()
    gone: Collection[str] = ()
    fitted: Mapping[str, str] | None = None
    arriving: Mapping[str, bool] | None = None
    flight_amps: Mapping[str, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Replan:
    """The new plan and what it changes, one sentence each."""

    plan: Plan
    news: tuple[str, ...]


def _remaining(day: Day, now: KnownNow) -> tuple[PlannedFlight, ...]:
    """Flights still to come, none before now and each after the one before it."""
    flights, free = [], now.minute
    for flight in day.flights:
        if flight.name in now.done:
            continue
        flight = replace(flight, flight=_as_measured(flight, now.flight_amps or {}))
        if now.in_air is not None and flight.name == now.in_air[0]:
            flight = _rest_of(flight, now.minute, now.in_air[1])
            flights.append(flight)
            free = flight.landing_min + day.turnaround_min
            continue
        launch = max(flight.launch_min, free)
        flights.append(replace(flight, launch_min=launch, gap_min=min(flight.gap_min, launch - now.minute)))
        free = launch + flight.flight.length_min + day.turnaround_min
    return tuple(flights)


def _rest_of(flight: PlannedFlight, minute: float, launched_min: float) -> PlannedFlight:
    """What is left of a flight that is out; one that is overdue is expected within `OVERDUE_MIN`."""
    left = max(OVERDUE_MIN, launched_min + flight.flight.length_min - minute)
    rest = struct_replace(flight.flight, length_min=left, time_home_min=min(flight.flight.time_home_min, left))
    return replace(flight, flight=rest, launch_min=minute, gap_min=0.0, in_air=True)


def _as_measured(flight: PlannedFlight, amps: Mapping[str, float]) -> DayFlight:
    """The flight with measured currents, for boxes of which its loads are not told one by one."""
    entry = flight.flight
    return struct_replace(entry, amps={**entry.amps, **{box: a for box, a in amps.items() if box not in entry.loads}})


def _in_plan(plan: Plan, battery: str, minute: float) -> Particles:
    """The battery as the old plan expected it at a minute."""
    _, drawn, wells = min(plan.outcome.wells[battery], key=lambda point: abs(point[0] - minute))
    return replace(plan.pool.banks[battery], drawn=drawn, wells=wells)


def _pool_now(plan: Plan, now: KnownNow, day: Day) -> BatteryPool:
    """Batteries as believed now; health and worked-out needs are kept from the old plan."""
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
    if now.banks:  # what was worked out for the profile does not hold for what readings told
        return BatteryPool(banks=banks, profiles=profiles, learned=plan.pool.learned | now.banks.keys())
    return BatteryPool(
        banks=banks, profiles=profiles, learned=plan.pool.learned, low=plan.pool.low, curves=plan.pool.curves
    )


def _day_now(plan: Plan, now: KnownNow) -> Day:
    day = plan.day
    gone = {*now.done, now.in_air[0]} if now.in_air else set(now.done)
    inside = {answer.box: answer.battery for answer in plan.outcome.answers if answer.flight in gone and answer.battery}
    inside |= now.fitted or {}
    boxes = {name: struct_replace(box, battery=inside.get(name, box.battery)) for name, box in day.boxes.items()}
    return replace(
        day,
        flights=_remaining(day, now),
        boxes=boxes,
        batteries={name: battery for name, battery in day.batteries.items() if name not in now.gone},
        chargers={name: charger for name, charger in day.chargers.items() if name not in now.dead},
    )


def _news_of(day: Day, old: FlightAnswer, new: FlightAnswer) -> str | None:
    """What changed for one box in one flight, None when nothing that matters did."""
    where = f"{new.flight}, {new.box}"
    if new.launch_min is None or old.launch_min is None:
        if old.launch_min is None and new.launch_min is not None:
            return f"{where}: can launch after all, at {day.clock(new.launch_min)}"
        if new.launch_min is None and old.launch_min is not None:
            return f"{where}: not today any more: {new.because}"
        return None
    if abs(new.launch_min - old.launch_min) >= 1 and new.verdict != IN_AIR:
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
    old_runs = {(run.battery, run.charger) for run in old.outcome.charges if run.until_min > new.table.bounds_min[0]}
    new_runs = {(run.battery, run.charger) for run in new.outcome.charges}
    sentences += [f"charge {battery} on {charger} too" for battery, charger in sorted(new_runs - old_runs)]
    sentences += [f"no more {battery} on {charger}" for battery, charger in sorted(old_runs - new_runs)]
    return tuple(sentences)


def _other_loads(old: Plan, new: Plan) -> list[str]:
    off, on = new.day.off - old.day.off, old.day.off - new.day.off
    return [f"{box}: keep {load} off now" for box, load in sorted(off)] + [
        f"{box}: {load} may stay on after all" for box, load in sorted(on)
    ]


def missed(plan: Plan, now: KnownNow) -> tuple[str, ...]:
    """A sentence for each charge that the plan has going on and of which nothing arrives."""
    clock, found = plan.day.clock, []
    for run in plan.outcome.charges:
        begun = run.from_min + PLUG_IN_GRACE_MIN <= now.minute < run.until_min
        if begun and (now.arriving or {}).get(run.battery) is False and run.charger not in now.dead:
            since = f"since {clock(run.from_min)}"
            found.append(f"{run.battery} should be on {run.charger} {since} and no charge arrives: connect it")
    return tuple(found)


def replan(
    plan: Plan, now: KnownNow, *, seconds: float = SECONDS, clock: Clock | None = None, told: Plan | None = None
) -> Replan:
    """The plan from now on. With no flight left there is nothing to plan: the old plan comes back, with that said.

    Args:
        plan: the whole day's.
        told: the plan that the news are compared with, where that is a later one.
    """
    day = _day_now(plan, now)
    if not day.flights:
        return Replan(plan=plan, news=("no flight is left today",))
    pool = _pool_now(plan, now, day)
    new = plan_day(day, pool, seconds=seconds, start_min=now.minute, clock=clock, rounds=ROUNDS, earlier=plan.outcome)
    return Replan(plan=new, news=(*missed(told or plan, now), *_news(told or plan, new)))

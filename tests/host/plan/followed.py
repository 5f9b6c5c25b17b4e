"""A second simulator: follows only the printed steps of a plan and counts ampere-hours.

It knows nothing of slots, choices or the estimator. Charging takes its gain from the printed step. What is in a box,
when it is on and what it draws follow from swaps, pauses, launches and the loads of the day.
"""

from dataclasses import dataclass, field

from groundbox.battery import cell
from groundbox.plan.day import Day
from groundbox.plan.demand import demand
from groundbox.plan.outcome import FlightAnswer
from groundbox.plan.planner import Plan

STEP_MIN = 1.0


@dataclass
class Followed:
    """What following the steps shows: charge at each launch, and every contradiction in words."""

    soc_launch: dict[tuple[str, str], float] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)


def follow(plan: Plan) -> Followed:
    """Follows the printed steps minute by minute."""
    day, outcome, found = plan.day, plan.outcome, Followed()
    launches = [one for one in outcome.answers if one.launch_min is not None]
    inside = {name: box.battery for name, box in day.boxes.items()}
    capacity_ah = {name: plan.pool.capacity_of(name) * plan.pool.profiles[name].c20_ah for name in day.batteries}
    at_start = {name: points[0][1].expected for name, points in outcome.traces.items()}
    soc = dict(at_start)
    minute, last = plan.table.bounds_min[0], plan.table.bounds_min[-1]
    swaps = sorted(outcome.swaps, key=lambda one: one.end_min)
    while minute < last - 1e-6:
        due = [one for one in swaps if one.end_min <= minute + 1e-6]
        for swap in due:
            swaps.remove(swap)
            if inside[swap.box] != swap.instead_of:
                found.wrong.append(f"{swap.box} holds {inside[swap.box]}, the swap takes {swap.instead_of} out")
            inside[swap.box] = swap.battery
        if len(set(inside.values())) < len(inside):
            found.wrong.append(f"at minute {minute:.0f} one battery is in two boxes: {inside}")
        for answer in [one for one in launches if abs((one.launch_min or 0.0) - minute) < STEP_MIN / 2]:
            launches.remove(answer)
            if inside[answer.box] != answer.battery:
                found.wrong.append(f"{answer.flight}: {answer.box} holds {inside[answer.box]}, not {answer.battery}")
            found.soc_launch[answer.flight, answer.box] = soc[answer.battery or ""]
        _minute(plan, minute, inside, soc, capacity_ah, found)
        minute += STEP_MIN
    return found


def _minute(
    plan: Plan,
    minute: float,
    inside: dict[str, str],
    soc: dict[str, float],
    capacity_ah: dict[str, float],
    found: Followed,
) -> None:
    day = plan.day
    charging = {run.battery: run for run in plan.outcome.charges if run.start_min <= minute < run.end_min}
    for box, name in inside.items():
        amps, in_air = _drawn(day, plan, box, minute)
        battery = name if in_air else _waiting_for(plan, box, minute) or name
        if battery in charging:
            if in_air and not charging[battery].in_flight:
                found.wrong.append(f"{battery} charges in flight")
            continue
        warm = cell.load_factor(day.battery_c(minute), max(amps, 1e-9) / plan.pool.profiles[battery].c20_ah)
        soc[battery] -= amps / warm * STEP_MIN / 60 / capacity_ah[battery]
    for battery, run in charging.items():
        soc[battery] += (run.soc_end.expected - run.soc_start.expected) * STEP_MIN / (run.end_min - run.start_min)


def _flown(plan: Plan, box: str) -> list[FlightAnswer]:
    return [one for one in plan.outcome.answers if one.box == box and one.launch_min is not None]


def _length(plan: Plan, answer: FlightAnswer) -> float:
    return next(one.flight.length_min for one in plan.day.flights if one.name == answer.flight)


def _waiting_for(plan: Plan, box: str, minute: float) -> str | None:
    """The battery that is swapped in during the gap: the box waits with it once it is on again."""
    later = [one for one in _flown(plan, box) if (one.launch_min or 0.0) > minute]
    return later[0].battery if later and later[0].instead_of is not None else None


def _drawn(day: Day, plan: Plan, box: str, minute: float) -> tuple[float, bool]:
    """(amps, in the air) that a box draws: on from the gap before its first flight to its last landing, less pauses."""
    flown = _flown(plan, box)
    for answer in flown:
        launch, planned = answer.launch_min or 0.0, next(one for one in day.flights if one.name == answer.flight)
        if launch <= minute < launch + _length(plan, answer):
            return demand(day, day.boxes[box], planned, launch).flight_amps, True
    paused = any(one.box == box and one.start_min <= minute < one.end_min for one in plan.outcome.pauses)
    later = [one for one in flown if (one.launch_min or 0.0) > minute]
    if paused or not later:
        return 0.0, False
    planned = next(one for one in day.flights if one.name == later[0].flight)
    return demand(day, day.boxes[box], planned, minute).waiting_amps, False

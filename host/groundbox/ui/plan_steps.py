"""A plan as a person follows it: at most five lines for each gap, each a time and acts; and its picture's lanes."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from groundbox.advice.result import DO_NOT_LAUNCH
from groundbox.advice.words import CHARGE_FITTED_WITH_CARE, CHARGE_WITH_CARE, listed
from groundbox.plan.outcome import FlightAnswer, worst
from groundbox.plan.planner import Plan
from groundbox.ui.cmd_plan_words import verdict_words

ON_BEFORE_MIN = 5.0  # a box is on so long before its launch, and heard, before it is clear to launch


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanStep:
    """One line: acts of one kind that fall into one gap, at the time of the first; minutes of the day."""

    at_min: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanGap:
    """What is done before a flight, and its verdict. `flight` is "" for what comes after the last one."""

    flight: str
    verdict: str | None
    words: str
    steps: tuple[PlanStep, ...]


def gaps(plan: Plan) -> list[PlanGap]:
    """The gaps of the day in their order: before each flight, and after the last landing."""
    until, found = plan.table.bounds_min[0], []
    for flight in plan.day.flights:
        answer = worst(one for one in plan.outcome.answers if one.flight == flight.name)
        assert answer is not None
        launch = answer.launch_min if answer.launch_min is not None else until
        words = f"{answer.box}: {verdict_words(plan, answer)}"
        if answer.margin_min is not None and not answer.in_air:
            words += f", {answer.margin_min:.0f} min over the reserve"
        steps = tuple(_steps(plan, until, launch)) if launch > until or answer.launch_min is not None else ()
        found.append(PlanGap(flight=flight.name, verdict=answer.verdict, words=words, steps=steps))
        until = max(until, launch)
    rest = tuple(_steps(plan, until, float("inf")))
    return [*found, PlanGap(flight="", verdict=None, words="after the last landing", steps=rest)] if rest else found


def _steps(plan: Plan, after_min: float, until_min: float) -> Iterator[PlanStep]:
    """One line for each kind of act in the gap: swap, switch off, plug in, unplug, switch on."""

    def within(minute: float) -> bool:
        return after_min - 1e-6 <= minute < until_min - 1e-6 or minute == until_min == plan.table.bounds_min[0]

    def ending(minute: float) -> bool:
        return after_min + 1e-6 < minute <= until_min + 1e-6

    outcome = plan.outcome
    fitted = any(run.box_running for run in outcome.charges if within(run.start_min))
    kinds = {
        "swap": [
            (swap.start_min, f"{swap.battery} into {swap.box} for {swap.instead_of}")
            for swap in outcome.swaps
            if within(swap.start_min) and ending(swap.end_min)
        ],
        "switch off": [(pause.start_min, pause.box) for pause in outcome.pauses if within(pause.start_min)],
        f"plug in ({CHARGE_FITTED_WITH_CARE if fitted else CHARGE_WITH_CARE})": [
            (run.start_min, f"{run.battery} to {run.charger} at {run.amps:.3g} A")
            for run in outcome.charges
            if within(run.start_min)
        ],
        "unplug": [(run.end_min, run.battery) for run in outcome.charges if ending(run.end_min)],
        "switch on": [(pause.end_min - ON_BEFORE_MIN, pause.box) for pause in outcome.pauses if ending(pause.end_min)],
    }
    for kind, acts in kinds.items():
        if acts:
            acts.sort()
            first = acts[0][0]
            each = [words if at - first < 1 else f"{words} ({plan.day.clock(at)})" for at, words in acts]
            yield PlanStep(at_min=first, words=f"{kind}: {listed(each)}")


def gap_lines(plan: Plan) -> list[str]:
    """The gaps as text."""
    lines = []
    for gap in gaps(plan):
        lines.append(f"\n{gap.flight or 'evening'}: {gap.words}")
        lines += [f"  {plan.day.clock(step.at_min)}  {step.words}" for step in gap.steps]
    return lines


def lanes(plan: Plan) -> dict[str, Any]:
    """The picture of the day: a lane for each battery and each charger, bars in minutes of the day."""
    lengths = {planned.name: planned.flight.length_min for planned in plan.day.flights}
    rows = []
    for battery in plan.table.batteries:
        flights = [
            _bar("flight", one.launch_min or 0.0, (one.launch_min or 0.0) + lengths[one.flight], _flight_words(one))
            for one in plan.outcome.answers
            if one.battery == battery and one.launch_min is not None
        ]
        charges = [
            _bar("charge", run.start_min, run.end_min, run.charger)
            for run in plan.outcome.charges
            if run.battery == battery
        ]
        swaps = [
            _bar("swap", one.start_min, one.end_min, f"into {one.box}")
            for one in plan.outcome.swaps
            if one.battery == battery
        ]
        rows.append({"name": battery, "bars": [*flights, *charges, *swaps]})
    for charger in plan.table.chargers:
        runs = [one for one in plan.outcome.charges if one.charger == charger]
        if runs:
            bars = [_bar("charge", one.start_min, one.end_min, one.battery) for one in runs]
            rows.append({"name": charger, "bars": bars})
    return {
        "start_min": plan.table.bounds_min[0],
        "end_min": plan.table.bounds_min[-1],
        "start_clock_min": plan.day.start_clock_min,
        "rows": rows,
        "not_flown": [
            {"at_min": planned.launch_min, "words": planned.name}
            for planned in plan.day.flights
            if any(one.flight == planned.name and one.verdict == DO_NOT_LAUNCH for one in plan.outcome.answers)
        ],
    }


def _bar(kind: str, start_min: float, end_min: float, words: str) -> dict[str, Any]:
    return {"kind": kind, "start_min": start_min, "end_min": end_min, "words": words}


def _flight_words(answer: FlightAnswer) -> str:
    return f"{answer.flight}, {answer.box}"

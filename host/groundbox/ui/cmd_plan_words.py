"""A plan in words and as JSON."""

from collections.abc import Sequence
from dataclasses import asdict
from datetime import date, datetime, timedelta
from typing import Any

from groundbox.advice.result import (
    CLEAR_TO_LAUNCH,
    DO_NOT_LAUNCH,
    RETURN_NOW,
    TURN_BACK_BY,
    UNKNOWN,
    WAIT,
    SessionAdvice,
)
from groundbox.plan.battery_pool import SocBand
from groundbox.plan.evening import Night, cautions, step_cautions
from groundbox.plan.fixes import MAXIMUM_FIXES, Fix, FixSearch
from groundbox.plan.outcome import ChargeStep, FlightAnswer, Pause, Swap
from groundbox.plan.planner import Plan
from groundbox.ui.day_plot import text_plot

RAISED = "for needs that were raised because an earlier schedule fell short when it was followed"
LIMITS = {"cutoff": "equipment cutoff", "end_voltage": "battery end voltage"}


def _duration(minutes: float | None) -> str:
    if minutes is None:
        return "unknown"
    hours, rest = divmod(round(minutes), 60)
    return f"{hours} h {rest:02d}" if hours else f"{rest} min"


def verdict_words(plan: Plan, answer: FlightAnswer) -> str:
    """The verdict of one answer, with its time and cause."""
    off = f" with {', '.join(answer.loads_off)} off" if answer.loads_off else ""
    launch = plan.day.clock(answer.launch_min or 0.0)
    back = plan.day.clock_before(answer.turn_back_min or 0.0)
    return {
        CLEAR_TO_LAUNCH: f"clear to launch at {launch}{off}",
        WAIT: f"wait, launch at {launch}{off} ({answer.cause})",
        DO_NOT_LAUNCH: f"do not launch: {answer.cause}",
        UNKNOWN: f"unknown: {answer.cause}",
        TURN_BACK_BY: f"in the air{off}, turn back by {back}",
        RETURN_NOW: f"in the air{off}, return now: {answer.cause}",
    }[answer.verdict]


def first_line(plan: Plan, advice: SessionAdvice | None = None) -> str:
    """The verdict for the flight in the air, else for the next flight.

    Args:
        advice: of the recorder, for a plan of now: its verdict comes first, word for word. None: a plan on paper.
    """
    answer = plan.next_answer
    planned = "No flight is left." if answer is None else f"{answer.flight}: {verdict_words(plan, answer)}."
    return planned if advice is None else f"{advice.headline}. {advice.action}.\n{planned}"


def verdict_of(plan: Plan, advice: SessionAdvice | None) -> str | None:
    """The verdict of now: the recorder's where there is one, else the plan's; None with no flight left."""
    if advice is not None:
        return advice.verdict
    return None if plan.next_answer is None else plan.next_answer.verdict


def _soc_words(soc: SocBand) -> str:
    return f"{100 * soc.expected:.0f} % ({100 * soc.low:.0f} to {100 * soc.high:.0f})"


def answer_lines(plan: Plan, answer: FlightAnswer) -> list[str]:
    """One box in one flight."""
    lines = [f"  {answer.box}: {verdict_words(plan, answer)}"]
    if answer.verdict == DO_NOT_LAUNCH or answer.margin_min is None or answer.turn_back_min is None:
        return lines
    assert answer.soc_launch is not None
    assert answer.soc_landing is not None
    when = "now" if answer.in_air else "at launch"
    if answer.instead_of is not None:
        lines.append(f"    before launch take {answer.instead_of} out and put {answer.battery} in")
    lines.append(
        f"    {answer.margin_min:.0f} min over the reserve on the low runtime; turn back by "
        f"{plan.day.clock_before(answer.turn_back_min)} at the latest"
    )
    lines.append(
        f"    {answer.battery}: runtime {_duration(answer.runtime_low_min)} / {_duration(answer.runtime_expected_min)} "
        f"/ {_duration(answer.runtime_high_min)} {when} (low / expected / high), "
        f"{_duration(answer.landing_low_min)} / {_duration(answer.landing_expected_min)} / "
        f"{_duration(answer.landing_high_min)} at landing; {LIMITS[answer.limit or 'cutoff']} comes first"
    )
    lines.append(
        f"    state of charge {_soc_words(answer.soc_launch)} {when}, {_soc_words(answer.soc_landing)} at landing; "
        f"case {answer.case_c:.0f} °C, fans use {answer.fan_wh:.1f} Wh"
    )
    return lines


def _amps(plan: Plan, run: ChargeStep) -> str:
    source = plan.day.sources.get(plan.day.chargers[run.charger].source or "")
    return ("up to " if source is not None and source.amps_by_hour else "") + f"{run.amps:.3g} A"


def charge_line(plan: Plan, run: ChargeStep) -> str:
    """One battery on one charger."""
    clock = plan.day.clock
    words = (
        f"  {clock(run.start_min)} to {clock(run.end_min)}  {run.battery} on {run.charger} at {_amps(plan, run)}: "
        f"{100 * run.soc_start.expected:.0f} to {100 * run.soc_end.expected:.0f} %"
    )
    if run.box_running:
        words += ", its box runs meanwhile"
    if run.in_flight:
        words += ", also in flight (no launch depends on that)"
    if run.stage == "float" and run.taper_hidden:
        words += "; the box hides the taper, so at float voltage only"
    if run.enough_min is not None:
        words += f"; enough for its next flight at {clock(max(run.start_min, run.enough_min))}"
    if run.full_min is not None:
        words += f"; full at {clock(run.full_min)}"
    if run.last_fifth_hours is not None:
        words += f" (the last 20 % take {run.last_fifth_hours:.1f} h)"
    return words


def _source_lines(plan: Plan) -> list[str]:
    lines = []
    for source in plan.day.sources.values():
        notes = ["run its engine during the charge"] if source.engine_must_run else []
        if source.needs_ignition:
            notes.append("switch its ignition on, which draws current too")
        if source.lowest_volts is not None:
            notes.append(f"stop when it falls to {source.lowest_volts:g} V")
        if source.spare_wh is not None:
            notes.append(f"it may give {source.spare_wh:g} Wh in all")
        if notes:
            lines.append(f"  {source.name}: {'; '.join(notes)}")
    return lines


def _refusal_lines(plan: Plan) -> list[str]:
    return [
        f"  {battery} not on {charger}: {'; '.join(sentences)}"
        for (battery, charger), sentences in sorted(plan.table.refused.items())
        if not any(used[:2] == (battery, charger) for used in plan.table.amps)
    ]


def night_line(plan: Plan, night: Night) -> str:
    """One battery after the last landing."""
    words = f"  {night.battery} ({100 * night.soc:.0f} %): "
    if night.charger is None or night.start_min is None or night.end_min is None:
        words += night.cause
    else:
        nearly = ""
        if night.nearly_min is not None and night.nearly_min > night.start_min:
            nearly = f" (95 % are in at {plan.day.clock(night.nearly_min)})"
        words += (
            f"charge on {night.charger} at {night.amps:g} A from {plan.day.clock(night.start_min)} "
            f"until {plan.day.clock(night.end_min)}{nearly}, in the open"
        )
    if night.top_up is not None:
        words += f"; in storage top up by {night.top_up.isoformat()}"
    if night.test is not None:
        words += f"; capacity test due {night.test.isoformat()}"
    return words


def fix_line(fix: Fix) -> str:
    """One smallest set of changes."""
    return "  " + " and ".join(change.sentence for change in fix.changes)


def search_lines(search: FixSearch) -> list[str]:
    """The fixes of the day, and how far the search came."""
    lines = [*map(fix_line, search.fixes)] or ["  nothing found"]
    if search.tried < search.of and len(search.fixes) < MAXIMUM_FIXES:
        lines.append(f"  (the time ended after {search.tried} of {search.of} tries of single changes and pairs)")
    elif not search.fixes:
        lines.append("  (all single changes and pairs were tried)")
    return lines


def pause_line(plan: Plan, pause: Pause) -> str:
    """A box that is off for a time."""
    return f"  {pause.box}: off from {plan.day.clock(pause.start_min)}, on again at {plan.day.clock(pause.end_min)}"


def swap_line(plan: Plan, swap: Swap) -> str:
    """A battery that is swapped before a flight."""
    clock = plan.day.clock
    return (
        f"  {clock(swap.start_min)} to {clock(swap.end_min)}  {swap.box}: {swap.battery} instead of {swap.instead_of}"
    )


def _how_good(plan: Plan) -> str:
    objective = plan.schedule.objective
    if plan.not_proven is not None:
        return f"not proven best: {plan.not_proven}"
    improvable = objective.flown < len(plan.day.flights) or objective.late_min > 0 or objective.deep_ah > 0
    return "best possible schedule, proven" + (f" {RAISED}" if plan.raised and improvable else "")


def _summary_lines(plan: Plan) -> list[str]:
    if not plan.day.flights:
        return [f"{plan.day.name}: the day has ended."]
    late_min = plan.schedule.objective.late_min
    return [
        f"{plan.day.name}: {plan.flown} of {len(plan.day.flights)} flights, {late_min:.0f} min late in all",
        _how_good(plan),
    ]


def plan_lines(
    plan: Plan, found: FixSearch | None, nights: Sequence[Night], steps: Sequence[str] | None = None
) -> list[str]:
    """The whole plan but for its first line.

    Args:
        steps: the lines of the steps, in place of every figure; None: every figure.
    """
    lines = _summary_lines(plan)
    for box, load in sorted(plan.day.off):
        lines.append(f"{box}: keep {load} off between flights, and in the flights that state it")
    for flight in plan.day.flights if steps is None else ():
        left = " left" if flight.in_air else ""
        lines.append(
            f"\n{flight.name} ({flight.flight.length_min:.0f} min{left}, {flight.flight.time_home_min:g} min home)"
        )
        for answer in plan.outcome.answers:
            if answer.flight == flight.name:
                lines.append("\n".join(answer_lines(plan, answer)))
    every_figure = [
        ("Charging between flights", [charge_line(plan, run) for run in plan.outcome.charges]),
        ("Swaps", [swap_line(plan, swap) for swap in plan.outcome.swaps]),
        ("Switch boxes off", [pause_line(plan, pause) for pause in plan.outcome.pauses]),
        ("Sources", _source_lines(plan)),
        ("Refused", _refusal_lines(plan)),
    ]
    sections = [
        ("Steps", [line.lstrip("\n") if place == 0 else line for place, line in enumerate(steps or ())]),
        *(every_figure if steps is None else ()),
        ("Fixes with which every flight is flown, easiest first", [] if found is None else search_lines(found)),
        ("The evening", [night_line(plan, night) for night in nights]),
        ("The day", text_plot(plan) if plan.day.flights else []),
        ("Cautions", [f"  * {caution}" for caution in cautions(plan.day)]),
    ]
    for title, rows in sections:
        if rows:
            lines.append(f"\n{title}\n" + "\n".join(rows))
    return lines


def start_at(plan: Plan, today: date) -> str:
    """The day's start as ISO 8601 with the offset of local time; on `today` where the day has no date."""
    midnight = datetime.combine(plan.day.date or today, datetime.min.time())
    return (midnight + timedelta(minutes=plan.day.start_clock_min)).astimezone().isoformat()


def plan_tree(
    plan: Plan,
    found: FixSearch | None,
    nights: Sequence[Night],
    today: date,
    advice: SessionAdvice | None = None,
) -> dict[str, Any]:
    """The plan as JSON: minutes since the day's start, and `start_at`, which is minute 0. `advice`: see first_line."""
    return {
        "day": plan.day.name,
        "start_at": start_at(plan, today),
        "verdict": verdict_of(plan, advice),
        "sentence": first_line(plan, advice),
        "flights_flown": plan.flown,
        "flights": len(plan.day.flights),
        "late_min": plan.schedule.objective.late_min,
        "deep_ah": plan.schedule.objective.deep_ah,
        "proven": plan.not_proven is None,
        "not_proven": plan.not_proven,
        "needs_raised": plan.raised,
        "loads_off": [{"box": box, "load": load} for box, load in sorted(plan.day.off)],
        "loads_on_again": [
            {"flight": flight, "box": box, "load": load} for flight, box, load in sorted(plan.day.on_again)
        ],
        "answers": [asdict(answer) for answer in plan.outcome.answers],
        "charges": [asdict(run) | {"cautions": step_cautions(plan.day, run)} for run in plan.outcome.charges],
        "swaps": [asdict(swap) for swap in plan.outcome.swaps],
        "switch_off": [asdict(pause) for pause in plan.outcome.pauses],
        "refused": [
            {"battery": battery, "charger": charger, "cause": list(sentences)}
            for (battery, charger), sentences in sorted(plan.table.refused.items())
        ],
        "charge_over_time": {
            battery: [{"minute": minute, **asdict(soc)} for minute, soc in trace]
            for battery, trace in plan.outcome.traces.items()
        },
        "fixes": None
        if found is None
        else [{"cost": fix.cost, "changes": [asdict(change) for change in fix.changes]} for fix in found.fixes],
        "fixes_searched": None if found is None else {"tries": found.tried, "of": found.of},
        "evening": [
            asdict(night) | {"cautions": list(cautions(plan.day)) if night.charger else []} for night in nights
        ],
        "cautions": list(cautions(plan.day)),
    }

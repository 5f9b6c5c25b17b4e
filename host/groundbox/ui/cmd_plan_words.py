"""A plan in words and as JSON."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from groundbox.plan.evening import Night, cautions
from groundbox.plan.fixes import MAXIMUM_FIXES, Fix, FixSearch
from groundbox.plan.outcome import IN_AIR, ChargeStep, FlightAnswer, Pause
from groundbox.plan.planner import Plan
from groundbox.ui.day_plot import text_plot

RAISED = "for needs that were raised where an earlier try fell short, its batteries not having rested"
LIMITS = {"cutoff": "equipment cutoff", "end_voltage": "battery floor"}


def _duration(minutes: float | None) -> str:
    if minutes is None:
        return "unknown"
    hours, rest = divmod(round(minutes), 60)
    return f"{hours} h {rest:02d}" if hours else f"{rest} min"


def _verdict(plan: Plan, answer: FlightAnswer) -> str:
    if answer.launch_min is None or answer.verdict == "not today":
        return f"not today: {answer.because}"
    off = f" with {', '.join(answer.loads_off)} off" if answer.loads_off else ""
    if answer.verdict == IN_AIR:
        return f"in the air{off}"
    if answer.verdict == "wait":
        return f"WAIT until {plan.day.clock(answer.launch_min)}{off} ({answer.because})"
    return f"launch at {plan.day.clock(answer.launch_min)}{off}"


def answer_lines(plan: Plan, answer: FlightAnswer) -> list[str]:
    """One box in one flight."""
    lines = [f"  {answer.box}: {_verdict(plan, answer)}"]
    if answer.verdict == "not today" or answer.soc_launch is None or answer.turn_back_min is None:
        return lines
    assert answer.soc_landing is not None
    when = "now" if answer.verdict == IN_AIR else "at take-off"
    if answer.instead_of is not None:
        lines.append(f"    put {answer.battery} in instead of {answer.instead_of} after the landing before")
    lines.append(
        f"    {answer.margin_min:.0f} min over the reserve on the low number; turn back by "
        f"{plan.day.clock_before(answer.turn_back_min)} at the latest"
    )
    lines.append(
        f"    {answer.battery}: runs {_duration(answer.runtime_low_min)} / {_duration(answer.runtime_expected_min)} / "
        f"{_duration(answer.runtime_high_min)} {when} (low / expected / high), "
        f"{_duration(answer.landing_low_min)} / {_duration(answer.landing_expected_min)} / "
        f"{_duration(answer.landing_high_min)} at landing; {LIMITS[answer.limit or 'cutoff']} comes first"
    )
    launch, landing = answer.soc_launch, answer.soc_landing
    lines.append(
        f"    charge {100 * launch.expected:.0f} % ({100 * launch.low:.0f} to {100 * launch.high:.0f}) {when}, "
        f"{100 * landing.expected:.0f} % ({100 * landing.low:.0f} to {100 * landing.high:.0f}) at landing; "
        f"case settles at {answer.case_c:.0f} C, fans take {answer.fan_wh:.1f} Wh"
    )
    return lines


def _amps(plan: Plan, run: ChargeStep) -> str:
    source = plan.day.sources.get(plan.day.chargers[run.charger].source or "")
    return ("up to " if source is not None and source.amps_by_hour else "") + f"{run.amps:.3g} A"


def charge_line(plan: Plan, run: ChargeStep) -> str:
    """One battery on one charger."""
    clock = plan.day.clock
    words = (
        f"  {clock(run.from_min)} to {clock(run.until_min)}  {run.battery} on {run.charger} at {_amps(plan, run)}: "
        f"{100 * run.soc_from.expected:.0f} to {100 * run.soc_until.expected:.0f} %"
    )
    if run.box_running:
        words += ", box running on it"
    if run.in_flight:
        words += ", in flight too (no launch counts on that)"
    if run.stage == "float" and run.taper_hidden:
        words += " and hiding its taper, so at float voltage only"
    if run.enough_min is not None:
        words += f"; enough for its next flight at {clock(max(run.from_min, run.enough_min))}"
    if run.full_min is not None:
        words += f"; full only at {clock(run.full_min)}"
    if run.last_fifth_hours is not None:
        words += f" (the last 20 % take {run.last_fifth_hours:.1f} h)"
    return words


def _source_lines(plan: Plan) -> list[str]:
    lines = []
    for source in plan.day.sources.values():
        notes = ["run its engine while it charges"] if source.engine_must_run else []
        if source.needs_ignition:
            notes.append("switch its ignition on, which takes current of its own")
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
    """One battery's evening."""
    words = f"  {night.battery} ({100 * night.soc:.0f} %): "
    if night.charger is None or night.from_min is None or night.until_min is None:
        words += night.because
    else:
        nearly = ""
        if night.nearly_min is not None and night.nearly_min > night.from_min:
            nearly = f" (95 % are in at {plan.day.clock(night.nearly_min)})"
        words += (
            f"charge on {night.charger} at {night.amps:g} A from {plan.day.clock(night.from_min)} "
            f"until {plan.day.clock(night.until_min)}{nearly}, in the open"
        )
    if night.top_up is not None:
        words += f"; in storage top up by {night.top_up.isoformat()}"
    if night.test is not None:
        words += f"; capacity test due {night.test.isoformat()}"
    return words


def fix_line(mend: Fix) -> str:
    """One smallest set of changes."""
    return "  " + " and ".join(change.sentence for change in mend.changes)


def search_lines(search: FixSearch) -> list[str]:
    """What fixes the day, and how far the search came."""
    lines = [*map(fix_line, search.fixes)] or ["  nothing found"]
    if search.tried < search.of and len(search.fixes) < MAXIMUM_FIXES:
        lines.append(f"  (time was up after {search.tried} of {search.of} tries of single changes and pairs)")
    elif not search.fixes:
        lines.append("  (all single changes and pairs were tried)")
    return lines


def pause_line(plan: Plan, pause: Pause) -> str:
    """A box that is off for a while."""
    return f"  {pause.box}: off from {plan.day.clock(pause.from_min)}, on again at {plan.day.clock(pause.until_min)}"


def _how_good(plan: Plan) -> str:
    objective = plan.schedule.objective
    if plan.not_proven is not None:
        return f"not proven best: {plan.not_proven}"
    improvable = objective.flown < len(plan.day.flights) or objective.late_min > 0 or objective.deep_ah > 0
    return "best possible schedule, proven" + (f" {RAISED}" if plan.raised and improvable else "")


def plan_lines(plan: Plan, found: FixSearch | None, nights: Sequence[Night]) -> list[str]:
    """The whole plan."""
    lines: list[str] = []
    echo = lines.append
    objective = plan.schedule.objective
    echo(f"{plan.day.name}: {plan.flown} of {len(plan.day.flights)} flights, {objective.late_min:.0f} min late in all")
    echo(_how_good(plan))
    for box, load in sorted(plan.day.off):
        echo(f"between flights keep {load} of {box} off, in flights as said below")
    for flight in plan.day.flights:
        left = " left" if flight.in_air else ""
        echo(f"\n{flight.name} ({flight.flight.length_min:.0f} min{left}, {flight.flight.time_home_min:g} min home)")
        for answer in plan.outcome.answers:
            if answer.flight == flight.name:
                echo("\n".join(answer_lines(plan, answer)))
    sections = [
        ("Charging between flights", [charge_line(plan, run) for run in plan.outcome.charges]),
        ("Switch boxes off", [pause_line(plan, pause) for pause in plan.outcome.pauses]),
        ("Sources", _source_lines(plan)),
        ("Refused", _refusal_lines(plan)),
        ("What would make the day work, easiest first", [] if found is None else search_lines(found)),
        ("The evening", [night_line(plan, night) for night in nights]),
        ("The day", text_plot(plan)),
        ("Cautions", [f"  * {caution}" for caution in cautions(plan.day)]),
    ]
    for title, told in sections:
        if told:
            echo(f"\n{title}\n" + "\n".join(told))
    return lines


def plan_tree(plan: Plan, found: FixSearch | None, nights: Sequence[Night]) -> dict[str, Any]:
    """The plan as JSON: minutes counted from the day's start, and the clock time that is minute 0."""
    return {
        "day": plan.day.name,
        "start_clock": plan.day.clock(0),
        "flights_flown": plan.flown,
        "flights": len(plan.day.flights),
        "high_min": plan.schedule.objective.late_min,
        "deep_ah": plan.schedule.objective.deep_ah,
        "not_proven": plan.not_proven,
        "needs_raised": plan.raised,
        "loads_off": [{"box": box, "load": load} for box, load in sorted(plan.day.off)],
        "loads_on_again": [
            {"flight": flight, "box": box, "load": load} for flight, box, load in sorted(plan.day.on_again)
        ],
        "answers": [asdict(answer) for answer in plan.outcome.answers],
        "charges": [asdict(run) for run in plan.outcome.charges],
        "switch_off": [asdict(pause) for pause in plan.outcome.pauses],
        "refused": [
            {"battery": battery, "charger": charger, "because": list(sentences)}
            for (battery, charger), sentences in sorted(plan.table.refused.items())
        ],
        "charge_over_time": {
            battery: [{"minute": minute, **asdict(soc)} for minute, soc in trace]
            for battery, trace in plan.outcome.traces.items()
        },
        "fixes": None
        if found is None
        else [{"cost": mend.cost, "changes": [asdict(change) for change in mend.changes]} for mend in found.fixes],
        "mends_searched": None if found is None else {"tries": found.tried, "of": found.of},
        "evening": [asdict(night) for night in nights],
        "cautions": list(cautions(plan.day)),
    }

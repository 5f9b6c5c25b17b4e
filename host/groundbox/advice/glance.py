"""What a person must find within two seconds: verdict, one figure, what it is, and at most two instructions. Pure."""

from collections.abc import Iterable, Sequence

from groundbox.advice.result import (
    CLEAR_TO_LAUNCH,
    RETURN_NOW,
    SEVERITY_RANK,
    TURN_BACK_BY,
    VERDICT_WORDS,
    BoxAdvice,
    FlightShown,
    Glance,
    IfSilent,
    Instruction,
)
from groundbox.advice.words import clock, rounded_down_s, span

NO_FIGURE = "--"
MAX_INSTRUCTIONS = 2
_NOTHING_TO_DO = "No act for this box"


def glance_of(
    verdict: str,
    action: str,
    limiting: BoxAdvice,
    boxes: Sequence[BoxAdvice],
    flight: FlightShown,
    at_s: float | None,
    stale: bool,
) -> Glance:
    """The glance of a session.

    Args:
        verdict, action: of all boxes.
        limiting: the box that decides it.
        boxes: all of them, worst first.
        at_s: the turn-back time as shown, wall time; None: none is known.
        stale: that time rests on data that are no longer fresh.
    """
    figure, noun = _figure(verdict, limiting, flight, at_s, stale)
    return Glance(
        word=VERDICT_WORDS[verdict].upper(),
        figure=figure,
        noun=noun,
        detail=_detail(verdict, limiting),
        instructions=_instructions(verdict, action, limiting, boxes),
    )


def _figure(verdict: str, limiting: BoxAdvice, flight: FlightShown, at_s: float | None, stale: bool) -> tuple[str, str]:
    """The figure and its noun. In flight the earlier of planned landing and turn-back time."""
    if flight.in_flight and verdict != RETURN_NOW and at_s is not None:
        landing_s = flight.landing_at_s
        if stale:
            return clock(at_s), "last turn-back time, stale"
        if verdict == TURN_BACK_BY and landing_s is not None and landing_s < at_s:
            return clock(landing_s), "planned landing"
        return clock(at_s), "turn-back time"
    if limiting.runtime_low_s is None:
        return NO_FIGURE, "runtime unknown"
    return f"{rounded_down_s(limiting.runtime_low_s) // 60:.0f}", "min low runtime"


def _detail(verdict: str, limiting: BoxAdvice) -> str:
    """The limiting box and its minutes."""
    at_s = limiting.turn_back_at_s
    if verdict == TURN_BACK_BY and limiting.runtime_low_s is not None and at_s is not None:
        turn_back = f"turn-back time {clock(at_s)}"
        parts = [turn_back, limiting.turn_back_moved, f"low runtime {span(limiting.runtime_low_s)}"]
    else:
        parts = [limiting.headline.partition(": ")[2]]
    return f"{limiting.box}: {', '.join(filter(None, parts))}"


def _instructions(
    verdict: str, action: str, limiting: BoxAdvice, boxes: Iterable[BoxAdvice]
) -> tuple[Instruction, ...]:
    """At most two acts, the session's own first; none where nothing asks for one."""
    found = [] if verdict in (CLEAR_TO_LAUNCH, TURN_BACK_BY) else [_act(limiting.box, limiting.severity, action)]
    waiting = [(one.severity, box.box, one.action) for box in boxes for one in box.warnings]
    waiting.sort(key=lambda one: -SEVERITY_RANK[one[0]])
    found += [_act(box, severity, words) for severity, box, words in waiting]
    found += [_act(box.box, box.severity, box.action) for box in boxes if box.severity == "unknown"]
    kept: list[Instruction] = []
    for one in found:
        if one.words != _NOTHING_TO_DO and not any(_holds(other, one) for other in kept):
            kept.append(one)
    return tuple(kept[:MAX_INSTRUCTIONS])


def _holds(one: Instruction, other: Instruction) -> bool:
    """True where `one` asks for `other` too: "Return now, check its cable" holds "Check its cable"."""
    return one.box == other.box and one.words.lower().endswith(other.words.lower())


def _act(box: str, severity: str, words: str) -> Instruction:
    own = words.removeprefix(f"{box}: ")
    return Instruction(box=box, severity=severity, words=own[:1].upper() + own[1:])


def silent_glance(row: IfSilent, box: str, at_s: float | None) -> Glance:
    """The glance once no newer advice comes: the words of `row`, and the last turn-back time as a stale one.

    Args:
        box: the box that limited before.
        at_s: the last turn-back time as shown, wall time; None: none is known.
    """
    return Glance(
        word=row.word,
        figure=NO_FIGURE if at_s is None else clock(at_s),
        noun="no data" if at_s is None else "last turn-back time, stale",
        detail=f"{box}: {row.headline.partition(': ')[2]}",
        instructions=(_act(box, row.severity, row.action),),
    )


def sum_of(box: BoxAdvice, time_home_s: float | None, flight_s: float | None, in_flight: bool) -> str:
    """The sum behind a turn-back time, or behind a launch, in whole minutes to the safe side; "" while unknown."""
    spent_s = time_home_s if in_flight else flight_s
    if box.runtime_low_s is None or spent_s is None:
        return ""
    low, reserve, spent = int(box.runtime_low_s // 60), -int(-box.reserve_s // 60), -int(-spent_s // 60)
    left, name = low - reserve - spent, "time home" if in_flight else "flight"
    more, less = ("until turn-back", "past turn-back") if in_flight else ("to spare", "short")
    return f"{box.box}: low {low} - reserve {reserve} - {name} {spent} = {abs(left)} min {more if left >= 0 else less}"

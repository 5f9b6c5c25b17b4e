"""Decides whether a run did what a sentence expects; expect.py reads the sentences."""

from collections.abc import Callable
from dataclasses import dataclass

from groundbox.rig.conditions import ScenarioCondition, Spans, Subject
from groundbox.rig.trace import Trace

_GRACE_S = 0.15
_TICK_S = 1.0  # truth and readings are sampled once a second


@dataclass(frozen=True, slots=True, kw_only=True)
class RigVerdict:
    """Whether an expectation was met, the moment that decided it, and the values found there."""

    passed: bool
    at_s: float | None
    found: str


Judge = Callable[[Trace], RigVerdict]


def cut(spans: Spans, low_s: float, high_s: float) -> Spans:
    """Spans within two times."""
    return [(max(a, low_s), min(b, high_s)) for a, b in spans if min(b, high_s) > max(a, low_s)]


def overlap(spans: Spans, others: Spans) -> Spans:
    """The parts of `spans` within `others`."""
    return [part for low_s, high_s in others for part in cut(spans, low_s, high_s)]


def holes(spans: Spans, others: Spans) -> Spans:
    """The parts of `others` outside `spans`."""
    found: Spans = []
    for low_s, high_s in others:
        at_s = low_s
        for a, b in cut(spans, low_s, high_s):
            if a > at_s:
                found.append((at_s, a))
            at_s = b
        if at_s < high_s:
            found.append((at_s, high_s))
    return found


def first(one: ScenarioCondition, trace: Trace, from_s: float = 0.0) -> float | None:
    """When it first held from `from_s` on; None if never."""
    found = cut(one.spans(trace), from_s, trace.end_s)
    return found[0][0] if found else None


def inside(one: ScenarioCondition, trace: Trace) -> Spans:
    """When it held, less a grace at both ends."""
    return [(a + _GRACE_S, b - _GRACE_S) for a, b in one.spans(trace) if b - a > 2 * _GRACE_S]


def nothing(what: str) -> RigVerdict:
    """Not met: the situation of the sentence never occurred."""
    return RigVerdict(passed=False, at_s=None, found=f"{what} never occurred, so this was not tested")


def never(one: ScenarioCondition, window: Callable[[Trace], Spans]) -> Judge:
    """It never held in the window."""
    return _clean(overlap, one, window)


def always(one: ScenarioCondition, window: Callable[[Trace], Spans]) -> Judge:
    """It held throughout the window."""
    return _clean(holes, one, window)


def _clean(wrong: Callable[[Spans, Spans], Spans], one: ScenarioCondition, window: Callable[[Trace], Spans]) -> Judge:
    """`wrong` finds nothing between when it held and the window."""

    def judge(trace: Trace) -> RigVerdict:
        looked = window(trace)
        if not looked:
            return nothing("its window")
        found = wrong(one.spans(trace), looked)
        if not found:
            return RigVerdict(passed=True, at_s=None, found="")
        return RigVerdict(passed=False, at_s=found[0][0], found=one.value_at(trace, found[0][0]))

    return judge


def within(one: ScenarioCondition, from_s: float, to_s: float) -> Judge:
    """It held at some time between the two."""

    def judge(trace: Trace) -> RigVerdict:
        at_s = first(one, trace, from_s)
        if at_s is not None and at_s <= to_s:
            return RigVerdict(passed=True, at_s=at_s, found=f"after {at_s - from_s:.1f} s")
        when = "never" if at_s is None else f"only after {at_s - from_s:.1f} s"
        return RigVerdict(
            passed=False, at_s=min(to_s, trace.end_s), found=f"{one.text} {when}; {one.value_at(trace, to_s)}"
        )

    return judge


def ordered(one: ScenarioCondition, other: ScenarioCondition) -> Judge:
    """It has to occur, and before `other` where that occurs."""

    def judge(trace: Trace) -> RigVerdict:
        a_s, b_s = first(one, trace), first(other, trace)
        if a_s is None:
            return RigVerdict(passed=False, at_s=b_s, found=f"{one.text} never")
        if b_s is not None and b_s < a_s:
            return RigVerdict(passed=False, at_s=b_s, found=f"{other.text} {a_s - b_s:.1f} s before {one.text}")
        return RigVerdict(passed=True, at_s=a_s, found=one.value_at(trace, a_s))

    return judge


def holds(one: ScenarioCondition, end: Callable[[Trace, float], float | None]) -> Judge:
    """From its first moment it held until `end`."""

    def judge(trace: Trace) -> RigVerdict:
        from_s = first(one, trace)
        if from_s is None:
            return nothing(one.text)
        until_s = end(trace, from_s)
        until_s = trace.end_s if until_s is None else until_s
        left = holes(one.spans(trace), [(from_s, max(from_s, until_s - _TICK_S))]) if until_s > from_s else []
        if left:
            return RigVerdict(passed=False, at_s=left[0][0], found=one.value_at(trace, left[0][0]))
        return RigVerdict(passed=True, at_s=from_s, found=f"for {until_s - from_s:.0f} s")

    return judge


def whenever(cause: ScenarioCondition, one: ScenarioCondition, wait_s: float) -> Judge:
    """It held from `wait_s` after each beginning of the cause until the cause ended."""

    def judge(trace: Trace) -> RigVerdict:
        causes, holds = cause.spans(trace), one.spans(trace)
        if not causes:
            return nothing(cause.text)
        for begin_s, end_s in causes:
            judged = (begin_s + wait_s, end_s - _TICK_S)
            late = holes(holds, [judged]) if judged[0] < judged[1] else []
            if late:
                at_s = late[0][0]
                return RigVerdict(
                    passed=False,
                    at_s=at_s,
                    found=f"{cause.text} since {at_s - begin_s:.1f} s; {one.value_at(trace, at_s)}",
                )
        return RigVerdict(passed=True, at_s=None, found=f"{len(causes)} times")

    return judge


def maximum(one: Subject, low: float, high: float, window: Callable[[Trace], Spans]) -> Judge:
    """Its highest value is between the two."""

    def judge(trace: Trace) -> RigVerdict:
        looked = window(trace)
        values = [
            (value, at_s)
            for at_s, value in one.steps(trace)
            if isinstance(value, int | float) and any(a <= at_s <= b for a, b in looked)
        ]
        if not values:
            return nothing(one.name)
        highest, at_s = max(values)
        return RigVerdict(
            passed=low <= highest <= high, at_s=at_s, found=f"{one.name} has its maximum at {highest:.4g} {one.unit}"
        )

    return judge


def times(one: ScenarioCondition, n: int, window: Callable[[Trace], Spans]) -> Judge:
    """It began to hold so many times."""

    def judge(trace: Trace) -> RigVerdict:
        found = overlap(one.spans(trace), window(trace))
        last_s = found[-1][0] if found else None
        return RigVerdict(passed=len(found) == n, at_s=last_s, found=f"{one.text} {len(found)} times")

    return judge


def each_time(one: ScenarioCondition, limit_s: float, upper: bool, window: Callable[[Trace], Spans]) -> Judge:
    """Each time, it held at most (`upper`) or at least `limit_s`; a span cut short is only judged by the former."""

    def judge(trace: Trace) -> RigVerdict:
        whole = one.spans(trace)
        found = overlap(whole, window(trace))
        if not found:
            return nothing(one.text)
        for a, b in found:
            long, short = b - a > limit_s + _GRACE_S, b - a < limit_s - _GRACE_S
            if long if upper else short and (a, b) in whole and b < trace.end_s:
                return RigVerdict(passed=False, at_s=a, found=f"{one.text} for {b - a:.1f} s")
        return RigVerdict(passed=True, at_s=None, found=f"{len(found)} times")

    return judge


def events(kind: str, n: int, window: Callable[[Trace], Spans]) -> Judge:
    """So many events of this kind arrived."""

    def judge(trace: Trace) -> RigVerdict:
        found = [s for s, event in trace.events if event.kind == kind and any(a <= s <= b for a, b in window(trace))]
        return RigVerdict(passed=len(found) == n, at_s=found[-1] if found else None, found=f"{len(found)} times")

    return judge


def fan_starts(limit: int) -> Judge:
    """No hour had more starts of the fans."""

    def judge(trace: Trace) -> RigVerdict:
        steps = [(at_s, max(percents, default=0) > 0) for at_s, percents, _, _ in trace.drives]
        starts = [b_s for (_, was), (b_s, runs) in zip(steps, steps[1:], strict=False) if runs and not was]
        for n, at_s in enumerate(starts):
            inside = [s for s in starts[n:] if s < at_s + 3600]
            if len(inside) > limit:
                return RigVerdict(passed=False, at_s=inside[-1], found=f"{len(inside)} starts in one hour")
        return RigVerdict(passed=True, at_s=None, found=f"{len(starts)} starts in all")

    return judge


def starts(n: int) -> Judge:
    """The board was started so many times."""

    def judge(trace: Trace) -> RigVerdict:
        found = ", ".join(cause for _, cause in trace.starts)
        return RigVerdict(passed=len(trace.starts) == n, at_s=trace.starts[-1][0], found=f"started by {found}")

    return judge


def no_watchdog(trace: Trace) -> RigVerdict:
    """The watchdog never restarted the board."""
    restarts = [at_s for at_s, cause in trace.starts[1:] if cause == "watchdog"]
    return RigVerdict(passed=not restarts, at_s=restarts[0] if restarts else None, found=f"{len(restarts)} times")


def all_arrived(trace: Trace) -> RigVerdict:
    """The host got every record the board numbered."""
    return RigVerdict(passed=not trace.missing, at_s=None, found=f"{trace.missing} records missing")


def no_late_step(trace: Trace) -> RigVerdict:
    """No control step began late."""
    return RigVerdict(passed=not trace.late_steps, at_s=None, found=f"{trace.late_steps} late steps")


def is_normal(trace: Trace, from_s: float) -> RigVerdict:
    """From then on no warning was active and the buzzer was silent."""
    active: dict[str, float] = {}
    for at_s, change in trace.warnings:
        if change.change == "raised":
            active.setdefault(change.warning, at_s)
        elif change.change == "cleared":
            active.pop(change.warning, None)
            if at_s > from_s:
                return RigVerdict(passed=False, at_s=at_s, found=f"warning {change.warning} was active until then")
    if active:
        kind, at_s = next(iter(active.items()))
        return RigVerdict(passed=False, at_s=at_s, found=f"warning {kind} is active to the end")
    sounding = [at_s for at_s, _, _, buzzer in trace.drives if buzzer and at_s > from_s]
    if sounding:
        return RigVerdict(passed=False, at_s=sounding[0], found="the buzzer sounded")
    return RigVerdict(passed=True, at_s=from_s, found="")

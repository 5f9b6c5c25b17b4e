"""The one judge: states of the boxes in; verdict, severity, headline, sentence, spoken words and action out. Pure.

Page, voice, terminal, report, exports, plan and the log of warnings only format what is decided here.
"""

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from msgspec import structs

from groundbox.advice import limits
from groundbox.advice.conditions import TABLE
from groundbox.advice.glance import glance_of, sum_of
from groundbox.advice.result import (
    CLEAR_TO_LAUNCH,
    DO_NOT_LAUNCH,
    FLIGHT_VERDICTS,
    GROUND_VERDICTS,
    RETURN_NOW,
    SEVERITY_RANK,
    TURN_BACK_BY,
    UNKNOWN,
    VERDICT_WORDS,
    WAIT,
    WORST_FIRST,
    BoxAdvice,
    Cue,
    FlightShown,
    IfSilent,
    SessionAdvice,
    ShownWarning,
)
from groundbox.advice.state import BoxState
from groundbox.advice.turn_back import Countdown, HeldTime, TurnBackHold
from groundbox.advice.warner import ActiveWarning, Warner
from groundbox.advice.words import clock, iso, listed, needed, span, spoken_clock, spoken_number
from groundbox.model import WarningChange

KEPT_CUES = 8
_HOME = ("Return now", "Fly home")  # the act where no turn-back time is known, before and after the turn


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cause:
    """A reason for a verdict: its facts in words, and what to do."""

    verdict: str | None
    severity: str
    facts: str
    action: str
    spoken: str


class Judge:
    """Judges all boxes at each moment; keeps what is raised, held and spoken.

    Attributes:
        warner: the warnings of all boxes.
    """

    def __init__(self) -> None:
        self.warner = Warner()
        self._holds: dict[str, TurnBackHold] = {}
        self._countdown = Countdown()
        self._cues: deque[Cue] = deque(maxlen=KEPT_CUES)
        self._number = 0

    def restore(self, open_warnings: Iterable[WarningChange], earlier: SessionAdvice | None, now_s: float) -> None:
        """Takes over from an earlier program: its open warnings and, in flight, its turn-back times as stale ones."""
        self.warner.restore(open_warnings)
        if earlier is not None and earlier.flight.in_flight:
            for box in earlier.boxes:
                if box.turn_back_at_s is not None:
                    self._hold(box.box).restore(box.turn_back_at_s, now_s, earlier.made_at_s)

    def update(
        self, now_s: float, wall_s: float, states: Sequence[BoxState], flight: FlightShown
    ) -> tuple[SessionAdvice, list[WarningChange]]:
        """Advice at `now_s` (a clock that never steps back), and what changed in the warnings."""
        changes, boxes = [], []
        for state in states:
            held = self._held(now_s, wall_s, state)
            timed = replace(state, turn_back_in_s=None if held is None else held.at_s - wall_s)
            changes += self.warner.update(now_s, timed)
            boxes.append(judge_box(timed, self.warner.active(state.box), held))
        advice = judge_session(wall_s, boxes, flight)
        self._speak(now_s, wall_s, advice)
        return structs.replace(advice, cues=tuple(self._cues)), changes

    def acknowledge(self, box: str, kind: str | None, wall_s: float, *, stops_too: bool = True) -> list[WarningChange]:
        """A person acknowledges warning `kind` of `box`, or (None) all of them; see Warner."""
        return self.warner.acknowledge(box, kind, wall_s, stops_too=stops_too)

    def _hold(self, box: str) -> TurnBackHold:
        return self._holds.setdefault(box, TurnBackHold())

    def _held(self, now_s: float, wall_s: float, state: BoxState) -> HeldTime | None:
        hold = self._hold(state.box)
        if not state.in_flight:
            hold.clear()
            return None
        return hold.update(now_s, wall_s, None if state.is_silent else state.turn_back_in_s)

    def _speak(self, now_s: float, wall_s: float, advice: SessionAdvice) -> None:
        """Warnings that are due, and the countdown; in flight a notice is not spoken."""
        flight = advice.flight
        returning = {box.box for box in advice.boxes if box.verdict == RETURN_NOW}
        for one in self.warner.to_sound(now_s):
            lesser = one.box in returning and one.condition.flight_verdict != RETURN_NOW
            if not (flight.in_flight and (one.severity == "notice" or lesser)):
                self._cue(wall_s, one.box, one.severity, one.spoken)
        first = _first_to_turn_back(advice.boxes) if advice.boxes else None
        left_s = None if first is None or first.turn_back_at_s is None else first.turn_back_at_s - wall_s
        step_s = self._countdown.due_s(left_s, flight.in_flight and not flight.returning)
        if first is not None and step_s is not None:
            minutes = spoken_number(round(step_s / 60))
            self._cue(wall_s, first.box, "urgent", f"{first.box}: turn back in {minutes} minutes")

    def _cue(self, wall_s: float, box: str, severity: str, spoken: str) -> None:
        self._number += 1
        self._cues.append(Cue(number=self._number, at_s=wall_s, box=box, severity=severity, spoken=spoken))


def judge_box(state: BoxState, active: Sequence[ActiveWarning], held: HeldTime | None) -> BoxAdvice:
    """Advice for one box.

    Args:
        active: its warnings that are up, most severe first.
        held: its turn-back time as shown; None on the ground, or where none was ever known.
    """
    causes = [_cause_of(one, state) for one in active] + _not_raised_yet(state, active)
    base = _base(state, held)
    order = FLIGHT_VERDICTS if state.in_flight else GROUND_VERDICTS
    verdict = min((one.verdict for one in (*causes, base) if one.verdict), key=order.index)
    because = _because(verdict, causes, base)
    severity = _worst_severity(
        [one.severity for one in causes] + [base.severity if verdict == base.verdict else "none"]
    )
    if verdict == UNKNOWN and SEVERITY_RANK[severity] < SEVERITY_RANK["unknown"]:
        severity = "unknown"
    at_s = held.at_s if held else None
    shown = state.without_runtime("no data") if _is_withdrawn(state) else state
    action = _with_turn_back(verdict, because, at_s, state.returning) if state.in_flight else because.action
    advice = BoxAdvice(
        box=state.box,
        verdict=verdict,
        severity=severity,
        headline=_headline(verdict, because.facts, at_s, state.wall_s),
        sentence=f"{state.box}: {because.facts}. {action}.",
        spoken=_spoken(state, verdict, because, at_s),
        action=action,
        turn_back_at=iso(at_s),
        turn_back_at_s=at_s,
        turn_back_stale=bool(held and held.stale),
        turn_back_moved=held.moved if held else "",
        runtime_low_s=shown.runtime_low_s,
        runtime_expected_s=shown.runtime_expected_s,
        runtime_high_s=shown.runtime_high_s,
        runtime_unknown_because=None if shown.runtime_low_s is not None else shown.runtime_unknown_because,
        trust=shown.trust,
        needs_s=None if state.in_flight or state.flight_s is None else state.flight_s + state.reserve_s,
        reserve_s=state.reserve_s,
        warnings=tuple(
            ShownWarning(
                kind=one.kind,
                severity=one.severity,
                sentence=one.sentence,
                action=one.action,
                acknowledged=one.acknowledged,
            )
            for one in active
        ),
        findings=state.findings,
        start_load=state.start_load,
        start_volts=state.start_volts,
        if_silent=_if_silent(
            state.box,
            verdict,
            action,
            FlightShown(in_flight=state.in_flight, returning=state.returning),
            at_s,
            state.wall_s,
        ),
    )
    return structs.replace(advice, sum=sum_of(advice, state.time_home_s, state.flight_s, state.in_flight))


def judge_session(wall_s: float, boxes: Sequence[BoxAdvice], flight: FlightShown) -> SessionAdvice:
    """Advice for all boxes: the worst verdict counts."""
    if not boxes:
        return SessionAdvice(
            made_at=iso(wall_s) or "",
            made_at_s=wall_s,
            verdict=UNKNOWN,
            severity="unknown",
            headline="Unknown: no data from any box yet",
            sentence="No data from any box yet. Plug in a box.",
            spoken="no data yet",
            action="Plug in a box",
            flight=flight,
        )
    worst = min(boxes, key=_worst_first)
    first = worst if _has_no_time(worst) else _first_to_turn_back(boxes)
    at_s = first.turn_back_at_s
    stale = any(one.turn_back_stale for one in boxes)
    facts = worst.headline.partition(": ")[2]
    headline = f"{VERDICT_WORDS[worst.verdict]}: {worst.box}, {facts}"
    action, spoken, limiting = worst.action, worst.spoken, worst
    if worst.verdict == TURN_BACK_BY and at_s is not None:
        limiting = first
        urgent = worst.severity not in ("none", "notice")
        returning = "the pilot is returning" if flight.returning else ""
        cause = facts if worst is first else f"{worst.box}: {facts}"
        parts = (first.box, returning, first.turn_back_moved, cause if urgent else "")
        headline = _headline(worst.verdict, ", ".join(filter(None, parts)), at_s, wall_s)
        if urgent:
            action = action if worst is first else f"{worst.box}: {action[0].lower()}{action[1:]}"
        else:
            action, spoken = first.action, first.spoken
    elif worst.verdict == CLEAR_TO_LAUNCH:
        action = "Launch when you are ready"
    elif worst.verdict == UNKNOWN and at_s is not None and _comes_first(at_s, worst, flight):
        action, spoken = f"Turn back by {clock(at_s)}", f"{first.box}: turn back by {spoken_clock(at_s)}"
    ordered = tuple(sorted(boxes, key=_worst_first))
    return SessionAdvice(
        made_at=iso(wall_s) or "",
        made_at_s=wall_s,
        verdict=worst.verdict,
        severity=_worst_severity([one.severity for one in boxes]),
        headline=headline,
        sentence=f"{worst.box}: {facts}. {action}.",
        spoken=spoken,
        action=action,
        limiting_box=limiting.box,
        turn_back_at=iso(at_s),
        turn_back_at_s=at_s,
        turn_back_stale=stale,
        if_silent=_if_silent(first.box, worst.verdict, action, flight, at_s, wall_s),
        glance=glance_of(worst.verdict, action, limiting, ordered, flight, at_s, stale),
        flight=flight,
        boxes=ordered,
    )


def _cause_of(one: ActiveWarning, state: BoxState) -> _Cause:
    return _Cause(
        verdict=one.condition.verdict(state),
        severity=one.severity,
        facts=one.facts,
        action=one.action,
        spoken=one.spoken,
    )


def _is_withdrawn(state: BoxState) -> bool:
    """True where readings are too old, or none came yet: a runtime from before is not shown as present."""
    return state.silent_s is None or state.silent_s > limits.DATA_WITHDRAWN_S


def _not_raised_yet(state: BoxState, active: Sequence[ActiveWarning]) -> list[_Cause]:
    """Conditions whose verdict does not wait for their warning."""
    raised = {(one.kind, one.severity) for one in active}
    found = []
    for row in TABLE:
        if row.at_once and (row.kind, row.severity) not in raised and (facts := row.judge(state, False)):
            found.append(
                _Cause(
                    verdict=row.verdict(state),
                    severity=row.severity,
                    facts=facts,
                    action=row.action(state),
                    spoken=row.spoken(state),
                )
            )
    return found


def _base(state: BoxState, held: HeldTime | None) -> _Cause:
    """What the runtime alone makes of a launch, or of the flight."""
    if state.in_flight:
        return _base_in_flight(state, held)
    if state.is_charging:
        since = "" if state.charging_s is None else f" for {span(state.charging_s)}"
        return _Cause(
            verdict=WAIT,
            severity="none",
            facts=f"charging{since}, runtime is known under load only",
            action=f"Wait, or stop the charge to read the runtime of {state.box}",
            spoken=f"{state.box}: wait, charging",
        )
    if state.runtime_low_s is None:
        return _unknown(state, f"runtime unknown, {state.runtime_unknown_because or 'no estimate yet'}", "Wait")
    if state.flight_s is None:
        lasts = f"runtime {span(state.runtime_low_s)}, no flight length is set"
        return _unknown(state, lasts, "Set flight.length_min in groundbox.toml")
    if state.time_home_s is None:
        lasts = f"runtime {span(state.runtime_low_s)}, no time home is set"
        return _unknown(state, lasts, "Set flight.time_home_min in groundbox.toml")
    if missing := _not_reported(state):
        return _unknown(state, f"its board does not report {missing}", "Check its settings: groundbox board settings")
    if state.battery_heat_in_doubt:
        return _unknown(state, "battery temperature unknown", "Check the cable of the battery's temperature sensor")
    needs = needed(state.flight_s + state.reserve_s)
    return _Cause(
        verdict=CLEAR_TO_LAUNCH,
        severity="none",
        facts=f"runtime {span(state.runtime_low_s)}, a flight with its reserve needs {needs}",
        action="No act for this box",
        spoken=f"{state.box}: clear to launch",
    )


def _not_reported(state: BoxState) -> str:
    """Names of the board's own judgements that are unknown; a launch needs them."""
    judged = {
        "charging": state.charging,
        "case heat": state.case_heat,
        "low voltage": state.low_voltage,
        "overvoltage": state.overvoltage,
        "battery heat": state.battery_heat,
    }
    return listed(name for name, word in judged.items() if word is None)


def _base_in_flight(state: BoxState, held: HeldTime | None) -> _Cause:
    if held is None:
        why = state.runtime_unknown_because or "no estimate yet"
        if state.runtime_low_s is not None:
            why = "set flight.time_home_min in groundbox.toml"
        return _unknown(state, f"turn-back time unknown, {why}", "Return now", f"{state.box}: return now")
    if held.stale:
        when = f"{state.box}: turn back by {spoken_clock(held.at_s)}"
        return _unknown(state, f"no fresh runtime, last turn-back time {clock(held.at_s)}", "", when)
    moved = f", {held.moved}" if held.moved else ""
    returning = "the pilot is returning, " if state.returning else ""
    runtime = f"runtime {span(state.runtime_low_s or 0.0)}, reserve {needed(state.reserve_s)}"
    return _Cause(
        verdict=TURN_BACK_BY,
        severity="none",
        facts=f"{returning}{runtime}{moved}",
        action=f"Turn back by {clock(held.at_s)}" if not state.returning else "Fly home",
        spoken=f"{state.box}: fly home" if state.returning else f"{state.box}: turn back by {spoken_clock(held.at_s)}",
    )


def _unknown(state: BoxState, facts: str, action: str, spoken: str = "") -> _Cause:
    return _Cause(
        verdict=UNKNOWN,
        severity="unknown",
        facts=facts,
        action=action,
        spoken=spoken or f"{state.box}: unknown, wait",
    )


def _because(verdict: str, causes: Sequence[_Cause], base: _Cause) -> _Cause:
    """The most severe cause of the verdict; where the runtime alone makes it, an urgent warning comes first."""
    fitting = [one for one in causes if one.verdict == verdict]
    if fitting:
        return max(fitting, key=lambda one: SEVERITY_RANK[one.severity])
    urgent = [one for one in causes if one.verdict is None and one.severity in ("urgent", "stop")]
    return max(urgent, key=lambda one: SEVERITY_RANK[one.severity]) if urgent and verdict != UNKNOWN else base


def _with_turn_back(verdict: str, because: _Cause, at_s: float | None, returning: bool) -> str:
    """In flight with nothing fresh known: the last turn-back time, or return now, before what else to do."""
    if verdict != UNKNOWN:
        return because.action
    home = _HOME[1] if returning else _HOME[0] if at_s is None else f"Turn back by {clock(at_s)}"
    rest = "" if because.action in ("", home) else f", {because.action[0].lower()}{because.action[1:]}"
    return home + rest


def _spoken(state: BoxState, verdict: str, because: _Cause, at_s: float | None) -> str:
    """In flight with nothing known the act is to return, whatever the cause asks for beside it."""
    if state.in_flight and verdict == UNKNOWN and at_s is None and not state.returning:
        return f"{state.box}: return now, runtime unknown"
    return because.spoken


def _headline(verdict: str, facts: str, at_s: float | None, wall_s: float) -> str:
    if verdict == TURN_BACK_BY and at_s is not None:
        left = f", in {span(at_s - wall_s)}" if at_s > wall_s else ""
        return f"Turn back by {clock(at_s)}{left}: {facts}"
    return f"{VERDICT_WORDS[verdict]}: {facts}"


def _worst_severity(severities: Iterable[str]) -> str:
    return max(severities, key=lambda one: SEVERITY_RANK[one], default="none")


def _comes_first(at_s: float, worst: BoxAdvice, flight: FlightShown) -> bool:
    """True where another box's turn-back time comes before that of the worst box, and nobody flies home yet."""
    return worst.turn_back_at_s is not None and at_s < worst.turn_back_at_s and not flight.returning


def _worst_first(box: BoxAdvice) -> tuple[int, bool, int, float]:
    return WORST_FIRST.index(box.verdict), not _has_no_time(box), -SEVERITY_RANK[box.severity], _margin_s(box)


def _has_no_time(box: BoxAdvice) -> bool:
    """True in flight where no turn-back time was ever known: then no other box's time is that of all."""
    return box.verdict == UNKNOWN and box.turn_back_at_s is None and box.action.startswith(_HOME)


def _margin_s(box: BoxAdvice) -> float:
    """The smaller, the sooner this box limits."""
    if box.turn_back_at_s is not None:
        return box.turn_back_at_s
    return (box.runtime_low_s or 0.0) - (box.needs_s or 0.0)  # in flight with no time known: first of all


def _first_to_turn_back(boxes: Sequence[BoxAdvice]) -> BoxAdvice:
    """The box with the earliest turn-back time; the first box where none has one."""
    return min(boxes, key=lambda one: float("inf") if one.turn_back_at_s is None else one.turn_back_at_s)


def _if_silent(
    box: str, verdict: str, action: str, flight: FlightShown, at_s: float | None, wall_s: float
) -> tuple[IfSilent, ...]:
    """What viewers show and speak when nothing newer comes; a verdict never gets better by silence.

    Args:
        verdict, action: the present ones.
        at_s: the turn-back time as shown; None: none is known.
    """
    if not flight.in_flight:
        stays = verdict if verdict == DO_NOT_LAUNCH else UNKNOWN
        check = action if verdict == DO_NOT_LAUNCH else "Check that `groundbox log` is running"
        return (
            _silent(limits.RECORDER_STALE_S, stays, "no data", check, ""),
            _silent(limits.NO_DATA_GROUND_S, stays, "no data", check, f"{box}: no data"),
        )
    after_s = limits.NO_DATA_FLIGHT_S
    now = f"{box}: no data, return now"
    if verdict == RETURN_NOW:
        return (_silent(after_s, RETURN_NOW, "no data", action, now),)
    if flight.returning:
        return (_silent(after_s, UNKNOWN, "no data, the pilot is returning", "Fly home", f"{box}: no data, fly home"),)
    if at_s is None:
        return (_silent(after_s, UNKNOWN, "no data", "Return now", now),)
    last, by = f"no data, last turn-back time {clock(at_s)}", f"{box} no data turn back {spoken_clock(at_s)}"
    return (
        _silent(after_s, UNKNOWN, last, f"Turn back by {clock(at_s)}", by),
        _silent(max(at_s - wall_s, after_s + 1.0), RETURN_NOW, f"{last} has passed", "Return now", now),
    )


def _silent(after_s: float, verdict: str, facts: str, action: str, spoken: str) -> IfSilent:
    headline = f"{VERDICT_WORDS[verdict]}: {facts}"
    return IfSilent(
        after_s=after_s,
        verdict=verdict,
        severity="stop",
        headline=headline,
        action=action,
        spoken=spoken,
        word=VERDICT_WORDS[verdict].upper(),
    )

"""What a scenario expects, in plain sentences of our own, and whether a run did it.

COND is a condition of conditions.py, as `case above 45 C` or `fans full`. TIME is a span: `10 s`, `5 min`, `2 h`.
MOMENT is `start`, `end`, a clock time, or a row of [[happens]] as `THING becoming VALUE`.

    SUBJECT never|always REST [WINDOW]            case never above 55 C;  output 1 always on from 12:10
    COND within TIME of MOMENT                    fans full within 6 s of case becoming open
    COND before COND[, not before COND]           warning heat notice before case above 47 C, not before case above 44 C
    COND not before COND|MOMENT
    COND stays until COND|MOMENT                  output 2 told dropped stays until charging yes
    whenever COND, COND within TIME               whenever case sensor open, fans full within 4 s
    whenever COND, COND meanwhile                 true at every moment, a tenth of a second of grace at both ends
    SUBJECT peaks between X and Y UNIT [WINDOW]   case peaks between 41 and 44 C
    fans no more than N starts an hour
    COND N times [WINDOW]                         output 2 told dropped 1 times
    COND for at most|at least TIME in one piece [WINDOW]
    event KIND N times [WINDOW]
    board starts N times
    watchdog never bites
    every record arrives
    no step late
    back to normal within TIME of MOMENT          no warning up, nothing signalled, and so to the end

WINDOW is one or more of `from MOMENT`, `until MOMENT`, `while COND`.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from groundbox.errors import BadInput
from groundbox.rig.conditions import Condition, Spans, Subject, condition, subject
from groundbox.rig.happenings import Happening
from groundbox.rig.trace import Trace
from groundbox.toml_file import near
from groundbox.wire.messages import EVENTS

_TIME = r"(\d+(?:\.\d+)?) (s|min|h)"
_SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0}
_GRACE_S = 0.15
_TICK_S = 1.0  # truth and readings are looked at once a second


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Whether an expectation was met: the moment it was decided at and the values found there."""

    passed: bool
    at_s: float | None
    found: str


Judge = Callable[[Trace], Verdict]


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """One sentence; `judges` all have to pass, the first that does not speaks."""

    text: str
    judges: tuple[Judge, ...]

    def judge(self, trace: Trace) -> Verdict:
        """Whether the run did it."""
        verdicts = [judge(trace) for judge in self.judges]
        return next((verdict for verdict in verdicts if not verdict.passed), verdicts[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """What moments mean in one file: its clock, what happens, its end."""

    clock: Callable[[str, str], float]
    happenings: Sequence[Happening]
    end_s: float

    def at_s(self, text: str, place: str) -> float:
        """Seconds since the beginning; ValueError with the mend."""
        if text in ("start", "end"):
            return 0.0 if text == "start" else self.end_s
        becoming = re.fullmatch(r"(\S+) becoming (\S+)", text)
        if becoming:
            for one in self.happenings:
                if one.at_s > 0 and _says(one, *becoming.groups()):
                    return one.at_s
            raise ValueError(f'"{text}": no row of [[happens]] says so')
        try:
            return self.clock(text, place)
        except BadInput:
            raise ValueError(f'"{text}" is no moment: start, end, 13:05:30, or THING becoming VALUE') from None


def _says(one: Happening, thing: str, value: str) -> bool:
    try:
        return one.thing == thing and one.value in (value, float(value))
    except ValueError:
        return one.thing == thing and one.value == value


def parse(text: str, source: str, place: str, moments: Moments) -> Expectation:
    """The expectation a sentence stands for.

    Raises:
        BadInput: the word that is not understood, and what to write.
    """
    try:
        return Expectation(text=text, judges=_Parser(moments, place).sentence(" ".join(text.split())))
    except ValueError as error:
        raise BadInput(source, place, f'"{text}": {error}') from None


class _Parser:
    def __init__(self, moments: Moments, place: str) -> None:
        self._moments, self._place = moments, place

    def sentence(self, text: str) -> tuple[Judge, ...]:
        for pattern, build in self._forms():
            found = re.fullmatch(pattern, text)
            if found:
                return build(*found.groups(default=""))
        raise ValueError("is not a sentence known here; their forms stand in `groundbox rig --help`")

    def _forms(self) -> tuple[tuple[str, Callable[..., tuple[Judge, ...]]], ...]:
        window = r"((?: (?:from|until|while) .+)?)"
        return (
            (r"every record arrives", lambda: (_all_arrived,)),
            (r"watchdog never bites", lambda: (_no_bite,)),
            (r"no step late", lambda: (_no_late_step,)),
            (r"board starts (\d+) times?", lambda n: (_starts(int(n)),)),
            (rf"event (\w+) (\d+) times?{window}", self._event),
            (rf"back to normal within {_TIME} of (.+)", self._normal),
            (r"fans no more than (\d+) starts an hour", lambda n: (_fan_starts(int(n)),)),
            (rf"whenever (.+), (.+) within {_TIME}", self._whenever),
            (r"whenever (.+), (.+) meanwhile", self._meanwhile),
            (rf"(.+) peaks between (-?[\d.]+) and (-?[\d.]+) (\S+?){window}", self._peaks),
            (rf"(.+) for at (most|least) {_TIME} in one piece{window}", self._for),
            (rf"(.+?) (never|always) (.+?){window}", self._ever),
            (rf"(.+) within {_TIME} of (.+)", self._within),
            (r"(.+) stays until (.+)", self._stays),
            (r"([^,]+?) not before ([^,]+)", self._only_not_before),
            (r"([^,]+?) before ([^,]+?)(?:, not before (.+))?", self._before),
            (rf"(.+?) (\d+) times?{window}", self._times),
        )

    def _subjects(self, text: str) -> list[Subject]:
        found = subject(text)
        if found is None:
            names = ("case", "block", "battery", "fans", "output 1", "fan 1", "case sensor", "buzzer", "warning heat")
            raise ValueError(f'nothing is called "{text}"; {near(text, names)}')
        return found

    def _conditions(self, text: str) -> list[Condition]:
        """A condition, in both views where it is a warning."""
        words = text.split(" ")
        for cut in range(len(words) - 1, 0, -1):
            found = subject(" ".join(words[:cut]))
            if found:
                return [self._condition(one, " ".join(words[cut:])) for one in found]
        return [self._condition(one, "") for one in self._subjects(text)]

    def _condition(self, one: Subject, words: str) -> Condition:
        made = condition(one, words)
        if isinstance(made, str):
            raise ValueError(made)
        return made

    def _one(self, text: str) -> Condition:
        return self._conditions(text)[0]

    def _moment(self, text: str) -> float:
        return self._moments.at_s(text, self._place)

    def _window(self, text: str) -> Callable[[Trace], Spans]:
        """The part of a run that counts."""
        low_s, high_s, when = 0.0, self._moments.end_s, None
        rest = text.strip()
        while rest:
            word, _, rest = rest.partition(" ")
            cut = re.search(r" (?:from|until|while) ", rest)
            part, rest = (rest[: cut.start()], rest[cut.start() + 1 :]) if cut else (rest, "")
            if word == "from":
                low_s = self._moment(part)
            elif word == "until":
                high_s = self._moment(part)
            else:
                when = self._one(part)
        if low_s >= high_s:
            raise ValueError("the part of the run it looks at is empty")
        chosen = when
        return lambda trace: _cut(chosen.spans(trace) if chosen else [(0.0, trace.end_s)], low_s, high_s)

    def _ever(self, name: str, word: str, rest: str, window: str) -> tuple[Judge, ...]:
        spans = self._window(window)
        made = [self._condition(one, rest) for one in self._subjects(name)]
        return tuple((_never if word == "never" else _always)(one, spans) for one in made)

    def _within(self, what: str, number: str, unit: str, of: str) -> tuple[Judge, ...]:
        from_s, wait_s = self._moment(of), float(number) * _SECONDS[unit]
        return tuple(_within(one, from_s, from_s + wait_s) for one in self._conditions(what))

    def _before(self, what: str, limit: str, earliest: str) -> tuple[Judge, ...]:
        late = self._one(limit)
        early = self._one(earliest) if earliest else None
        made = self._conditions(what)
        judges = [_ordered(one, late, want_first=True) for one in made]
        return tuple(judges + [_ordered(early, one, want_first=True) for one in made if early])

    def _only_not_before(self, what: str, earliest: str) -> tuple[Judge, ...]:
        made = self._conditions(what)
        try:
            early = self._one(earliest)
        except ValueError:
            at_s = self._moment(earliest)
            return tuple(_never(one, lambda trace: [(0.0, at_s)]) for one in made)
        return tuple(_ordered(early, one, want_first=True) for one in made)

    def _stays(self, what: str, until: str) -> tuple[Judge, ...]:
        try:
            end = self._one(until)
        except ValueError:
            at_s = self._moment(until)
            return tuple(_stays(one, lambda trace, from_s: at_s) for one in self._conditions(what))
        return tuple(_stays(one, lambda trace, from_s: _first(end, trace, from_s)) for one in self._conditions(what))

    def _whenever(self, cause: str, what: str, number: str, unit: str) -> tuple[Judge, ...]:
        wait_s = float(number) * _SECONDS[unit]
        return tuple(_whenever(self._one(cause), one, wait_s) for one in self._conditions(what))

    def _meanwhile(self, cause: str, what: str) -> tuple[Judge, ...]:
        first = self._one(cause)
        return tuple(
            _always(
                one, lambda trace: [(a + _GRACE_S, b - _GRACE_S) for a, b in first.spans(trace) if b - a > 2 * _GRACE_S]
            )
            for one in self._conditions(what)
        )

    def _peaks(self, name: str, low: str, high: str, unit: str, window: str) -> tuple[Judge, ...]:
        (one,) = self._subjects(name)
        if one.unit != unit:
            raise ValueError(f"{name} is in {one.unit or 'words'}, not {unit}")
        return (_peaks(one, float(low), float(high), self._window(window)),)

    def _times(self, what: str, n: str, window: str) -> tuple[Judge, ...]:
        spans = self._window(window)
        return tuple(_times(one, int(n), spans) for one in self._conditions(what))

    def _for(self, what: str, bound: str, number: str, unit: str, window: str) -> tuple[Judge, ...]:
        spans, limit_s = self._window(window), float(number) * _SECONDS[unit]
        return tuple(_pieces(one, limit_s, bound == "most", spans) for one in self._conditions(what))

    def _event(self, kind: str, n: str, window: str) -> tuple[Judge, ...]:
        if kind not in EVENTS:
            raise ValueError(f"no event is called {kind}; {near(kind, EVENTS)}")
        return (_events(kind, int(n), self._window(window)),)

    def _normal(self, number: str, unit: str, of: str) -> tuple[Judge, ...]:
        from_s = self._moment(of) + float(number) * _SECONDS[unit]
        return (lambda trace: _is_normal(trace, from_s),)


def _cut(spans: Spans, low_s: float, high_s: float) -> Spans:
    return [(max(a, low_s), min(b, high_s)) for a, b in spans if min(b, high_s) > max(a, low_s)]


def _overlap(spans: Spans, others: Spans) -> Spans:
    return [part for low_s, high_s in others for part in _cut(spans, low_s, high_s)]


def _holes(spans: Spans, others: Spans) -> Spans:
    """What of `others` is not in `spans`."""
    found: Spans = []
    for low_s, high_s in others:
        at_s = low_s
        for a, b in _cut(spans, low_s, high_s):
            if a > at_s:
                found.append((at_s, a))
            at_s = b
        if at_s < high_s:
            found.append((at_s, high_s))
    return found


def _first(one: Condition, trace: Trace, from_s: float = 0.0) -> float | None:
    found = _cut(one.spans(trace), from_s, trace.end_s)
    return found[0][0] if found else None


def _nothing(what: str) -> Verdict:
    return Verdict(passed=False, at_s=None, found=f"{what} never came, so this was not put to the test")


def _never(one: Condition, window: Callable[[Trace], Spans]) -> Judge:
    def judge(trace: Trace) -> Verdict:
        looked = window(trace)
        if not looked:
            return _nothing("its time")
        found = _overlap(one.spans(trace), looked)
        if not found:
            return Verdict(passed=True, at_s=None, found="")
        return Verdict(passed=False, at_s=found[0][0], found=one.value_at(trace, found[0][0]))

    return judge


def _always(one: Condition, window: Callable[[Trace], Spans]) -> Judge:
    def judge(trace: Trace) -> Verdict:
        looked = window(trace)
        if not looked:
            return _nothing("its time")
        found = _holes(one.spans(trace), looked)
        if not found:
            return Verdict(passed=True, at_s=None, found="")
        return Verdict(passed=False, at_s=found[0][0], found=one.value_at(trace, found[0][0]))

    return judge


def _within(one: Condition, from_s: float, to_s: float) -> Judge:
    def judge(trace: Trace) -> Verdict:
        at_s = _first(one, trace, from_s)
        if at_s is not None and at_s <= to_s:
            return Verdict(passed=True, at_s=at_s, found=f"after {at_s - from_s:.1f} s")
        when = "never" if at_s is None else f"only after {at_s - from_s:.1f} s"
        return Verdict(
            passed=False, at_s=min(to_s, trace.end_s), found=f"{one.text} {when}; {one.value_at(trace, to_s)}"
        )

    return judge


def _ordered(first: Condition, second: Condition, want_first: bool) -> Judge:
    """`first` has to come, and before `second` if that comes at all."""

    def judge(trace: Trace) -> Verdict:
        a_s, b_s = _first(first, trace), _first(second, trace)
        if a_s is None:
            return Verdict(passed=False, at_s=b_s, found=f"{first.text} never")
        if b_s is not None and b_s < a_s:
            return Verdict(passed=False, at_s=b_s, found=f"{second.text} came {a_s - b_s:.1f} s before {first.text}")
        return Verdict(passed=True, at_s=a_s, found=first.value_at(trace, a_s))

    return judge


def _stays(one: Condition, end: Callable[[Trace, float], float | None]) -> Judge:
    def judge(trace: Trace) -> Verdict:
        from_s = _first(one, trace)
        if from_s is None:
            return _nothing(one.text)
        until_s = end(trace, from_s)
        until_s = trace.end_s if until_s is None else until_s
        left = _holes(one.spans(trace), [(from_s, max(from_s, until_s - _TICK_S))]) if until_s > from_s else []
        if left:
            return Verdict(passed=False, at_s=left[0][0], found=one.value_at(trace, left[0][0]))
        return Verdict(passed=True, at_s=from_s, found=f"for {until_s - from_s:.0f} s")

    return judge


def _whenever(cause: Condition, one: Condition, wait_s: float) -> Judge:
    def judge(trace: Trace) -> Verdict:
        causes, holds = cause.spans(trace), one.spans(trace)
        if not causes:
            return _nothing(cause.text)
        for begin_s, end_s in causes:
            judged = (begin_s + wait_s, end_s - _TICK_S)
            late = _holes(holds, [judged]) if judged[0] < judged[1] else []
            if late:
                at_s = late[0][0]
                return Verdict(
                    passed=False,
                    at_s=at_s,
                    found=f"{cause.text} since {at_s - begin_s:.1f} s; {one.value_at(trace, at_s)}",
                )
        return Verdict(passed=True, at_s=None, found=f"{len(causes)} times")

    return judge


def _peaks(one: Subject, low: float, high: float, window: Callable[[Trace], Spans]) -> Judge:
    def judge(trace: Trace) -> Verdict:
        looked = window(trace)
        values = [
            (value, at_s)
            for at_s, value in one.steps(trace)
            if isinstance(value, int | float) and any(a <= at_s <= b for a, b in looked)
        ]
        if not values:
            return _nothing(one.name)
        most, at_s = max(values)
        return Verdict(passed=low <= most <= high, at_s=at_s, found=f"{one.name} peaks at {most:.4g} {one.unit}")

    return judge


def _times(one: Condition, n: int, window: Callable[[Trace], Spans]) -> Judge:
    def judge(trace: Trace) -> Verdict:
        found = _overlap(one.spans(trace), window(trace))
        last_s = found[-1][0] if found else None
        return Verdict(passed=len(found) == n, at_s=last_s, found=f"{one.text} {len(found)} times")

    return judge


def _pieces(one: Condition, limit_s: float, most: bool, window: Callable[[Trace], Spans]) -> Judge:
    """A piece that the window or the end of the run cuts short is only judged when it is too long."""

    def judge(trace: Trace) -> Verdict:
        whole = one.spans(trace)
        found = _overlap(whole, window(trace))
        if not found:
            return _nothing(one.text)
        for a, b in found:
            long, short = b - a > limit_s + _GRACE_S, b - a < limit_s - _GRACE_S
            if long if most else short and (a, b) in whole and b < trace.end_s:
                return Verdict(passed=False, at_s=a, found=f"{one.text} for {b - a:.1f} s")
        return Verdict(passed=True, at_s=None, found=f"{len(found)} times")

    return judge


def _events(kind: str, n: int, window: Callable[[Trace], Spans]) -> Judge:
    def judge(trace: Trace) -> Verdict:
        found = [s for s, event in trace.events if event.kind == kind and any(a <= s <= b for a, b in window(trace))]
        return Verdict(passed=len(found) == n, at_s=found[-1] if found else None, found=f"{len(found)} times")

    return judge


def _fan_starts(most: int) -> Judge:
    def judge(trace: Trace) -> Verdict:
        steps = [(at_s, max(percents, default=0) > 0) for at_s, percents, _, _ in trace.drives]
        starts = [b_s for (_, was), (b_s, runs) in zip(steps, steps[1:], strict=False) if runs and not was]
        for n, at_s in enumerate(starts):
            inside = [s for s in starts[n:] if s < at_s + 3600]
            if len(inside) > most:
                return Verdict(passed=False, at_s=inside[-1], found=f"{len(inside)} starts in the hour from there back")
        return Verdict(passed=True, at_s=None, found=f"{len(starts)} starts in all")

    return judge


def _starts(n: int) -> Judge:
    def judge(trace: Trace) -> Verdict:
        found = ", ".join(cause for _, cause in trace.starts)
        return Verdict(passed=len(trace.starts) == n, at_s=trace.starts[-1][0], found=f"started by {found}")

    return judge


def _no_bite(trace: Trace) -> Verdict:
    bites = [at_s for at_s, cause in trace.starts[1:] if cause == "watchdog"]
    return Verdict(passed=not bites, at_s=bites[0] if bites else None, found=f"{len(bites)} times")


def _all_arrived(trace: Trace) -> Verdict:
    return Verdict(passed=not trace.missing, at_s=None, found=f"{trace.missing} records missing")


def _no_late_step(trace: Trace) -> Verdict:
    return Verdict(passed=not trace.late_steps, at_s=None, found=f"{trace.late_steps} late steps")


def _is_normal(trace: Trace, from_s: float) -> Verdict:
    up: dict[str, float] = {}
    for at_s, change in trace.warnings:
        if change.change == "raised":
            up.setdefault(change.warning, at_s)
        elif change.change == "cleared":
            up.pop(change.warning, None)
            if at_s > from_s:
                return Verdict(passed=False, at_s=at_s, found=f"warning {change.warning} was up until then")
    if up:
        kind, at_s = next(iter(up.items()))
        return Verdict(passed=False, at_s=at_s, found=f"warning {kind} is up to the end")
    noisy = [at_s for at_s, _, _, buzzer in trace.drives if buzzer and at_s > from_s]
    if noisy:
        return Verdict(passed=False, at_s=noisy[0], found="the buzzer sounded")
    return Verdict(passed=True, at_s=from_s, found="")

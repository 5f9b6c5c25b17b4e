"""What a scenario expects, in plain sentences, and whether a run did it.

COND is a condition of conditions.py, as `case above 45 °C` or `fans full`. TIME is a span: `10 s`, `5 min`, `2 h`.
MOMENT is `start`, `end`, a clock time, or a row of [[change]] as `THING becoming VALUE`.

    SUBJECT never|always REST [WINDOW]            case never above 55 °C;  output 1 always on from 12:10
    COND within TIME of MOMENT                    fans full within 6 s of case becoming open
    COND before COND[, not before COND]           case heat notice before case above 47 °C, not before case above 44 °C
    COND not before COND|MOMENT
    once COND, holds until COND|MOMENT            once output 2 reported shed, holds until charging yes
    whenever COND, COND within TIME               whenever case sensor open, fans full within 4 s
    whenever COND, COND throughout                true at every moment, a tenth of a second of grace at both ends
    SUBJECT maximum between X and Y UNIT [WINDOW] case maximum between 41 and 44 °C
    fans start at most N times an hour
    COND N times [WINDOW]                         output 2 reported shed 1 time
    COND for at most|at least TIME each time [WINDOW]
    event KIND N times [WINDOW]
    board starts N times
    watchdog never restarts the board
    every record arrives
    no control step late
    back to normal within TIME of MOMENT          no warning active and the buzzer silent, from then to the end

WINDOW is one or more of `from MOMENT`, `until MOMENT`, `while COND`.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from groundbox.errors import BadInput
from groundbox.rig import judges
from groundbox.rig.changes import SimChange
from groundbox.rig.conditions import ScenarioCondition, Spans, Subject, condition, subject
from groundbox.rig.judges import Judge, RigVerdict
from groundbox.rig.trace import Trace
from groundbox.toml_file import near
from groundbox.wire.messages import EVENTS

_TIME = r"(\d+(?:\.\d+)?) (s|min|h)"
_DEGREES = re.compile(r"(\d) C\b")  # a keyboard may have no degree sign
_SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """One sentence; all `judges` have to pass, the first that does not gives the verdict."""

    text: str
    judges: tuple[Judge, ...]

    def judge(self, trace: Trace) -> RigVerdict:
        """Whether the run did it."""
        verdicts = [judge(trace) for judge in self.judges]
        return next((verdict for verdict in verdicts if not verdict.passed), verdicts[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """The moments of one file: its clock, its changes, its end."""

    clock: Callable[[str, str], float]
    changes: Sequence[SimChange]
    end_s: float

    def at_s(self, text: str, place: str) -> float:
        """Seconds since the beginning; ValueError with what to write."""
        if text in ("start", "end"):
            return 0.0 if text == "start" else self.end_s
        becoming = re.fullmatch(r"(\S+) becoming (\S+)", text)
        if becoming:
            for one in self.changes:
                if one.at_s > 0 and _matches(one, *becoming.groups()):
                    return one.at_s
            raise ValueError(f'"{text}": no row of [[change]] has it')
        try:
            at_s = self.clock(text, place)
        except BadInput:
            raise ValueError(f'"{text}" is no moment; write start, end, 13:05:30, or THING becoming VALUE') from None
        return self.inside(at_s, f'"{text}"')

    def inside(self, at_s: float, what: str) -> float:
        """`at_s`; ValueError when that is after the end of the run, where nothing is judged."""
        if at_s > self.end_s:
            raise ValueError(f"{what} is after the end of the run: lengthen lasts_min, or name an earlier time")
        return at_s


def _matches(one: SimChange, thing: str, value: str) -> bool:
    try:
        return one.thing == thing and one.value in (value, float(value))
    except ValueError:
        return one.thing == thing and one.value == value


def parse(text: str, source: str, place: str, moments: Moments) -> Expectation:
    """The expectation that a sentence describes.

    Raises:
        BadInput: the word that is not known, and what to write.
    """
    try:
        return Expectation(
            text=text, judges=_Parser(moments, place).sentence(_DEGREES.sub(r"\1 °C", " ".join(text.split())))
        )
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
        raise ValueError("is not a known form of sentence; `groundbox rig --help` lists the forms")

    def _forms(self) -> tuple[tuple[str, Callable[..., tuple[Judge, ...]]], ...]:
        window = r"((?: (?:from|until|while) .+)?)"
        return (
            (r"every record arrives", lambda: (judges.all_arrived,)),
            (r"watchdog never restarts the board", lambda: (judges.no_watchdog,)),
            (r"no control step late", lambda: (judges.no_late_step,)),
            (r"board starts (\d+) times?", lambda n: (judges.starts(int(n)),)),
            (rf"event (\w+) (\d+) times?{window}", self._event),
            (rf"back to normal within {_TIME} of (.+)", self._normal),
            (r"fans start at most (\d+) times? an hour", lambda n: (judges.fan_starts(int(n)),)),
            (rf"whenever (.+), (.+) within {_TIME}", self._whenever),
            (r"whenever (.+), (.+) throughout", self._throughout),
            (rf"(.+) maximum between (-?[\d.]+) and (-?[\d.]+) (\S+?){window}", self._maximum),
            (rf"(.+) for at (most|least) {_TIME} each time{window}", self._for),
            (rf"(.+?) (never|always) (.+?){window}", self._ever),
            (rf"(.+) within {_TIME} of (.+)", self._within),
            (r"once (.+), holds until (.+)", self._holds),
            (r"([^,]+?) not before ([^,]+)", self._only_not_before),
            (r"([^,]+?) before ([^,]+?)(?:, not before (.+))?", self._before),
            (rf"(.+?) (\d+) times?{window}", self._times),
        )

    def _subjects(self, text: str) -> list[Subject]:
        found = subject(text)
        if found is None:
            names = ("case", "battery", "voltage", "fans", "output 1", "fan 1", "case sensor", "buzzer", "warning heat")
            raise ValueError(f'nothing is called "{text}"; {near(text, names)}')
        return found

    def _conditions(self, text: str) -> list[ScenarioCondition]:
        """A condition, in both views where it is a warning."""
        words = text.split(" ")
        for cut in range(len(words) - 1, 0, -1):
            found = subject(" ".join(words[:cut]))
            if found:
                return [self._condition(one, " ".join(words[cut:])) for one in found]
        return [self._condition(one, "") for one in self._subjects(text)]

    def _condition(self, one: Subject, words: str) -> ScenarioCondition:
        made = condition(one, words)
        if isinstance(made, str):
            raise ValueError(made)
        return made

    def _one(self, text: str) -> ScenarioCondition:
        return self._conditions(text)[0]

    def _moment(self, text: str) -> float:
        return self._moments.at_s(text, self._place)

    def _later(self, moment: str, number: str, unit: str) -> float:
        at_s = self._moment(moment) + float(number) * _SECONDS[unit]
        return self._moments.inside(at_s, f"{number} {unit} after {moment}")

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
        return lambda trace: judges.cut(chosen.spans(trace) if chosen else [(0.0, trace.end_s)], low_s, high_s)

    def _ever(self, name: str, word: str, rest: str, window: str) -> tuple[Judge, ...]:
        spans = self._window(window)
        made = [self._condition(one, rest) for one in self._subjects(name)]
        return tuple((judges.never if word == "never" else judges.always)(one, spans) for one in made)

    def _within(self, what: str, number: str, unit: str, of: str) -> tuple[Judge, ...]:
        from_s, to_s = self._moment(of), self._later(of, number, unit)
        return tuple(judges.within(one, from_s, to_s) for one in self._conditions(what))

    def _before(self, what: str, limit: str, earliest: str) -> tuple[Judge, ...]:
        late = self._one(limit)
        early = self._one(earliest) if earliest else None
        made = self._conditions(what)
        found = [judges.ordered(one, late) for one in made]
        return tuple(found + [judges.ordered(early, one) for one in made if early])

    def _only_not_before(self, what: str, earliest: str) -> tuple[Judge, ...]:
        made = self._conditions(what)
        try:
            early = self._one(earliest)
        except ValueError:
            at_s = self._moment(earliest)
            return tuple(judges.never(one, lambda trace: [(0.0, at_s)]) for one in made)
        return tuple(judges.ordered(early, one) for one in made)

    def _holds(self, what: str, until: str) -> tuple[Judge, ...]:
        try:
            end = self._one(until)
        except ValueError:
            at_s = self._moment(until)
            return tuple(judges.holds(one, lambda trace, from_s: at_s) for one in self._conditions(what))
        return tuple(
            judges.holds(one, lambda trace, from_s: judges.first(end, trace, from_s)) for one in self._conditions(what)
        )

    def _whenever(self, cause: str, what: str, number: str, unit: str) -> tuple[Judge, ...]:
        wait_s = float(number) * _SECONDS[unit]
        return tuple(judges.whenever(self._one(cause), one, wait_s) for one in self._conditions(what))

    def _throughout(self, cause: str, what: str) -> tuple[Judge, ...]:
        first = self._one(cause)
        return tuple(judges.always(one, lambda trace: judges.inside(first, trace)) for one in self._conditions(what))

    def _maximum(self, name: str, low: str, high: str, unit: str, window: str) -> tuple[Judge, ...]:
        (one,) = self._subjects(name)
        if one.unit != unit:
            raise ValueError(f"{name} is in {one.unit or 'words'}, not {unit}")
        return (judges.maximum(one, float(low), float(high), self._window(window)),)

    def _times(self, what: str, n: str, window: str) -> tuple[Judge, ...]:
        spans = self._window(window)
        return tuple(judges.times(one, int(n), spans) for one in self._conditions(what))

    def _for(self, what: str, bound: str, number: str, unit: str, window: str) -> tuple[Judge, ...]:
        spans, limit_s = self._window(window), self._later("start", number, unit)
        return tuple(judges.each_time(one, limit_s, bound == "most", spans) for one in self._conditions(what))

    def _event(self, kind: str, n: str, window: str) -> tuple[Judge, ...]:
        if kind not in EVENTS:
            raise ValueError(f"no event is called {kind}; {near(kind, EVENTS)}")
        return (judges.events(kind, int(n), self._window(window)),)

    def _normal(self, number: str, unit: str, of: str) -> tuple[Judge, ...]:
        from_s = self._later(of, number, unit)
        return (lambda trace: judges.is_normal(trace, from_s),)

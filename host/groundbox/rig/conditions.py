"""Conditions an expectation can name, and when they held in a run. expect.py has the sentences around them.

Numbers, with `above X UNIT` or `below X UNIT`:

    case, walls, battery          true temperatures, C
    battery, equipment          true volts at the posts and at the loads, V
    current                     out of the battery, A
    charge                      of the battery, %
    air                         through the case, m3/h
    fan 1 speed                 rpm
    case shown, battery shown, intake shown, voltage shown, lowest shown, highest shown, check shown, current shown,
    fan 1 shown                 what the board said
    case error, battery error, voltage error, current error      how far that is from the truth, either way

Words:

    fans            off, on, full, lowest        as the board drives them; `lowest` is on and not full
    output 1        on, off                      as driven
    buzzer          sounding, quiet
    board           up, down
    load NAME       working, starved
    fan 1           off, starting, running, stalled, unsupervised, absent        as the board said, as all below
    output 1 told   on, off, dropped, absent
    case sensor     ok, open, shorted, range, frozen, disagree, silent, absent
                    likewise voltage, check, current, battery, intake
    low voltage, overvoltage, case heat          clear, notice, urgent, stop
    charging        no, yes, cold, warm, hot
    place           ground, flight
    warning KIND    up, clear, notice, urgent, stop       each of these levels or a worse one; see below

A warning is judged twice: as the host's table raises it and, where the board signals the same by itself, as the board
said it; both have to do what is expected.
"""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from operator import attrgetter

from groundbox.advice.table import KINDS
from groundbox.model import Reading
from groundbox.rig.trace import Steps, Trace
from groundbox.wire import messages

Spans = list[tuple[float, float]]
_LEVELS = messages.LEVELS
_FAULTS = ("open", "shorted", "range", "frozen", "silent")
_CHARGE = {"no": "clear", "yes": "clear", "cold": "urgent", "warm": "urgent", "hot": "stop"}
_SHOWN = {
    "case": ("case_c", "C"),
    "battery": ("battery_c", "C"),
    "intake": ("intake_c", "C"),
    "voltage": ("battery_volts", "V"),
    "lowest": ("battery_min_volts", "V"),
    "highest": ("battery_max_volts", "V"),
    "check": ("check_volts", "V"),
    "current": ("battery_amps", "A"),
}
_TRUE = {"case": "C", "walls": "C", "battery": "C", "voltage": "V", "equipment": "V", "current": "A", "charge": "%"}
_TRUE |= {"air": "m3/h"}
_LEVEL_FIELDS = {"low voltage": "low_voltage", "overvoltage": "overvoltage", "case heat": "case_heat"}
_LEVEL_FIELDS |= {"charging": "charging", "place": "place"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """Something with a value over time.

    Attributes:
        name: as written.
        unit: of a number; "" for words.
        words: it can be.
        steps: its value over time in a run.
    """

    name: str
    steps: Callable[[Trace], Steps]
    unit: str = ""
    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """A subject that is as said; `text` as written."""

    text: str
    subject: Subject
    holds: Callable[[float | str], bool]

    def spans(self, trace: Trace) -> Spans:
        """When it held; what is unknown does not hold."""
        found: Spans = []
        steps = self.subject.steps(trace)
        for (at_s, value), end_s in zip(steps, [*(at for at, _ in steps[1:]), trace.end_s], strict=True):
            if value is not None and self.holds(value) and end_s > at_s:
                if found and found[-1][1] >= at_s:
                    found[-1] = (found[-1][0], end_s)
                else:
                    found.append((at_s, end_s))
        return found

    def value_at(self, trace: Trace, at_s: float) -> str:
        """The subject's value then, to show."""
        value: float | str | None = None
        for from_s, step in self.subject.steps(trace):
            if from_s > at_s + 1e-9:
                break
            value = step
        shown = "no reading" if value is None else value if isinstance(value, str) else f"{value:.4g}"
        return f"{self.subject.name} {shown} {self.subject.unit}".rstrip()


def subject(text: str) -> list[Subject] | None:
    """The subject called `text`, a warning as the host's and the board's; None when nothing is called so."""
    kind = re.fullmatch(r"warning (\w+)", text)
    if kind and kind[1] in KINDS:
        words = ("up", *_LEVELS)
        host = Subject(name=f"host's {text}", words=words, steps=lambda trace: trace.warned_steps(kind[1]))
        signal = _SIGNALS.get(kind[1])
        return [host] + ([Subject(name=f"board's {text}", words=words, steps=signal)] if signal else [])
    found = _number(text) or _driven(text) or _told(text)
    return [found] if found else None


def _number(text: str) -> Subject | None:
    if text in _TRUE:
        return Subject(name=text, unit=_TRUE[text], steps=lambda trace: trace.true_steps(text))
    head, _, tail = text.rpartition(" ")
    fan = re.fullmatch(r"fan ([1-4])", head)
    if fan and tail == "speed":
        return Subject(name=text, unit="rpm", steps=lambda trace: trace.true_steps(text))
    if fan and tail == "shown":
        number = int(fan[1])
        return Subject(name=text, unit="rpm", steps=lambda trace: trace.shown_steps(lambda one: one.fans[number].rpm))
    if head in _SHOWN and tail == "shown":
        field, unit = _SHOWN[head]
        return Subject(name=text, unit=unit, steps=lambda trace: trace.shown_steps(attrgetter(field)))
    if head in ("case", "battery", "voltage", "current") and tail == "error":
        return Subject(name=text, unit=_SHOWN[head][1], steps=lambda trace: _error(trace, head))
    return None


def _error(trace: Trace, name: str) -> Steps:
    truth = dict(trace.true_steps(name))
    found: Steps = []
    for at_s, shown in trace.shown_steps(attrgetter(_SHOWN[name][0])):
        true = truth.get(at_s)
        known = isinstance(shown, float) and isinstance(true, float)
        found.append((at_s, abs(shown - true) if known else None))  # type: ignore[operator]
    return found


def _driven(text: str) -> Subject | None:
    output = re.fullmatch(r"output ([12])", text)
    load = re.fullmatch(r"load (\S+)", text)
    if text == "fans":
        return Subject(name=text, words=("off", "on", "full", "lowest"), steps=_fans)
    if output:
        n = int(output[1]) - 1
        return Subject(
            name=text,
            words=("on", "off"),
            steps=lambda trace: [(s, "on" if o[n] else "off") for s, _, o, _ in trace.drives],
        )
    if text == "buzzer":
        words = ("quiet", "sounding")
        return Subject(name=text, words=words, steps=lambda trace: [(s, words[b]) for s, _, _, b in trace.drives])
    if text == "board":
        return Subject(
            name=text, words=("up", "down"), steps=lambda trace: [(s, "up" if up else "down") for s, up in trace.up]
        )
    if load:
        return Subject(name=text, words=("working", "starved"), steps=lambda trace: trace.true_steps(text))
    return None


def _fans(trace: Trace) -> Steps:
    found: Steps = []
    for at_s, percents, _, _ in trace.drives:
        most = max(percents, default=0)
        least = min(percents, default=0)
        found.append((at_s, "off" if most == 0 else "full" if least == 100 else "lowest"))
    return found


def _told(text: str) -> Subject | None:
    fan = re.fullmatch(r"fan ([1-4])", text)
    output = re.fullmatch(r"output ([12]) told", text)
    sensor = re.fullmatch(r"(voltage|check|current|case|battery|intake) sensor", text)
    words: tuple[str, ...]
    value: Callable[[Reading], str | None]
    if fan:
        value, words = (lambda one: one.fans[int(fan[1])].state), messages.FAN_STATES
    elif output:
        value, words = (lambda one: one.outputs[int(output[1])]), messages.OUTPUT_STATES
    elif sensor:
        value, words = (lambda one: one.sensors[sensor[1]]), messages.SENSOR_STATES
    elif text in _LEVEL_FIELDS:
        field = _LEVEL_FIELDS[text]
        value = attrgetter(field)
        words = {"charging": messages.CHARGE_STATES, "place": messages.PLACES}.get(field, _LEVELS)
    else:
        return None
    return Subject(name=text, words=words, steps=lambda trace: trace.shown_steps(value))


def _signal(words: Callable[[Reading], Iterable[str | None]], bad: Callable[[str], str]) -> Callable[[Trace], Steps]:
    """The worst level that `bad` makes of the board's own words."""

    def steps(trace: Trace) -> Steps:
        found: Steps = [(0.0, "clear")]
        for at_s, reading in trace.live():
            levels = [bad(word) for word in words(reading) if word is not None]
            found.append((at_s, max(levels, key=_LEVELS.index, default="clear")))
        return found

    return steps


def _sensors(reading: Reading) -> Iterable[str | None]:
    return reading.sensors.values()


_SIGNALS = {
    "low_voltage": _signal(lambda one: [one.low_voltage], bad=str),
    "overvoltage": _signal(lambda one: [one.overvoltage], bad=str),
    "heat": _signal(lambda one: [one.case_heat], bad=str),
    "charge_heat": _signal(lambda one: [one.charging], bad=_CHARGE.__getitem__),
    "fan_stalled": _signal(
        lambda one: [fan.state for fan in one.fans.values()],
        bad=lambda word: "urgent" if word == "stalled" else "clear",
    ),
    "sensor_fault": _signal(_sensors, bad=lambda word: "urgent" if word in _FAULTS else "clear"),
    "sources_disagree": _signal(_sensors, bad=lambda word: "notice" if word == "disagree" else "clear"),
}


def condition(subject: Subject, words: str) -> Condition | str:
    """`subject` being as `words` say; else what is wrong with them."""
    number = re.fullmatch(r"(above|below) (-?\d+(?:\.\d+)?) (\S+)", words)
    text = f"{subject.name} {words}"
    if subject.unit:
        if not number or number[3] != subject.unit:
            return f'"{words}": say above or below, a number and {subject.unit}'
        limit = float(number[2])
        if number[1] == "above":
            return Condition(text=text, subject=subject, holds=lambda value: float(value) > limit)
        return Condition(text=text, subject=subject, holds=lambda value: float(value) < limit)
    if words not in subject.words:
        return f'"{words}": {subject.name} can be {", ".join(subject.words)}'
    if "up" in subject.words and "stop" in subject.words:
        if words == "clear":
            return Condition(text=text, subject=subject, holds=lambda value: value == "clear")
        least = max(1, _LEVELS.index(words)) if words != "up" else 1
        return Condition(text=text, subject=subject, holds=lambda value: _LEVELS.index(str(value)) >= least)
    if subject.name == "fans" and words == "on":
        return Condition(text=text, subject=subject, holds=lambda value: value != "off")
    return Condition(text=text, subject=subject, holds=lambda value: value == words)

"""Conditions an expectation can name, and when they held in a run. expect.py has the sentences around them.

Numbers, with `above X UNIT` or `below X UNIT` (`C` is accepted for `°C`):

    case, walls, battery        true temperatures, °C
    voltage, equipment          true voltage at the battery's terminals and at the loads, V
    current                     out of the battery, A
    charge                      true state of charge of the battery, %
    air                         air flow through the case, m3/h
    fan 1 speed                 true speed, rpm
    case reported, battery reported, intake reported, voltage reported, lowest voltage reported,
    highest voltage reported, check reported, current reported, fan 1 reported       what the board reported
    case error, battery error, voltage error, current error      difference from the truth, without its sign

Words:

    fans                off, on, full, partial      as the board drives them; `partial` is on and not full
    output 1            on, off                     as driven
    buzzer              sounding, silent
    board               running, off
    load NAME           working, stopped
    fan 1               off, starting, running, stalled, unsupervised, too_fast, runs_on, absent: as
                        the board reported it, as all below
    output 1 reported   on, off, shed, shed_soon, starting, absent
    case sensor         ok, open, shorted, range, frozen, disagree, silent, absent, intermittent, implausible
                        likewise voltage, check, current, battery, intake
    low voltage, overvoltage, case heat, battery heat          clear, notice, urgent, stop
    charging            no, yes, cold, warm, hot
    place               ground, flight
    button              released, pressed, jammed
    warning KIND        active, clear, notice, urgent, stop       each of these severities or a worse one; see below

A warning is judged twice: as the host raises it and, where the board signals the same by itself, as the board reported
it; both have to do what is expected.
"""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from operator import attrgetter

from groundbox.advice.conditions import KINDS
from groundbox.model import Reading
from groundbox.rig.trace import Steps, Trace
from groundbox.wire import messages

Spans = list[tuple[float, float]]
_LEVELS = messages.LEVELS
_FAULTS = ("open", "shorted", "range", "frozen", "silent", "intermittent", "implausible")
_CHARGE = {"no": "clear", "yes": "clear", "cold": "urgent", "warm": "urgent", "hot": "stop"}
_REPORTED = {
    "case": ("case_c", "°C"),
    "battery": ("battery_c", "°C"),
    "intake": ("intake_c", "°C"),
    "voltage": ("battery_volts", "V"),
    "lowest voltage": ("battery_min_volts", "V"),
    "highest voltage": ("battery_max_volts", "V"),
    "check": ("check_volts", "V"),
    "current": ("battery_amps", "A"),
}
_TRUE = {"case": "°C", "walls": "°C", "battery": "°C", "voltage": "V", "equipment": "V", "current": "A", "charge": "%"}
_TRUE |= {"air": "m3/h"}
_LEVEL_FIELDS = {
    "low voltage": "low_voltage",
    "overvoltage": "overvoltage",
    "case heat": "case_heat",
    "battery heat": "battery_heat",
}
_LEVEL_FIELDS |= {"charging": "charging", "place": "place", "button": "button"}
_FIELD_WORDS = {"charging": messages.CHARGE_STATES, "place": messages.PLACES, "button": messages.BUTTON_STATES}


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
class ScenarioCondition:
    """A subject in a named state; `text` as written."""

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
        """The subject's value at that time, as text."""
        value: float | str | None = None
        for from_s, step in self.subject.steps(trace):
            if from_s > at_s + 1e-9:
                break
            value = step
        shown = "no reading" if value is None else value if isinstance(value, str) else f"{value:.4g}"
        return f"{self.subject.name} {shown} {self.subject.unit}".rstrip()


def subject(text: str) -> list[Subject] | None:
    """The subject called `text`; a warning gives the host's and the board's; None when there is no such subject."""
    kind = re.fullmatch(r"warning (\w+)", text)
    if kind and kind[1] in KINDS:
        words = ("active", *_LEVELS)
        host = Subject(name=f"host's {text}", words=words, steps=lambda trace: trace.warned_steps(kind[1]))
        signal = _SIGNALS.get(kind[1])
        return [host] + ([Subject(name=f"board's {text}", words=words, steps=signal)] if signal else [])
    found = _number(text) or _driven(text) or _reported(text)
    return [found] if found else None


def _number(text: str) -> Subject | None:
    if text in _TRUE:
        return Subject(name=text, unit=_TRUE[text], steps=lambda trace: trace.true_steps(text))
    head, _, tail = text.rpartition(" ")
    fan = re.fullmatch(r"fan ([1-4])", head)
    if fan and tail == "speed":
        return Subject(name=text, unit="rpm", steps=lambda trace: trace.true_steps(text))
    if fan and tail == "reported":
        number = int(fan[1])
        return Subject(
            name=text, unit="rpm", steps=lambda trace: trace.reported_steps(lambda one: one.fans[number].rpm)
        )
    if head in _REPORTED and tail == "reported":
        field, unit = _REPORTED[head]
        return Subject(name=text, unit=unit, steps=lambda trace: trace.reported_steps(attrgetter(field)))
    if head in ("case", "battery", "voltage", "current") and tail == "error":
        return Subject(name=text, unit=_REPORTED[head][1], steps=lambda trace: _error(trace, head))
    return None


def _error(trace: Trace, name: str) -> Steps:
    truth = dict(trace.true_steps(name))
    found: Steps = []
    for at_s, shown in trace.reported_steps(attrgetter(_REPORTED[name][0])):
        true = truth.get(at_s)
        known = isinstance(shown, float) and isinstance(true, float)
        found.append((at_s, abs(shown - true) if known else None))  # type: ignore[operator]
    return found


def _driven(text: str) -> Subject | None:
    output = re.fullmatch(r"output ([12])", text)
    load = re.fullmatch(r"load (\S+)", text)
    if text == "fans":
        return Subject(name=text, words=("off", "on", "full", "partial"), steps=_fans)
    if output:
        n = int(output[1]) - 1
        return Subject(
            name=text,
            words=("on", "off"),
            steps=lambda trace: [(s, "on" if o[n] else "off") for s, _, o, _ in trace.drives],
        )
    if text == "buzzer":
        words = ("silent", "sounding")
        return Subject(name=text, words=words, steps=lambda trace: [(s, words[b]) for s, _, _, b in trace.drives])
    if text == "board":
        return Subject(
            name=text,
            words=("running", "off"),
            steps=lambda trace: [(s, "running" if up else "off") for s, up in trace.up],
        )
    if load:
        return Subject(name=text, words=("working", "stopped"), steps=lambda trace: trace.true_steps(text))
    return None


def _fans(trace: Trace) -> Steps:
    found: Steps = []
    for at_s, percents, _, _ in trace.drives:
        maximum = max(percents, default=0)
        minimum = min(percents, default=0)
        found.append((at_s, "off" if maximum == 0 else "full" if minimum == 100 else "partial"))
    return found


def _reported(text: str) -> Subject | None:
    fan = re.fullmatch(r"fan ([1-4])", text)
    output = re.fullmatch(r"output ([12]) reported", text)
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
        words = _FIELD_WORDS.get(field, _LEVELS)
    else:
        return None
    return Subject(name=text, words=words, steps=lambda trace: trace.reported_steps(value))


def _signal(words: Callable[[Reading], Iterable[str | None]], bad: Callable[[str], str]) -> Callable[[Trace], Steps]:
    """The worst severity that `bad` gives to the words the board reported."""

    def steps(trace: Trace) -> Steps:
        found: Steps = [(0.0, "clear")]
        for at_s, reading in trace.in_order():
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
    "battery_heat": _signal(lambda one: [one.battery_heat], bad=str),
    "charge_heat": _signal(lambda one: [one.charging], bad=_CHARGE.__getitem__),
    "fan_stalled": _signal(
        lambda one: [fan.state for fan in one.fans.values()],
        bad=lambda word: "urgent" if word == "stalled" else "clear",
    ),
    "fan_doubtful": _signal(
        lambda one: [fan.state for fan in one.fans.values()],
        bad=lambda word: {"too_fast": "urgent", "runs_on": "notice"}.get(word, "clear"),
    ),
    "sensor_fault": _signal(_sensors, bad=lambda word: "urgent" if word in _FAULTS else "clear"),
    "sources_disagree": _signal(_sensors, bad=lambda word: "notice" if word == "disagree" else "clear"),
}


def condition(subject: Subject, words: str) -> ScenarioCondition | str:
    """The condition that `subject` is as `words` say; else what is wrong with them."""
    number = re.fullmatch(r"(above|below) (-?\d+(?:\.\d+)?) (\S+)", words)
    text = f"{subject.name} {words}"
    if subject.unit:
        if not number or number[3] != subject.unit:
            return f'"{words}": write above or below, a number and {subject.unit}'
        limit = float(number[2])
        if number[1] == "above":
            return ScenarioCondition(text=text, subject=subject, holds=lambda value: float(value) > limit)
        return ScenarioCondition(text=text, subject=subject, holds=lambda value: float(value) < limit)
    if words not in subject.words:
        return f'"{words}": {subject.name} can be {", ".join(subject.words)}'
    if "active" in subject.words:
        if words == "clear":
            return ScenarioCondition(text=text, subject=subject, holds=lambda value: value == "clear")
        lowest = max(1, _LEVELS.index(words)) if words != "active" else 1
        return ScenarioCondition(text=text, subject=subject, holds=lambda value: _LEVELS.index(str(value)) >= lowest)
    if subject.name == "fans" and words == "on":
        return ScenarioCondition(text=text, subject=subject, holds=lambda value: value != "off")
    return ScenarioCondition(text=text, subject=subject, holds=lambda value: value == words)

"""Values on the host: volts, amperes, degrees Celsius; frozen; None where unknown.

The registry (wire/messages.py) defines what a board sends. Each of its fields is a field here, in host units:
`battery_mv` becomes `battery_volts`. Three groups of fields become one mapping each, whose keys the registry defines:
`fan1_state`, `fan1_rpm` and `fan1_percent` become `fans[1]`, `output1` becomes `outputs[1]`, and `case_sensor` becomes
`sensors["case"]`. A new fan, output or sensor state needs no change here. conversion.py makes these objects and
converts them back; it raises when a class lacks a field.

Wall times are seconds since 1970 UTC. `wall_source` says how one was found: "exchange" (the board was asked for its
clock), "arrival" (only known to be no later than its message arrived), None (not known yet).
"""

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple, TypeVar

from groundbox.wire.messages import fields_of

WireValues = tuple[int | str | None, ...]


class FanReading(NamedTuple):
    """One fan in a reading. A summary has the state only.

    Attributes:
        state: one of wire.messages.FAN_STATES.
        rpm: speed by the tachometer.
        percent: drive commanded.
    """

    state: str | None = None
    rpm: int | None = None
    percent: int | None = None


FAN_FIELD = re.compile("fan([0-9]+)_(state|rpm|percent)")
OUTPUT_FIELD = re.compile("output([0-9]+)")
SENSOR_FIELD = re.compile("([a-z]+)_sensor")


def _keys(message: str, pattern: re.Pattern[str]) -> list[str]:
    """The keys of one group of fields of `message`, in the registry's order."""
    found = [pattern.fullmatch(name) for name, *_ in fields_of(message)]
    return list(dict.fromkeys(match[1] for match in found if match))


def _fans(message: str) -> Callable[[], Mapping[int, FanReading]]:
    unknown = {int(key): FanReading() for key in _keys(message, FAN_FIELD)}
    return lambda: unknown


def _outputs(message: str) -> Callable[[], Mapping[int, str | None]]:
    unknown = dict.fromkeys(map(int, _keys(message, OUTPUT_FIELD)))
    return lambda: unknown


def _sensors(message: str) -> Callable[[], Mapping[str, str | None]]:
    unknown = dict.fromkeys(_keys(message, SENSOR_FIELD))
    return lambda: unknown


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One measured row from a board, each second: mean, minimum and maximum since the row before."""

    box: str
    boot: int
    sequence: int
    uptime_ms: int
    battery_volts: float | None = None
    battery_min_volts: float | None = None
    battery_max_volts: float | None = None
    check_volts: float | None = None
    battery_amps: float | None = None  # positive = discharge
    battery_min_amps: float | None = None
    battery_max_amps: float | None = None
    case_c: float | None = None
    battery_c: float | None = None
    intake_c: float | None = None
    humidity_percent: float | None = None
    fans: Mapping[int, FanReading] = field(default_factory=_fans("reading"))  # by number, from 1
    sensors: Mapping[str, str | None] = field(default_factory=_sensors("reading"))  # state by channel
    outputs: Mapping[int, str | None] = field(default_factory=_outputs("reading"))  # by number, from 1
    low_voltage: str | None = None
    overvoltage: str | None = None
    case_heat: str | None = None
    battery_heat: str | None = None
    charging: str | None = None
    place: str | None = None
    turn_back_s: int | None = None  # by the board's own count
    button: str | None = None
    worst_step_us: int | None = None
    wall_s: float | None = None
    wall_uncertainty_s: float | None = None
    wall_source: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened on a board; `kind` is one of wire.messages.EVENTS."""

    box: str
    boot: int
    sequence: int
    uptime_ms: int
    kind: str
    value: int | None = None
    wall_s: float | None = None
    wall_uncertainty_s: float | None = None
    wall_source: str | None = None
    row: int | None = field(default=None, compare=False)  # place in the store's order of marks and events


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """Ten seconds of readings summed up, kept in the board's flash: sent in place of readings that it lost."""

    box: str
    boot: int
    sequence: int
    uptime_ms: int
    number: int
    readings: int | None = None
    battery_volts: float | None = None
    battery_min_volts: float | None = None
    battery_max_volts: float | None = None
    battery_amps: float | None = None  # positive = discharge
    battery_min_amps: float | None = None
    battery_max_amps: float | None = None
    case_c: float | None = None
    battery_c: float | None = None
    intake_c: float | None = None
    humidity_percent: float | None = None
    fans: Mapping[int, FanReading] = field(default_factory=_fans("summary"))  # by number, from 1
    sensors: Mapping[str, str | None] = field(default_factory=_sensors("summary"))  # state by channel
    outputs: Mapping[int, str | None] = field(default_factory=_outputs("summary"))  # by number, from 1
    low_voltage: str | None = None
    overvoltage: str | None = None
    case_heat: str | None = None
    charging: str | None = None
    place: str | None = None
    wall_s: float | None = None
    wall_uncertainty_s: float | None = None
    wall_source: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Hello:
    """How a board identifies itself: at its start, and when the host asks."""

    box: str
    boot: int
    sequence: int
    firmware: str | None
    registry: str | None
    settings: str | None
    board: str | None
    reset_cause: str | None
    sample_hz: int | None
    oldest_sequence: int | None
    uptime_ms: int
    wall_s: float | None = None
    wall_uncertainty_s: float | None = None
    wall_source: str | None = None
    again: bool = False  # another start had this boot number before: the board was reinstalled


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """The condition of a board: memory, control deadlines, lost records."""

    box: str
    boot: int
    sequence: int
    free_heap_bytes: int | None
    worst_step_us: int | None
    late_steps: int | None
    dropped_records: int | None
    bad_lines: int | None
    link_restarts: int | None
    lost_summaries: int | None
    wall_s: float | None = None  # when it arrived
    wall_uncertainty_s: float | None = None
    wall_source: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A board's answer to one command; `result` is one of wire.messages.RESULTS."""

    box: str
    boot: int
    sequence: int
    command: int
    result: str
    setting: str | None = None
    value: str | None = None
    low: int | None = None
    high: int | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StartTime:
    """The wall time of a board's start `boot`: newly known, or moved because the host's clock was set.

    Every record of that start is at `wall_s` + `uptime_ms` / 1000; the store corrects those that it holds.
    """

    box: str
    boot: int
    wall_s: float
    uncertainty_s: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Console:
    """A line of plain text from a board, such as a traceback; never data."""

    source: str
    box: str | None
    text: str
    wall_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkNote:
    """One line for the person about a link.

    `kind`:
        found: a board answers. restarted: it answers after a restart.
        connection_lost: the port or broker does not answer; the program keeps trying.
        unknown_device: the device at the port does not send groundbox messages.
        version_mismatch: the firmware has another message registry; its data is not decoded.
        duplicate_name: a second board has the same name; its data is not recorded.
        records_lost: the board no longer holds records that are missing here.
        key_problem: the box's command key is missing, unreadable or not the board's.
        program_fault: an error of this program; it continues.
    """

    source: str
    box: str | None
    kind: str
    sentence: str
    wall_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkCount:
    """What a link counted since its last count: damaged lines, records missing at first, records lost."""

    source: str
    box: str | None
    wall_s: float
    corrupt_lines: int = 0
    gap_records: int = 0
    lost_records: int = 0


Item = Reading | Event | Summary | Hello | Health | StartTime | Console | LinkNote | LinkCount


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """Every record of `box`, start `boot`, up to `sequence` is on the host's disk: the board may drop them.

    With `summary`, instead: the board's summary of that number is on the disk.
    """

    box: str
    boot: int
    sequence: int
    summary: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """What a person did, marked at the host: one of wire.messages.MARKS, or "undo".

    Attributes:
        box: the box; "*" where the mark concerns the aircraft, and so every box (launch, landing, returning).
        name: of a swap, the battery now in the box; of a charge, the charger; of an undo, the kind of the mark that it
            takes back. An undo without a name takes back the last mark of its box, or of any box where that is "*".
        confirmed: the person was asked, because advice was against it, and confirmed.
        row: place in the store's order of marks and events; None where it is in no table yet.
        heard: its moment as box, start and uptime in ms of a board that sends at that time, whatever the wall clock
            shows; None where none sends.
    """

    box: str
    kind: str
    wall_s: float
    name: str | None = None
    confirmed: bool = False
    row: int | None = field(default=None, compare=False)
    heard: tuple[str, int, int] | None = field(default=None, compare=False)


BY_COMMAND = 1  # value of the event of a mark that a command made
_Row = TypeVar("_Row", bound=Mark | Event)


def in_force(rows: Iterable[_Row]) -> list[_Row]:
    """The marks and presses of buttons that no later undo takes back, in the store's order; without the undos."""
    found: list[_Row] = []
    for row in sorted(rows, key=lambda one: math.inf if one.row is None else one.row):
        if not isinstance(row, Mark) or row.kind != "undo":
            found.append(row)
            continue
        for at in range(len(found) - 1, -1, -1):
            if _takes_back(row, found[at]):
                del found[at]
                break
    return found


def _takes_back(undo: Mark, row: Mark | Event) -> bool:
    if isinstance(row, Event):  # it names the box and the kind of a press
        return (undo.box, undo.name) == (row.box, row.kind) and row.value != BY_COMMAND
    return undo.box in ("*", row.box) and undo.name in (None, row.kind)


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledge:
    """A person acknowledges warning `warning` of `box`; None for all warnings of the box."""

    box: str
    warning: str | None
    wall_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WarningChange:
    """A line of the warning log.

    Attributes:
        warning: kind of the warning.
        severity: notice, urgent or stop.
        change: raised, cleared or acknowledged.
        sentence: what the person read.
    """

    box: str
    warning: str
    severity: str
    change: str
    sentence: str
    wall_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryFitted:
    """Battery `battery` is in `box` from `from_wall_s` on."""

    box: str
    battery: str
    from_wall_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownBattery:
    """A battery's name and where its profile is."""

    name: str
    profile: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AdviceMinute:
    """The advice on one box in one minute; None where unknown.

    Attributes:
        verdict: one of the verdicts of advice.
        runtime_low_s, runtime_expected_s, runtime_high_s: runtime, 5, 50 and 95 % points.
        soc: state of charge, 0 to 1.
    """

    box: str
    wall_s: float
    verdict: str
    runtime_low_s: float | None = None
    runtime_expected_s: float | None = None
    runtime_high_s: float | None = None
    soc: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EstimatorState:
    """The saved state of an estimator, with the last reading that it used."""

    box: str
    battery: str
    wall_s: float
    boot: int | None  # of the last reading that it used
    sequence: int | None
    state: Mapping[str, object]

"""Values on the host: volts, amperes, degrees Celsius; frozen; None where unknown.

Fields of what a board sends follow the registry in name and order, with host units in place of the wire's whole
numbers (`battery_mv` becomes `battery_volts`); tests/host/link compares them. `wire` keeps the values as they came, in
the registry's order: the store writes those. `from_wire` makes these objects; nothing else converts.

Wall times are seconds since 1970 UTC. `wall_source` says how one was found: "exchange" (the board was asked for its
clock), "arrival" (only known to be no later than the message came), None (not known yet).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from types import UnionType
from typing import Any, TypeVar

from groundbox.errors import WireError

WireValues = tuple[int | str | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One measured row from a board, each second: means, and lowest and highest since the last one."""

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
    fan1_rpm: int | None = None
    fan2_rpm: int | None = None
    fan3_rpm: int | None = None
    fan4_rpm: int | None = None
    fan1_percent: int | None = None
    fan2_percent: int | None = None
    fan3_percent: int | None = None
    fan4_percent: int | None = None
    fan1_state: str | None = None
    fan2_state: str | None = None
    fan3_state: str | None = None
    fan4_state: str | None = None
    voltage_sensor: str | None = None
    check_sensor: str | None = None
    current_sensor: str | None = None
    case_sensor: str | None = None
    battery_sensor: str | None = None
    intake_sensor: str | None = None
    output1: str | None = None
    output2: str | None = None
    low_voltage: str | None = None
    overvoltage: str | None = None
    case_heat: str | None = None
    charging: str | None = None
    place: str | None = None
    worst_step_us: int | None = None
    wall_s: float | None = None
    wall_uncertainty_s: float | None = None
    wall_source: str | None = None
    wire: WireValues = field(default=(), repr=False, compare=False)


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
    wire: WireValues = field(default=(), repr=False, compare=False)


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
    fan1_state: str | None = None
    fan2_state: str | None = None
    fan3_state: str | None = None
    fan4_state: str | None = None
    voltage_sensor: str | None = None
    case_sensor: str | None = None
    output1: str | None = None
    output2: str | None = None
    low_voltage: str | None = None
    overvoltage: str | None = None
    case_heat: str | None = None
    charging: str | None = None
    place: str | None = None
    wall_s: float | None = None
    wall_uncertainty_s: float | None = None
    wall_source: str | None = None
    wire: WireValues = field(default=(), repr=False, compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hello:
    """A board's word on who it is, at its start and whenever asked."""

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
    again: bool = False  # this boot number was another start's before: the board was installed anew
    wire: WireValues = field(default=(), repr=False, compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """A board's account of itself: memory, control deadlines, lost records."""

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
    wall_s: float | None = None  # when it came
    wall_uncertainty_s: float | None = None
    wall_source: str | None = None
    wire: WireValues = field(default=(), repr=False, compare=False)


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
    wire: WireValues = field(default=(), repr=False, compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class StartTime:
    """When a board's start `boot` happened in wall time: newly known, or moved because the host's clock was set.

    Every record of that start is at `wall_s` + `uptime_ms` / 1000; the store brings those it has into line.
    """

    box: str
    boot: int
    wall_s: float
    uncertainty_s: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Console:
    """A line of plain text from a board: a print or a traceback; never data."""

    source: str
    box: str | None
    text: str
    wall_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkNote:
    """One line for the person about a link.

    `kind`: "found" (a board answers), "lost" (port or broker gone; it is retried), "stranger" (a device that does not
    answer in our form), "registry" (a board of another version; its data is not decoded), "restarted" (the board
    started anew), "gap" (records lost for good), "twice" (a second board of the same name; its data is not decoded).
    """

    source: str
    box: str | None
    kind: str
    sentence: str
    wall_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkCount:
    """What a link counted since its last count: damaged lines, records seen missing, records lost for good."""

    source: str
    box: str | None
    wall_s: float
    corrupt_lines: int = 0
    gap_records: int = 0
    lost_records: int = 0


Item = Reading | Event | Summary | Hello | Health | StartTime | Console | LinkNote | LinkCount


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """Every record of `box`, start `boot`, up to `sequence` is on the host's disk: what a board may be told.

    With `summary`, instead: the board's summary of that number is.
    """

    box: str
    boot: int
    sequence: int
    summary: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """What a person did, at the host: launch, landing, charge or swap (wire.messages.MARKS)."""

    box: str
    kind: str
    wall_s: float
    name: str | None = None  # of a swap: the battery now in the box; of a charge: the charger


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledge:
    """A person has seen warning `warning` of `box`; None for all of the box's."""

    box: str
    warning: str | None
    wall_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WarningChange:
    """A line of the warning log; `change` is "raised", "cleared" or "acknowledged"."""

    box: str
    warning: str
    severity: str  # notice, urgent, stop
    change: str
    sentence: str
    wall_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
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
class EstimatorState:
    """An estimator's state as saved with the last readings it had seen."""

    box: str
    battery: str
    wall_s: float
    boot: int | None  # of the last reading it had seen
    sequence: int | None
    state: Mapping[str, object]


_Wired = TypeVar("_Wired", Reading, Event, Summary, Hello, Health, Answer)
_HOST_ONLY = {"wall_s", "wall_uncertainty_s", "wall_source", "again", "wire"}
_WIRE_UNITS = {"volts": ("mv", 1000), "amps": ("ma", 1000), "c": ("centi_c", 100)}


def wire_name(host_name: str) -> tuple[str, int | None]:
    """(registry's name, wire units in one host unit or None) of a field: "case_c" is ("case_centi_c", 100)."""
    if host_name == "humidity_percent":
        return "humidity_centi_percent", 100
    stem, _, unit = host_name.rpartition("_")
    if stem and unit in _WIRE_UNITS:
        wire_unit, scale = _WIRE_UNITS[unit]
        return f"{stem}_{wire_unit}", scale
    return host_name, None


def _plan(kind: type[Any]) -> tuple[tuple[str, int | None, bool], ...]:
    """(name, scale, required) of each field that comes over the wire, in order."""
    wired = [f for f in fields(kind) if f.name not in _HOST_ONLY]
    return tuple((f.name, wire_name(f.name)[1], not isinstance(f.type, UnionType)) for f in wired)


_PLANS: dict[type[Any], tuple[tuple[str, int | None, bool], ...]] = {
    kind: _plan(kind) for kind in (Reading, Event, Summary, Hello, Health, Answer)
}


def from_wire(
    kind: type[_Wired],
    values: Sequence[int | str | None],
    **host_only: object,
) -> _Wired:
    """The `kind` that `values`, in the registry's order and wire units, stand for: volts, amperes, degrees Celsius.

    Args:
        kind: Reading, Event, Summary, Hello, Health or Answer.
        values: checked against the registry already.
        host_only: wall_s, wall_uncertainty_s, wall_source, where known.

    Raises:
        WireError: box, boot, sequence, uptime or another field without which the record says nothing is unknown.
    """
    found: dict[str, Any] = dict(host_only)
    for (name, scale, required), value in zip(_PLANS[kind], values, strict=True):
        if value is None and required:
            raise WireError(f"{kind.__name__.lower()} without {name}")
        found[name] = value / scale if scale and isinstance(value, int) else value
    return kind(wire=tuple(values), **found)

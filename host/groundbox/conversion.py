"""Whole numbers of the wire to values in volts, amperes and degrees Celsius, and back: the only place that converts.

The registry decides. A field that ends in `_mv`, `_ma`, `_centi_c` or `_centi_percent` becomes one that ends in
`_volts`, `_amps`, `_c` or `_percent`; all others keep name and value. Both ways together change nothing.
"""

from collections.abc import Callable, Sequence
from dataclasses import fields
from operator import attrgetter, itemgetter
from types import UnionType
from typing import Any, TypeVar

from groundbox.errors import WireError
from groundbox.model import (
    FAN_FIELD,
    OUTPUT_FIELD,
    SENSOR_FIELD,
    Answer,
    Event,
    FanReading,
    Health,
    Hello,
    Reading,
    Summary,
    WireValues,
)
from groundbox.wire.messages import fields_of

Wired = Reading | Event | Summary | Hello | Health | Answer
_Wired = TypeVar("_Wired", Reading, Event, Summary, Hello, Health, Answer)
_UNITS = (("_centi_percent", "_percent", 100), ("_centi_c", "_c", 100), ("_mv", "_volts", 1000), ("_ma", "_amps", 1000))


def host_name(wire_name: str) -> tuple[str, int | None]:
    """(field in model.py, wire units in one host unit or None): "case_centi_c" becomes ("case_c", 100)."""
    for wire_unit, host_unit, scale in _UNITS:
        if wire_name.endswith(wire_unit):
            return wire_name.removesuffix(wire_unit) + host_unit, scale
    return wire_name, None


class _Layout:
    """Where the registry has the values of class `kind`.

    Attributes:
        width: number of fields of the message.
        plain: (place, field, scale, required) of each field that is a field of the class too.
        fans: (number, place of the state, of the speed, of the drive), with None where the message has none.
        outputs: (number, place).
        sensors: (channel, place).
        values_of: the plain values of an object, as a tuple.
        scaled: (index in that tuple, scale).
        in_order: the values in the registry's order, from a list of the plain ones, fans, outputs and sensors.

    Raises:
        TypeError: the class lacks a field of the registry, or has one that the registry lacks.
    """

    def __init__(self, kind: type[Any]) -> None:
        message = kind.__name__.lower()
        names = [name for name, *_ in fields_of(message)]
        known = {one.name: one for one in fields(kind)}
        self.width = len(names)
        self.plain: list[tuple[int, str, int | None, bool]] = []
        fans: dict[int, dict[str, int]] = {}
        self.outputs: list[tuple[int, int]] = []
        self.sensors: list[tuple[str, int]] = []
        for place, wire_name in enumerate(names):
            if fan := FAN_FIELD.fullmatch(wire_name):
                fans.setdefault(int(fan[1]), {})[fan[2]] = place
            elif output := OUTPUT_FIELD.fullmatch(wire_name):
                self.outputs.append((int(output[1]), place))
            elif sensor := SENSOR_FIELD.fullmatch(wire_name):
                self.sensors.append((sensor[1], place))
            else:
                name, scale = host_name(wire_name)
                if name not in known:
                    raise TypeError(f"model.{kind.__name__} lacks {name}: the registry has {message}.{wire_name}")
                self.plain.append((place, name, scale, not isinstance(known.pop(name).type, UnionType)))
        self.fans: list[tuple[int, list[int | None]]] = [
            (number, [places.get(what) for what in FanReading._fields]) for number, places in fans.items()
        ]
        self.values_of: Callable[[Any], tuple[Any, ...]] = attrgetter(*(name for _, name, _, _ in self.plain))
        self.scaled = [(at, scale) for at, (_, _, scale, _) in enumerate(self.plain) if scale]
        places = [place for place, *_ in self.plain]
        for _, fan_places in self.fans:
            places += [-1 if place is None else place for place in fan_places]
        places += [place for _, place in (*self.outputs, *self.sensors)]
        self.in_order: Callable[[list[Any]], WireValues] = itemgetter(*map(places.index, range(self.width)))
        if extra := known.keys() - {*_GROUPS, *_HOST_ONLY}:
            raise TypeError(f"model.{kind.__name__} has {', '.join(sorted(extra))}: the registry has no such field")


_UNKNOWN_FAN = FanReading()
_GROUPS = ("fans", "outputs", "sensors")
_HOST_ONLY = ("wall_s", "wall_uncertainty_s", "wall_source", "again", "row")


_LAYOUTS: dict[type[Any], _Layout] = {kind: _Layout(kind) for kind in (Reading, Event, Summary, Hello, Health, Answer)}


def from_wire(kind: type[_Wired], values: Sequence[int | str | None], **host_only: object) -> _Wired:
    """The `kind` with `values`, which are in the registry's order and wire units: in volts, amperes, degrees Celsius.

    Args:
        kind: Reading, Event, Summary, Hello, Health or Answer.
        values: checked against the registry already.
        host_only: wall_s, wall_uncertainty_s, wall_source, where known.

    Raises:
        WireError: box, boot, sequence, uptime or another field without which the record says nothing is unknown.
        ValueError: more or fewer values than the message has fields.
    """
    layout, found = _LAYOUTS[kind], dict[str, Any](host_only)
    if len(values) != layout.width:
        raise ValueError(f"{kind.__name__.lower()} wants {layout.width} values, got {len(values)}")
    for place, name, scale, required in layout.plain:
        value = values[place]
        if value is None and required:
            raise WireError(f"{kind.__name__.lower()} without {name}")
        found[name] = value / scale if scale and isinstance(value, int) else value
    if layout.fans:
        found["fans"] = {
            number: FanReading(*[None if place is None else values[place] for place in places])  # type: ignore[arg-type]
            for number, places in layout.fans
        }
        found["outputs"] = {number: values[place] for number, place in layout.outputs}
        found["sensors"] = {channel: values[place] for channel, place in layout.sensors}
    return kind(**found)


def to_wire(item: Wired) -> WireValues:
    """The values of `item` in the registry's order and wire units: exactly those that `from_wire` had.

    Values that no board can send (a voltage of 12.00049 V) are rounded to the nearest wire unit.
    """
    layout = _LAYOUTS[type(item)]
    found = list(layout.values_of(item))
    for at, scale in layout.scaled:
        if found[at] is not None:
            found[at] = round(found[at] * scale)
    if isinstance(item, Reading | Summary):
        for number, _ in layout.fans:
            found += item.fans.get(number, _UNKNOWN_FAN)
        found += [item.outputs.get(number) for number, _ in layout.outputs]
        found += [item.sensors.get(channel) for channel, _ in layout.sensors]
    return layout.in_order(found)

"""Parts and nets of board/groundbox.kicad_sch, an open format of circuit drawings (KiCad 6).

Each pin in the drawing carries the name of its net; wires are not used, and no symbol is turned.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

FILE = Path(__file__).parent / "board" / "groundbox.kicad_sch"
TOKEN = re.compile(r'\s*(?:([()])|"((?:[^"\\]|\\.)*)"|([^\s()]+))')


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedPart:
    """One part of the circuit; `nets` has the net of each pin, None where nothing is connected."""

    ref: str
    kind: str
    value: str
    what: str
    footprint: str
    nets: dict[str, str | None]
    names: dict[str, str]

    def net_at(self, pin_name: str) -> str | None:
        """Net of the pin with this name."""
        return next(self.nets[number] for number, name in self.names.items() if name == pin_name)


def parse(text: str) -> Any:
    """Nested lists of an s-expression."""
    stack: list[list[Any]] = [[]]
    for bracket, quoted, word in (found.groups() for found in TOKEN.finditer(text)):
        if bracket == "(":
            stack.append([])
        elif bracket:
            stack[-2].append(stack.pop())
        else:
            stack[-1].append(word or quoted.replace('\\"', '"'))
    return stack[0][0]


def _each(node: Any, head: str) -> Iterator[Any]:
    return (one for one in node if isinstance(one, list) and one and one[0] == head)


def _at(node: Any) -> tuple[float, float]:
    x, y = next(_each(node, "at"))[1:3]
    return round(float(x), 2), round(float(y), 2)


def parts(path: Path = FILE) -> list[PlacedPart]:
    """All parts, in the order of their names."""
    sheet = parse(path.read_text(encoding="utf-8"))
    labels = {_at(one): one[1] for one in _each(sheet, "label")}
    pins = {
        one[1]: [pin for body in _each(one, "symbol") for pin in _each(body, "pin")]
        for one in _each(next(_each(sheet, "lib_symbols")), "symbol")
    }
    found = []
    for one in _each(sheet, "symbol"):
        kind, (x, y) = next(_each(one, "lib_id"))[1], _at(one)
        says = {p[1]: p[2] for p in _each(one, "property")}
        if says["Reference"].startswith("#"):
            continue
        nets, names = {}, {}
        for pin in pins[kind]:
            px, py = _at(pin)
            number = next(_each(pin, "number"))[1]
            nets[number] = labels.get((round(x + px, 2), round(y - py, 2)))
            names[number] = next(_each(pin, "name"))[1]
        rest = {"kind": kind.partition(":")[2], "value": says["Value"], "what": says["Part"]}
        found.append(PlacedPart(ref=says["Reference"], footprint=says["Footprint"], nets=nets, names=names, **rest))
    return sorted(found, key=lambda part: (re.sub(r"\d", "", part.ref), int(re.sub(r"\D", "", part.ref))))


def nets(of: list[PlacedPart]) -> dict[str, set[tuple[str, str]]]:
    """Net -> (part, pin number) on it."""
    found: dict[str, set[tuple[str, str]]] = {}
    for part in of:
        for number, net in part.nets.items():
            if net is not None:
                found.setdefault(net, set()).add((part.ref, number))
    return found

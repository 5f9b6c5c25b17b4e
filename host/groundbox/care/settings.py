"""A board's settings as a person types and reads them."""

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from groundbox.errors import BadInput
from groundbox.wire.meanings import MEANINGS
from groundbox.wire.settings import SETTINGS, range_of, refusal_of_all

_UNITS = (
    ("_centi_c", "0.01 C"),
    ("_mv_per_c", "mV per C"),
    ("_micro_ohm", "micro-ohm"),
    ("_percent", "%"),
    ("_ohm", "ohm"),
    ("_rpm", "rpm"),
    ("_hz", "Hz"),
    ("_mv", "mV"),
    ("_ma", "mA"),
    ("_ms", "ms"),
    ("_e3", "1/1000"),
    ("_s", "s"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One setting as the board has it; `value` None where the board does not know it."""

    name: str
    value: int | None
    low: int
    high: int
    unit: str
    default: int
    meaning: str


def unit_of(name: str) -> str:
    """The unit that stands in a setting's name; "" for kinds and switches."""
    return next((unit for end, unit in _UNITS if name.endswith(end)), "")


def rows(values: Mapping[str, int | None]) -> list[Row]:
    """Every setting in the registry's order."""
    return [
        Row(
            name=name,
            value=values.get(name),
            low=low,
            high=high,
            unit=unit_of(name),
            default=default,
            meaning=MEANINGS[name],
        )
        for name, default, low, high in SETTINGS
    ]


def parse(words: Sequence[str]) -> dict[str, int | str]:
    """NAME=VALUE words as changes; `box` takes a name, all others whole numbers in their range.

    Raises:
        BadInput: a word of another form, an unknown name, a value out of range.
    """
    changes: dict[str, int | str] = {}
    for word in words:
        name, sign, text = word.partition("=")
        if not sign:
            raise BadInput("settings", word, "wants NAME=VALUE, as in fan_on_centi_c=3400")
        if name in changes:
            raise BadInput("settings", name, "stands twice")
        changes[name] = text if name == "box" else _value(name, text)
    return changes


def refusal(changes: Mapping[str, int | str], values: Mapping[str, int]) -> str:
    """Why a board with `values` would refuse `changes` together; "" when it would not."""
    numbers = {name: value for name, value in changes.items() if isinstance(value, int)}
    return refusal_of_all(numbers, dict(values))


def order(changes: Mapping[str, int | str], values: Mapping[str, int]) -> list[str] | None:
    """The names of `changes` in an order in which a board takes them one by one; None when there is none.

    Relations between settings (one limit above another) make the order matter.
    """
    left, now, found = dict(changes), dict(values), []
    while left:
        for name, value in left.items():
            if not isinstance(value, int) or not refusal_of_all({name: value}, now):
                break
        else:
            return None
        found.append(name)
        value = left.pop(name)
        if isinstance(value, int):
            now[name] = value
    return found


def _value(name: str, text: str) -> int:
    bounds = range_of(name)
    if bounds is None:
        near = difflib.get_close_matches(name, [setting[0] for setting in SETTINGS], n=1, cutoff=0.5)
        mend = f"did you mean {near[0]}?" if near else "`groundbox board settings` lists them"
        raise BadInput("settings", name, f"no setting is called so; {mend}")
    unit = unit_of(name)
    wants = f"wants a whole number from {bounds[0]} to {bounds[1]}{f' ({unit})' if unit else ''}"
    if not re.fullmatch(r"-?\d{1,9}", text) or not bounds[0] <= int(text) <= bounds[1]:
        raise BadInput("settings", name, f"is {text or 'empty'}; {wants}")
    return int(text)

"""Reads one TOML file into frozen structs. Each error is one line: the file, the key, the problem, what to type.

The type of a key gives what it wants: the description of its Meta, else the unit in its name, and its range.
"""

import difflib
import math
import re
import tomllib
from collections.abc import Iterable
from itertools import repeat
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin, get_type_hints

import msgspec
from msgspec import inspect

from groundbox.errors import BadInput

T = TypeVar("T")

# Ending of a key -> its unit; a longer ending before a shorter one.
UNITS = {
    "mv_per_k": "millivolts a kelvin",
    "w_per_k": "watts a kelvin",
    "w_m2": "watts a square metre",
    "m3_h": "cubic metres an hour",
    "volts": "volts",
    "amps": "amperes",
    "watts": "watts",
    "ohm": "ohms",
    "wh": "watt-hours",
    "ah": "ampere-hours",
    "hours": "hours",
    "minutes": "minutes",
    "min": "minutes",
    "s": "seconds",
    "years": "years",
    "c": "degrees Celsius",
    "k": "kelvin",
    "percent": "percent",
    "cm2": "square centimetres",
    "mm2": "square millimetres",
    "m2": "square metres",
    "cm": "centimetres",
    "m": "metres",
    "kg": "kilograms",
    "litres": "litres",
    "pa": "pascals",
    "farad": "farads",
    "rpm": "revolutions a minute",
}
WORDS: dict[type, str] = {
    inspect.FloatType: "a number",
    inspect.IntType: "a whole number",
    inspect.StrType: "text in quotes",
    inspect.BoolType: "true or false",
    inspect.DateType: "a date, as 2026-05-01",
    inspect.TimeType: "a clock time, as 13:20:00",
}


def read_toml(path: Path | str, shape: type[T], hint: str = "check the name") -> T:
    """The file as a `shape`.

    Args:
        path: the file.
        shape: a msgspec struct.
        hint: instruction for a file that cannot be read.

    Raises:
        BadInput: the file is missing, is not text or TOML, or has unknown, missing or wrong keys.
    """
    try:
        tree = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise BadInput(path, "", f"cannot be read ({error.strerror}): {hint}") from error
    except UnicodeDecodeError as error:
        raise BadInput(path, f"byte {error.start}", "is not UTF-8 text: save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise BadInput(path, "", f"is not TOML: {error}") from error
    return shaped(tree, shape, path)


def shaped(tree: object, shape: type[T], source: object) -> T:
    """Plain values as a `shape`; BadInput names the key, its value and what it wants."""
    _check(tree, shape, source, "")
    return msgspec.convert(tree, shape)


def documented(shape: type[msgspec.Struct], place: str = "") -> list[tuple[str, str]]:
    """(key path, what it wants) of every key, in the order of the structs."""
    rows = []
    for name, hint in _hints(shape).items():
        key = _below(place, name)
        inner = _inner(hint)
        if _is_struct(inner):
            rows += documented(inner, key + {list: "[]", dict: ".NAME"}.get(get_origin(_bare(hint)), ""))
        else:
            rows.append((key, _wants(hint, key)))
    return rows


def wants(shape: type[msgspec.Struct], key: str) -> str:
    """What one key of a struct wants."""
    return _wants(_hints(shape)[key], key)


def near(word: str, known: Iterable[str]) -> str:
    """The most similar known word, or all known words, as the end of a sentence."""
    names = sorted(known)
    close = difflib.get_close_matches(word, names, n=1, cutoff=0.5)
    if close:
        return f'did you mean "{close[0]}"?'
    return "known: " + ", ".join(names) if names else "none are known"


def _check(raw: Any, hint: Any, source: object, place: str) -> None:
    """Checks the values against the types, innermost first, so that an error names the exact key."""
    kind = _bare(hint)
    within = get_args(kind)
    if isinstance(raw, dict) and _is_struct(kind):
        _check_keys(raw, kind, source, place)
    elif isinstance(raw, dict) and get_origin(kind) is dict:
        for name, value in raw.items():
            _check(name, within[0], source, _below(place, name))
            _check(value, within[1], source, _below(place, name))
    elif isinstance(raw, list) and get_origin(kind) in (list, tuple):
        alike = get_origin(kind) is list or within[-1] is Ellipsis
        for number, (value, each) in enumerate(zip(raw, repeat(within[0]) if alike else within, strict=False), 1):
            _check(value, each, source, f"{place} {number}")
    if isinstance(raw, float) and not math.isfinite(raw):
        raise BadInput(source, place, f"{raw} is not a number that can be used; type {_wants(hint, place)}")
    if isinstance(raw, str) and "\0" in raw:
        raise BadInput(source, place, "has a zero character, which no name or path can have: type the text again")
    try:
        msgspec.convert(raw, hint)
    except msgspec.ValidationError as error:
        quoted = ": write it without quotes" if isinstance(raw, str) and kind in (int, float) else ""
        raise BadInput(source, place, f"{_shown(raw)} is not allowed; type {_wants(hint, place)}{quoted}") from error


def _check_keys(raw: dict[str, Any], kind: Any, source: object, place: str) -> None:
    hints = _hints(kind)
    for key, value in raw.items():
        if key not in hints:
            raise BadInput(source, _below(place, key), f"is not known here; {_meant(key, hints)}")
        _check(value, hints[key], source, _below(place, key))
    for field in msgspec.structs.fields(kind):
        if field.required and field.name not in raw:
            where = _below(place, field.name)
            raise BadInput(source, where, f"is missing; type {_wants(hints[field.name], where)}")


def _hints(kind: Any) -> dict[str, Any]:
    hints = get_type_hints(kind, include_extras=True)
    return {field.name: hints[field.name] for field in msgspec.structs.fields(kind)}


def _bare(hint: Any) -> Any:
    """The type without its Meta and without None."""
    if get_origin(hint) is Annotated:
        return _bare(get_args(hint)[0])
    if get_origin(hint) in (Union, UnionType):
        kinds = [kind for kind in get_args(hint) if kind is not NoneType]
        return _bare(kinds[0]) if len(kinds) == 1 else hint
    return hint


def _inner(hint: Any) -> Any:
    """The type of the items of a list or table; any other type unchanged."""
    kind = _bare(hint)
    return _bare(get_args(kind)[-1]) if get_origin(kind) in (list, dict) else kind


def _is_struct(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, msgspec.Struct)


def _below(place: str, key: str) -> str:
    """ "flight" -> "flight.length_min", "flight 1" -> "flight 1, length_min"."""
    return f"{place}{', ' if place[-1].isdigit() and ' ' in place else '.'}{key}" if place else key


def _shown(raw: Any) -> str:
    text = f'"{raw}"' if isinstance(raw, str) else str(raw).lower() if isinstance(raw, bool) else str(raw)
    return text if len(text) <= 40 else text[:37] + "..."


def _meant(key: str, hints: dict[str, Any]) -> str:
    """Proposal for an unknown key: the same quantity in the right unit, else the most similar key."""
    stem = key.rsplit("_", 1)[0]
    same = [name for name in hints if name.rsplit("_", 1)[0] == stem]
    close = difflib.get_close_matches(key, same or hints, n=1, cutoff=0.0 if same else 0.6)
    if not close:
        return f"known: {', '.join(hints)}"
    found = close[0]
    text = "" if _is_struct(_inner(hints[found])) else f" ({_wants(hints[found], found)})"
    return f"did you mean {found}{text}?"


def _wants(hint: Any, place: str) -> str:
    return _text(inspect.type_info(hint), place)


def _text(kind: inspect.Type, place: str) -> str:
    if isinstance(kind, inspect.Metadata):
        description = (kind.extra_json_schema or {}).get("description")
        return f"{description}{_range(kind.type)}" if description else _text(kind.type, place)
    if isinstance(kind, inspect.UnionType):
        return " or ".join(_text(each, place) for each in kind.types if not isinstance(each, inspect.NoneType))
    if isinstance(kind, inspect.StructType):
        return f"a table with {', '.join(field.name for field in kind.fields)}"
    if isinstance(kind, (inspect.ListType, inspect.VarTupleType, inspect.DictType)):
        return _many_text(kind, place)
    if isinstance(kind, inspect.TupleType):
        return f"a list of {len(kind.item_types)}: {', '.join(_text(each, place) for each in kind.item_types)}"
    if isinstance(kind, inspect.LiteralType):
        return " or ".join(_shown(value) for value in kind.values)
    words = WORDS.get(type(kind), "another value")
    if isinstance(kind, inspect.FloatType):
        words = _unit(place) or words
    return words + _range(kind)


def _many_text(kind: inspect.ListType | inspect.VarTupleType | inspect.DictType, place: str) -> str:
    name = re.sub(r" \d+(, |$)", ".", place).rstrip(".")
    if isinstance(kind, inspect.DictType):
        struct = isinstance(kind.value_type, inspect.StructType)
        return f"[{name}.NAME] tables" if struct else f"a table, for each name {_text(kind.value_type, place)}"
    minimum = f"at least {kind.min_length} of " if kind.min_length else ""
    if isinstance(kind.item_type, inspect.StructType):
        return f"{minimum}[[{name}]] tables"
    return f"a list, {minimum}{'' if minimum else 'each '}{_text(kind.item_type, place)}"


def _unit(place: str) -> str:
    """The unit that the name of a key ends with, or ""."""
    key = re.sub(r" \d+$", "", place)
    return next((unit for ending, unit in UNITS.items() if re.search(rf"(^|[_., ]){ending}$", key)), "")


def _range(kind: inspect.Type) -> str:
    """As ", 4 to 60", or ""."""
    if isinstance(kind, inspect.UnionType):
        return next((text for each in kind.types if (text := _range(each))), "")
    if isinstance(kind, inspect.StrType):
        return f", {kind.min_length or 0} to {kind.max_length} characters" if kind.max_length else ""
    if not isinstance(kind, (inspect.FloatType, inspect.IntType)):
        return ""
    low = kind.ge if kind.ge is not None else kind.gt
    above = "above " if kind.ge is None else ""
    if low is None:
        return "" if kind.le is None else f", up to {kind.le:g}"
    if kind.le is None:
        return f", {above}{low:g}{'' if above else ' or more'}"
    return f", {above}{low:g}{' up' if above else ''} to {kind.le:g}"

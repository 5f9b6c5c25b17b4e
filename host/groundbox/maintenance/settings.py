"""A board's settings as a person types and reads them, and the order in which a board accepts changes."""

import difflib
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from groundbox.errors import BadInput
from groundbox.wire.line import check
from groundbox.wire.meanings import MEANINGS
from groundbox.wire.messages import fields_of
from groundbox.wire.settings import SETTINGS, range_of, refusal_of_all

MAX_STEPS = 200
_UNITS = (
    ("_centi_c", "0.01 °C"),
    ("_mv_per_c", "mV per °C"),
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
class SettingRow:
    """One setting of a board; `value` is None where unknown."""

    name: str
    value: int | None
    low: int
    high: int
    unit: str
    default: int
    meaning: str


def unit_of(name: str) -> str:
    """The unit in a setting's name; "" for kinds and switches."""
    return next((unit for end, unit in _UNITS if name.endswith(end)), "")


def rows(values: Mapping[str, int | None]) -> list[SettingRow]:
    """Every setting in the registry's order."""
    return [
        SettingRow(
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


def parse(words: Sequence[str]) -> tuple[dict[str, int | str], dict[str, str]]:
    """NAME=VALUE words as changes, and the mistakes in them, by name.

    `box` takes a name, all others whole numbers in their range.
    """
    changes: dict[str, int | str] = {}
    mistakes: dict[str, str] = {}
    for word in words:
        name, sign, text = word.partition("=")
        if not sign:
            mistakes[word] = "must have the form NAME=VALUE, as in fan_on_centi_c=3400"
        elif name in changes:
            mistakes[name] = "is given twice; give it once"
        else:
            try:
                changes[name] = _box(text) if name == "box" else _value(name, text)
            except BadInput as error:
                mistakes[name] = error.problem
    return changes, mistakes


def refusal(changes: Mapping[str, int | str], values: Mapping[str, int]) -> str:
    """Why a board with `values` would refuse `changes` together; "" when it would not."""
    numbers = {name: value for name, value in changes.items() if isinstance(value, int)}
    return refusal_of_all(numbers, dict(values))


def refusals(changes: Mapping[str, int | str], values: Mapping[str, int]) -> list[str]:
    """Every reason against `changes`, each with the old and new values that cause it."""
    left, found = dict(changes), list[str]()
    while left and (reason := refusal(left, values)):
        causes = [name for name in left if name in reason or reason.startswith(f"{name.partition('_')[0]} calibration")]
        moved = ", ".join(f"{name} {values[name]} -> {left[name]}" for name in causes)
        found.append(f"{moved}: {reason}" if moved else reason)
        left = {name: value for name, value in left.items() if causes and name not in causes}
    return found


def saved(box: str, values: Mapping[str, int]) -> str:
    """Settings as the text of a file, for `restored`."""
    return "".join(
        [f'box = "{box}"\n', *(f"{name} = {values[name]}\n" for name, _, _, _ in SETTINGS if name in values)]
    )


def restored(path: Path) -> dict[str, int | str]:
    """The settings in a file that `saved` wrote.

    Raises:
        BadInput: the file cannot be read, or has mistakes; all of them are named.
    """
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise BadInput(path, "", f"cannot be read as saved settings ({error}); save them again") from error
    changes, mistakes = parse([f"{name}={value}" for name, value in table.items()])
    if mistakes or "box" not in changes:
        mistakes = mistakes or {"box": "is missing; add the name of the board's box"}
        raise BadInput(path, "", "; ".join(f"{name} {problem}" for name, problem in mistakes.items()))
    return changes


def path(changes: Mapping[str, int | str], values: Mapping[str, int]) -> list[tuple[str, int]] | None:
    """(name, value) in an order in which a board accepts each; None when no order is found.

    Relations between settings (one limit above another, a calibration's slope) make the order matter, and sometimes
    require steps of part of the way.
    """
    now, found = dict(values), list[tuple[str, int]]()
    left = {name: value for name, value in changes.items() if isinstance(value, int)}
    while left and len(found) < MAX_STEPS:
        step = _step(left, now)
        if step is None:
            return None
        name, value = step
        now[name] = value
        found.append(step)
        if value == left[name]:
            del left[name]
    return None if left else found


def _step(left: Mapping[str, int], now: Mapping[str, int]) -> tuple[str, int] | None:
    for part in (1, 2, 4, 8):
        for name, target in left.items():
            value = target if part == 1 else now[name] + (target - now[name]) // part
            if (part == 1 or value != now[name]) and not refusal_of_all({name: value}, dict(now)):
                return name, value
    return None


def _box(text: str) -> str:
    try:
        check(fields_of("hello")[0], text)
    except ValueError as error:
        raise BadInput("settings", "box", str(error).removeprefix("box: ")) from error
    return text


def _value(name: str, text: str) -> int:
    bounds = range_of(name)
    if bounds is None:
        near = difflib.get_close_matches(name, [setting[0] for setting in SETTINGS], n=1, cutoff=0.5)
        fix = f"did you mean {near[0]}?" if near else "list them: groundbox board settings"
        raise BadInput("settings", name, f"is not a setting; {fix}")
    unit = unit_of(name)
    allowed = f"write a whole number from {bounds[0]} to {bounds[1]}{f' ({unit})' if unit else ''}"
    if not re.fullmatch(r"-?\d{1,9}", text) or not bounds[0] <= int(text) <= bounds[1]:
        raise BadInput("settings", name, f"is {text or 'empty'}; {allowed}")
    return int(text)

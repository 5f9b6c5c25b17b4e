"""Reads one TOML file into frozen structs; everything wrong with it becomes one line with file, place and mend."""

import difflib
import re
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from groundbox.errors import BadInput

T = TypeVar("T")

EXPLAINED = (
    (re.compile(r"Expected `(?:float|int)` >= ([-\d.]+?)(?:\.0)?$"), r"must be \1 or more"),
    (re.compile(r"Expected `(?:float|int)` <= ([-\d.]+?)(?:\.0)?$"), r"must be \1 or less"),
    (re.compile(r"Expected `(?:float|int)` > ([-\d.]+?)(?:\.0)?$"), r"must be above \1"),
    (re.compile(r"Expected `array` of length >= (\d+)"), r"needs at least \1 entry"),
    (re.compile(r"Expected `str` of length >= 1"), "must not be empty"),
    (re.compile(r"Expected `([^`]+)`, got `([^`]+)`"), r"must be \1, not \2"),
    (re.compile(r"Object missing required field `([^`]+)`"), r"`\1` is missing: add it"),
)
WORDS = {
    "int | float": "a number",
    "float": "a number",
    "int": "a whole number",
    "str": "text in quotes",
    "bool": "true or false",
}
WORDS |= {"object": "a table", "array": "a list"}


def near(word: str, known: Iterable[str]) -> str:
    """What was probably meant, as the tail of a sentence."""
    names = sorted(known)
    close = difflib.get_close_matches(word, names, n=1, cutoff=0.5)
    if close:
        return f'did you mean "{close[0]}"?'
    return "known: " + ", ".join(names) if names else "none are known"


def _field_names(shape: object, path: list[str]) -> list[str]:
    """Names of the fields at a place like ["flight", "[...]"] below a struct type."""
    for step in path:
        if isinstance(shape, msgspec.inspect.UnionType):
            shape = next((t for t in shape.types if not isinstance(t, msgspec.inspect.NoneType)), None)
        if step == "[...]" and isinstance(shape, (msgspec.inspect.ListType, msgspec.inspect.VarTupleType)):
            shape = shape.item_type
        elif isinstance(shape, msgspec.inspect.DictType):
            shape = shape.value_type
        elif isinstance(shape, msgspec.inspect.StructType):
            shape = next((field.type for field in shape.fields if field.encode_name == step), None)
    if isinstance(shape, msgspec.inspect.UnionType):
        shape = next((t for t in shape.types if isinstance(t, msgspec.inspect.StructType)), None)
    return [field.encode_name for field in shape.fields] if isinstance(shape, msgspec.inspect.StructType) else []


def _steps(place: str) -> list[str]:
    """ "$.flight[0].name" -> ["flight", "[...]", "name"], indices forgotten."""
    return re.findall(r"[^.\[\]$]+|\[[^\]]*\]", re.sub(r"\[\d*(?:\.\.\.)?\]", "[...]", place))


def _readable(place: str) -> str:
    """ "$.flight[0].name" -> "flight 1, name"."""
    text = re.sub(r"\[(\d+)\]", lambda found: f" {int(found[1]) + 1}", place.removeprefix("$").lstrip("."))
    return re.sub(r"\[\.\.\.\]", "", text).replace(".", ", ")


def explain(source: object, error: msgspec.ValidationError, shape: object) -> BadInput:
    """A validator's complaint in a pilot's words."""
    text, _, place = str(error).partition(" - at `")
    place = place.rstrip("`") or "$"
    unknown = re.match(r"Object contains unknown field `([^`]+)`", text)
    if unknown:
        names = _field_names(msgspec.inspect.type_info(shape), _steps(place))
        readable = ", ".join(part for part in (_readable(place), unknown[1]) if part)
        return BadInput(source, readable, f"is not known here; {near(unknown[1], names)}")
    for pattern, words in EXPLAINED:
        if pattern.search(text):
            text = pattern.sub(words, text)
            break
    for name, words in WORDS.items():
        text = text.replace(f"be {name},", f"be {words},").replace(f"not {name}", f"not {words}")
    return BadInput(source, _readable(place), text)


def _plain_number(value: float, place: str, source: object) -> None:
    if value != value or value in (float("inf"), float("-inf")):
        raise BadInput(source, place, f"{value} is not a number that can be used: write a plain number")


def _refuse_odd_numbers(tree: object, place: str, source: object) -> None:
    if isinstance(tree, float):
        _plain_number(tree, place, source)
    elif isinstance(tree, dict):
        for key, value in tree.items():
            _refuse_odd_numbers(value, f"{place}, {key}" if place else key, source)
    elif isinstance(tree, list):
        for index, value in enumerate(tree, 1):
            _refuse_odd_numbers(value, f"{place} {index}", source)


def read_tree(path: Path | str, hint: str = "check the name") -> dict[str, Any]:
    """The file as plain values; BadInput when it is missing, not text, not TOML, or has a number that is none.

    Args:
        path: the file.
        hint: what to do when it cannot be read.
    """
    try:
        tree = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise BadInput(path, "", f"cannot be read ({error.strerror}): {hint}") from error
    except UnicodeDecodeError as error:
        raise BadInput(path, f"byte {error.start}", "is not UTF-8 text: save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise BadInput(path, "", f"is not TOML: {error}") from error
    _refuse_odd_numbers(tree, "", path)
    return tree


def read_toml(path: Path | str, shape: type[T], hint: str = "check the name") -> T:
    """The file as a `shape`; BadInput as by read_tree, or when it has unknown, missing or wrong fields."""
    tree = read_tree(path, hint)
    try:
        return msgspec.convert(tree, shape)
    except msgspec.ValidationError as error:
        raise explain(path, error, shape) from error

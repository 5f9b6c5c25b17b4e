"""Plain words, one meaning for each class name, and the size of the product."""

import ast
import re
from collections import Counter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
# Words that the documents, the program and the code do not use; DEVELOPERS.md, "Words", has their replacements.
BANNED = re.compile(
    r"(?<![a-z])(papers|told|mend(s|ed|ing)?|stands|lives|harmed|whoever|foretold|goes on|anew|outings?|as it came"
    r"|heat_wanted|heat wanted)(?![a-z])"
)
READ_BY_PEOPLE = {".md", ".py", ".toml", ".js", ".mjs", ".html", ".css", ".svg"}
MAX_CLASS_NAMES_TWICE = 1
MAX_MODULES = 300  # the aim was 260; each part that is added since must be worth its place
MAX_LINES = 47_500  # the aim was 35,000


def _texts() -> list[Path]:
    """Everything that a person or a programmer reads, but the list of words above and its tests."""
    tops = [ROOT / name for name in ("README.md", "DEVELOPERS.md", "Makefile", "pyproject.toml", ".ci/run")]
    folders = [path for top in ("firmware", "hardware", "host", "tests") for path in (ROOT / top).rglob("*")]
    return [*tops, *(path for path in folders if path.suffix in READ_BY_PEOPLE and path != Path(__file__))]


def _modules(*folders: str) -> list[Path]:
    return [path for folder in folders for path in (ROOT / folder).rglob("*.py")]


def banned_words(text: str) -> list[str]:
    """Banned words with their lines; a word also counts as a part of a longer name, as in `told_by` or `FlightTold`."""
    found = []
    for number, line in enumerate(text.splitlines(), 1):
        spaced = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", " ", line).lower()
        found += [f"line {number}: {match.group(1)}: {line.strip()}" for match in BANNED.finditer(spaced)]
    return found


def test_no_banned_word() -> None:
    found = [f"{path.relative_to(ROOT)}, {one}" for path in _texts() for one in banned_words(path.read_text("utf-8"))]
    assert not found, "\n".join([f"{len(found)} banned words", *found[:40]])


@pytest.mark.parametrize(
    "line",
    [
        "The pilot is told.",
        "told_s = 3",
        "class FlightTold:",
        "it goes on",
        "Mending",
        "error.mend",
        "a day as it came",
    ],
)
def test_a_planted_word_is_found(line: str) -> None:
    assert banned_words(f"ok\n{line}\n") != []


@pytest.mark.parametrize("line", ["amend, commend, recommended", "alives", "withstands", "paperspace", "untold"])
def test_a_longer_word_is_not_found(line: str) -> None:
    assert banned_words(line) == []


def names_twice(sources: dict[str, str]) -> dict[str, int]:
    """Names of classes that more than one place defines, and how often."""
    names = Counter(
        node.name for text in sources.values() for node in ast.walk(ast.parse(text)) if isinstance(node, ast.ClassDef)
    )
    return {name: count for name, count in sorted(names.items()) if count > 1}


def test_one_class_name_means_one_thing() -> None:
    sources = {str(path): path.read_text("utf-8") for path in _modules("host", "firmware")}
    twice = names_twice(sources)
    print(f"\nclass names defined twice: {len(twice)} {', '.join(twice)}")
    assert len(twice) <= MAX_CLASS_NAMES_TWICE, twice


def test_a_planted_class_is_counted() -> None:
    assert names_twice({"a": "class Row:\n    pass\n", "b": "class Row:\n    pass\nclass Load:\n    pass\n"}) == {
        "Row": 2
    }


def test_the_product_stays_small() -> None:
    modules = _modules("host", "firmware", "hardware")
    lines = sum(len(path.read_text("utf-8").splitlines()) for path in modules)
    print(f"\nproduct: {len(modules)} modules, {lines} lines")
    assert len(modules) <= MAX_MODULES
    assert lines <= MAX_LINES

"""Any TOML file into any struct: the type of a key gives what it wants, and every mistake is found."""

import datetime
from pathlib import Path
from typing import Annotated, Literal

import msgspec
import pytest
from msgspec import Meta

from groundbox.errors import BadInput
from groundbox.toml_file import documented, near, read_toml, wants


class Pump(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    name: Annotated[str, Meta(min_length=1, max_length=5)]
    hold_amps: Annotated[float, Meta(gt=0, le=5)] = 1.0
    hold_s: Annotated[float, Meta(ge=0)] = 0.0


class Shed(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    pump: Annotated[list[Pump], Meta(min_length=1)]
    opens: datetime.time | None = None
    kind: Literal["wet", "dry"] = "dry"
    shelves: int = 2
    locked: bool = False
    words: tuple[str, ...] = ()
    points: list[tuple[float, float]] = []
    by_hour: dict[str, Annotated[float, Meta(ge=0, le=1, description="fraction of full sun")]] = {}
    spare: Pump | None = None


GOOD = '[[pump]]\nname = "a"\n'


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("shelves = 3", "pump: is missing; type at least 1 of [[pump]] tables"),
        ("pump = []", "pump: [] is not allowed; type at least 1 of [[pump]] tables"),
        ("pump = 3", "pump: 3 is not allowed; type at least 1 of [[pump]] tables"),
        ("[[pump]]\nhold_s = 1", "pump 1, name: is missing; type text in quotes, 1 to 5 characters"),
        (GOOD + "hold_amps = 0", "pump 1, hold_amps: 0 is not allowed; type amperes, above 0 up to 5"),
        (GOOD + "hold_s = -1", "pump 1, hold_s: -1 is not allowed; type seconds, 0 or more"),
        (GOOD + "hold_s = true", "pump 1, hold_s: true is not allowed; type seconds, 0 or more"),
        (
            GOOD + 'hold_s = "4"',
            'pump 1, hold_s: "4" is not allowed; type seconds, 0 or more: write it without quotes',
        ),
        (GOOD + "hold_s = nan", "pump 1, hold_s: nan is not a number that can be used; type seconds, 0 or more"),
        (GOOD + "hold_ms = 40", "pump 1, hold_ms: is not known here; did you mean hold_s (seconds, 0 or more)?"),
        (GOOD + "colour = 1", "pump 1, colour: is not known here; known: name, hold_amps, hold_s"),
        ("pumps = 3\n" + GOOD, "pumps: is not known here; did you mean pump?"),
        ("spare = 3\n" + GOOD, "spare: 3 is not allowed; type a table with name, hold_amps, hold_s"),
        ('opens = "9:00"\n' + GOOD, 'opens: "9:00" is not allowed; type a clock time, as 13:20:00'),
        ('kind = "damp"\n' + GOOD, 'kind: "damp" is not allowed; type "dry" or "wet"'),
        ("shelves = 2.5\n" + GOOD, "shelves: 2.5 is not allowed; type a whole number"),
        ("locked = 1\n" + GOOD, "locked: 1 is not allowed; type true or false"),
        ("words = 1\n" + GOOD, "words: 1 is not allowed; type a list, each text in quotes"),
        ("words = ['a', 2]\n" + GOOD, "words 2: 2 is not allowed; type text in quotes"),
        ("points = [[1, inf]]\n" + GOOD, "points 1 2: inf is not a number that can be used; type a number"),
        ("points = [[1, 2, 3]]\n" + GOOD, "points 1: [1, 2, 3] is not allowed; type a list of 2: a number, a number"),
        ('by_hour = { "13" = 24 }\n' + GOOD, "by_hour.13: 24 is not allowed; type fraction of full sun, 0 to 1"),
        (
            "by_hour = 3\n" + GOOD,
            "by_hour: 3 is not allowed; type a table, for each name fraction of full sun, 0 to 1",
        ),
    ],
)
def test_a_mistake_names_the_key_what_was_found_and_what_is_wanted(tmp_path: Path, text: str, line: str) -> None:
    file = tmp_path / "shed.toml"
    file.write_text(text)
    with pytest.raises(BadInput) as caught:
        read_toml(file, Shed)
    assert str(caught.value) == f"{file}: {line}"


def test_a_good_file_is_read(tmp_path: Path) -> None:
    file = tmp_path / "shed.toml"
    file.write_text('opens = 09:00:00\npoints = [[1, 2.5]]\nspare = { name = "b", hold_s = 3 }\n' + GOOD)
    assert read_toml(file, Shed) == Shed(
        pump=[Pump(name="a")], opens=datetime.time(9), points=[(1.0, 2.5)], spare=Pump(name="b", hold_s=3.0)
    )


def test_every_key_is_documented() -> None:
    rows = dict(documented(Shed))
    assert rows["pump[].hold_amps"] == rows["spare.hold_amps"] == wants(Pump, "hold_amps") == "amperes, above 0 up to 5"
    assert list(rows)[:4] == ["pump[].name", "pump[].hold_amps", "pump[].hold_s", "opens"]


def test_near() -> None:
    assert near("recievers", ["servos", "receivers"]) == 'did you mean "receivers"?'
    assert near("x", ["servos", "receivers"]) == "known: receivers, servos"
    assert near("x", []) == "none are known"

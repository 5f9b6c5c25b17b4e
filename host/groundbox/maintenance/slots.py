"""Which slot a board runs, which is free, and what differs between a slot and the package: pure.

The file `choice` is described in firmware/main.py.
"""

from collections.abc import Mapping
from dataclasses import dataclass

ENTRY = "begin.py"  # a slot without it cannot run


@dataclass(frozen=True, slots=True, kw_only=True)
class Differences:
    """Paths in a slot: those to write, and those that must go."""

    to_write: tuple[str, ...]
    to_remove: tuple[str, ...]

    def __bool__(self) -> bool:
        return bool(self.to_write or self.to_remove)


def differences(wanted: Mapping[str, str], found: Mapping[str, str]) -> Differences:
    """What is to be done so that `found` becomes `wanted`; both are path -> SHA-256 in hexadecimal digits."""
    return Differences(
        to_write=tuple(path for path in sorted(wanted) if found.get(path) != wanted[path]),
        to_remove=tuple(sorted(set(found) - set(wanted))),
    )


def good_slot(choice: str, a: Mapping[str, str], b: Mapping[str, str]) -> str | None:
    """The slot a board falls back to: "a", "b", or None when no firmware is there.

    Args:
        choice: content of the file `choice`, "" when there is none.
        a, b: files in the slots.
    """
    said = choice[:1]
    for name, files in (("a", a), ("b", b)):
        if said == name and ENTRY in files:
            return name
    return "a" if ENTRY in a else "b" if ENTRY in b else None


def free_slot(good: str | None) -> str:
    """The slot to install into."""
    return "b" if good == "a" else "a"


def next_choice(good: str | None, new: str) -> str:
    """What `choice` has to say so that `new` is tried; a first firmware has nothing to go back to."""
    return new if good is None else f"{good}>{new}"

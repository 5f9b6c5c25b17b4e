"""Firmware into a board's free slot: written, compared by checksum, and chosen for a trial at the next start.

A board has two slots, "a" and "b". The file `choice` is described in firmware/main.py.
"""

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from groundbox.errors import LinkError
from groundbox.maintenance.flash import Flash

TRIES = 2
ENTRIES = ("startup/begin.py", "startup/begin.mpy")  # a slot without one of them cannot run
Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Package:
    """The firmware of this package.

    Attributes:
        files: path in a slot -> content.
        selector: content of `main.py` beside the slots.
    """

    files: Mapping[str, bytes]
    selector: bytes

    @property
    def hashes(self) -> dict[str, str]:
        """Path in a slot -> SHA-256."""
        return {path: hashlib.sha256(content).hexdigest() for path, content in self.files.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Installed:
    """The result of an installation.

    Attributes:
        slot: where the new firmware is.
        before: the slot that runs again when the new firmware does not report; None for a first firmware.
        written: files that were written.
        compared: files whose checksum on the board equals the package's.
    """

    slot: str
    before: str | None
    written: int
    compared: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Differences:
    """Paths in a slot: those to write, and those to remove."""

    to_write: tuple[str, ...]
    to_remove: tuple[str, ...]

    def __bool__(self) -> bool:
        return bool(self.to_write or self.to_remove)


def differences(wanted: Mapping[str, str], found: Mapping[str, str]) -> Differences:
    """The changes that turn `found` into `wanted`; both are path -> SHA-256 in hexadecimal digits."""
    return Differences(
        to_write=tuple(path for path in sorted(wanted) if found.get(path) != wanted[path]),
        to_remove=tuple(sorted(set(found) - set(wanted))),
    )


def good_slot(choice: str, a: Mapping[str, str], b: Mapping[str, str]) -> str | None:
    """The slot that a board returns to: "a", "b", or None without firmware.

    Args:
        choice: content of the file `choice`, "" when it is missing.
        a, b: files in the slots.
    """
    chosen = choice[:1]
    runs = [name for name, files in (("a", a), ("b", b)) if any(entry in files for entry in ENTRIES)]
    return chosen if chosen in runs else runs[0] if runs else None


def free_slot(good: str | None) -> str:
    """The slot to install into."""
    return "b" if good == "a" else "a"


def next_choice(good: str | None, new: str) -> str:
    """Content of `choice` that puts `new` on trial; a first firmware has no slot to return to."""
    return new if good is None else f"{good}>{new}"


def install(flash: Flash, package: Package, progress: Progress) -> Installed:
    """Writes the package into the free slot, on trial at the next start. Until then the earlier firmware is in force.

    Raises:
        LinkError: a file on the board differs from what was sent; the earlier firmware stays in force.
    """
    found = {slot: flash.hashes(slot) for slot in ("a", "b")}
    choice = (flash.read("choice") or b"").decode("ascii", "replace")
    before = good_slot(choice, found["a"], found["b"])
    slot = free_slot(before)
    written = _fill(flash, package, slot, found[slot], progress)
    if flash.read("main.py") != package.selector:
        _replace(flash, "main.py", package.selector)
        written += 1
    _replace(flash, "choice", next_choice(before, slot).encode())
    return Installed(slot=slot, before=before, written=written, compared=len(package.files) + 1)


def _fill(flash: Flash, package: Package, slot: str, found: dict[str, str], progress: Progress) -> int:
    """Makes slot and package equal, by the board's own checksums; returns the number of files written."""
    wanted, written = package.hashes, 0
    for _ in range(TRIES):
        changes = differences(wanted, found)
        for path in changes.to_remove:
            flash.remove(f"{slot}/{path}")
        for i, path in enumerate(changes.to_write):
            progress(f"slot {slot}: {i + 1} of {len(changes.to_write)}: {path}")
            flash.write(f"{slot}/{path}", package.files[path])
        written += len(changes.to_write)
        found = flash.hashes(slot)
        if not (left := differences(wanted, found)):
            return written
    first = (*left.to_write, *left.to_remove)[0]
    raise LinkError(
        f"slot {slot}: {first} on the board differs from what was sent; the earlier firmware is kept; try again"
    )


def _replace(flash: Flash, path: str, content: bytes) -> None:
    """Replaces a file outside the slots: written under another name first, so a power cut leaves one whole file."""
    flash.write(f"{path}.new", content)
    if flash.read(f"{path}.new") != content:
        raise LinkError(f"{path} on the board differs from what was sent; the earlier firmware is kept; try again")
    flash.rename(f"{path}.new", path)

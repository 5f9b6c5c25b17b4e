"""Firmware into a board's free slot: written, read back, compared, and chosen to be tried."""

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from groundbox.errors import LinkError
from groundbox.maintenance.flash import Flash
from groundbox.maintenance.slots import differences, free_slot, good_slot, next_choice

TRIES = 2
Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Package:
    """What goes onto a board.

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
    """What was done.

    Attributes:
        slot: where the new firmware is.
        before: the slot that runs when the new one does not prove itself; None for a first firmware.
        written: files that were written.
        compared: files whose sum on the board equals the package's.
    """

    slot: str
    before: str | None
    written: int
    compared: int


def install(flash: Flash, package: Package, tell: Tell) -> Installed:
    """Puts the package into the free slot and has it tried at the next start. Until then the old one is in force.

    Raises:
        LinkError: the board does not hold what was sent; the old firmware is still the one that runs.
    """
    found = {slot: flash.hashes(slot) for slot in ("a", "b")}
    choice = (flash.read("choice") or b"").decode("ascii", "replace")
    before = good_slot(choice, found["a"], found["b"])
    slot = free_slot(before)
    written = _fill(flash, package, slot, found[slot], tell)
    if flash.read("main.py") != package.selector:
        _replace(flash, "main.py", package.selector)
        written += 1
    _replace(flash, "choice", next_choice(before, slot).encode())
    return Installed(slot=slot, before=before, written=written, compared=len(package.files) + 1)


def _fill(flash: Flash, package: Package, slot: str, found: dict[str, str], tell: Tell) -> int:
    """Makes slot and package equal, by the board's own sums; number of files written."""
    wanted, written = package.hashes, 0
    for _ in range(TRIES):
        todo = differences(wanted, found)
        for path in todo.to_remove:
            flash.remove(f"{slot}/{path}")
        for i, path in enumerate(todo.to_write):
            tell(f"slot {slot}: {i + 1} of {len(todo.to_write)}: {path}")
            flash.write(f"{slot}/{path}", package.files[path])
        written += len(todo.to_write)
        found = flash.hashes(slot)
        if not (left := differences(wanted, found)):
            return written
    first = (*left.to_write, *left.to_remove)[0]
    raise LinkError(f"slot {slot}: {first} on the board is not what was sent; the firmware that ran before is kept")


def _replace(flash: Flash, path: str, content: bytes) -> None:
    """A file outside the slots: whole under another name first, so that a power cut leaves the old or the new."""
    flash.write(f"{path}.new", content)
    if flash.read(f"{path}.new") != content:
        raise LinkError(f"{path} on the board is not what was sent; the firmware that ran before is kept")
    flash.rename(f"{path}.new", path)

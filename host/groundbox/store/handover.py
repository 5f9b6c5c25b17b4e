"""Marks and acknowledgements left by other processes for the one that writes the store: a folder of small files.

A file comes into place whole (written aside, flushed, renamed), is taken over in a transaction that keeps its name as
the key, and is removed after the commit: killed anywhere between, nothing is lost and nothing counts twice.
"""

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path
from uuid import uuid4

from groundbox.model import Acknowledge, Mark

_KINDS: dict[str, type[Mark] | type[Acknowledge]] = {"mark": Mark, "acknowledge": Acknowledge}


@dataclass(frozen=True, slots=True, kw_only=True)
class Handed:
    """One file: `id` names it, in order of time."""

    id: str
    file: Path
    request: Mark | Acknowledge


def folder(path: Path) -> Path:
    """Where files for the store at `path` wait."""
    return path.with_name(path.name + ".handover")


def leave(path: Path, request: Mark | Acknowledge) -> None:
    """Puts `request` into the folder; it is on the disk when this returns.

    Raises:
        OSError: the folder cannot be written.
    """
    place = folder(path)
    place.mkdir(parents=True, exist_ok=True)
    name = f"{round(request.wall_s * 1000):015d}-{uuid4().hex}.{type(request).__name__.lower()}"
    aside = place / f".{name}"
    with aside.open("w", encoding="utf-8") as file:
        json.dump(asdict(request), file)
        file.flush()
        os.fsync(file.fileno())
    aside.rename(place / name)
    _flush_folder(place)


def waiting(path: Path) -> list[Handed]:
    """What waits, oldest first; files that are not of ours are passed over."""
    place = folder(path)
    try:
        files = sorted(file for file in place.iterdir() if not file.name.startswith("."))
    except FileNotFoundError:
        return []
    found = []
    for file in files:
        kind = _KINDS.get(file.suffix.removeprefix("."))
        if kind is None:
            continue
        try:
            request = kind(**json.loads(file.read_text(encoding="utf-8")))
        except (FileNotFoundError, ValueError, TypeError):  # taken over at this moment, or not ours
            continue
        found.append(Handed(id=file.stem, file=file, request=request))
    return found


def remove(handed: Handed) -> None:
    """Removes what was taken over."""
    handed.file.unlink(missing_ok=True)


def _flush_folder(place: Path) -> None:
    if os.name != "posix":
        return
    descriptor = os.open(place, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)

"""The calibrations that were written to boards, one JSON line each, so that the newest can be taken back."""

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from groundbox.errors import BadInput, StoreError


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationEntry:
    """One calibration, or the undoing of one.

    Attributes:
        at: ISO 8601 in UTC.
        box: the board's name.
        what: calibrate or undo.
        channels: what was calibrated.
        points: of each channel: what it read uncorrected, and what the instrument showed, wire units.
        before, after: the settings that changed.
    """

    at: str
    box: str
    what: str
    channels: list[str]
    points: dict[str, list[tuple[float, float]]]
    before: dict[str, int]
    after: dict[str, int]


def now() -> str:
    """This moment, as an entry has it."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def entries(path: Path) -> list[CalibrationEntry]:
    """All entries, oldest first; none where there is no file.

    Raises:
        BadInput: a line is no entry.
    """
    if not path.exists():
        return []
    found = []
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        try:
            found.append(msgspec.json.decode(line, type=CalibrationEntry))
        except msgspec.MsgspecError as error:
            raise BadInput(path, f"line {number}", f"is no calibration ({error}); remove the line") from error
    return found


def add(path: Path, entry: CalibrationEntry) -> None:
    """Appends an entry.

    Raises:
        StoreError: the file cannot be written; then nothing may be written to a board.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(msgspec.to_builtins(entry)) + "\n")
    except OSError as error:
        raise StoreError(f"{path}: the history cannot be written ({error.strerror}); nothing is changed") from error


def newest(path: Path, box: str, channels: set[str]) -> CalibrationEntry | None:
    """The newest calibration of one of these channels of `box` that was not undone."""
    stack: list[CalibrationEntry] = []
    for entry in entries(path):
        if entry.box != box or not channels & set(entry.channels):
            continue
        if entry.what == "undo":
            stack = stack[:-1]
        else:
            stack.append(entry)
    return stack[-1] if stack else None

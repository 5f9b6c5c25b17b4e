"""Marks and acknowledgements into the tables, each once, and how other processes leave them for the writer.

For a SQLite file they wait in a folder of small files. A file comes into place whole (written aside, flushed, renamed),
is taken over in a transaction that keeps its name as the key, and is removed after the commit: killed anywhere
between, nothing is lost and nothing counts twice.
"""

import json
import os
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from uuid import uuid4

import msgspec

from groundbox.model import Acknowledge, BatteryFitted, Mark
from groundbox.store.engine import Engine, boxes_in
from groundbox.wire.messages import MARKS

Statement = tuple[str, tuple[object, ...]]
_FRESH_MS = 10_000  # an older reading dates no mark
MAX_BYTES = 65_536  # of a file
_LATEST_S = 1e11  # a time that is further off is none
_KINDS: dict[str, type[Mark] | type[Acknowledge]] = {"mark": Mark, "acknowledge": Acknowledge}


# --- into the tables ---


def new_id(request: Mark | Acknowledge) -> str:
    """A new id, in order of time."""
    return f"{round(request.wall_s * 1000):015d}-{uuid4().hex}"


def mark_statements(engine: Engine, run: int, id: str, mark: Mark) -> list[Statement]:
    """What a mark writes; a swap with a name also fits the battery."""
    statements: list[Statement] = [
        (
            "INSERT INTO mark (id, box, kind, name, confirmed, wall_ms, run, heard_box, heard_boot, heard_uptime_ms,"
            f" row_order) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, {engine.next_row})",
            (
                *(id, mark.box, mark.kind, mark.name, int(mark.confirmed), round(mark.wall_s * 1000), run),
                *_heard(engine, mark),
            ),
        )
    ]
    if mark.kind == "swap" and mark.name:
        fitted = BatteryFitted(box=mark.box, battery=mark.name, from_wall_s=mark.wall_s)
        statements += fitted_statements(run, fitted, mark_id=id)
    return statements


def _heard(engine: Engine, mark: Mark) -> tuple[str | None, int | None, int | None]:
    """The moment of a mark as box, start and uptime in ms of a board that sends at that time; None without any."""
    newest = "SELECT wall_ms, box, boot, uptime_ms FROM reading WHERE box = ? ORDER BY boot DESC, sequence DESC LIMIT 1"
    made_ms, found = round(mark.wall_s * 1000), []
    for box in boxes_in(engine) if mark.box == "*" else [mark.box]:
        found += [row for row in engine.rows(newest, (box,)) if row[0] and abs(made_ms - row[0]) <= _FRESH_MS]
    if not found:
        return None, None, None
    wall_ms, box, boot, uptime_ms = max(found)
    return box, boot, uptime_ms + made_ms - wall_ms


def fitted_statements(run: int, fitted: BatteryFitted, mark_id: str | None = None) -> list[Statement]:
    """What a fitting writes; `mark_id` is that of the swap which it comes from."""
    return [
        ("INSERT INTO battery (name, profile) VALUES (?, NULL) ON CONFLICT (name) DO NOTHING", (fitted.battery,)),
        (
            "INSERT INTO fitted (box, battery, mark, wall_ms, run) VALUES (?, ?, ?, ?, ?)",
            (fitted.box, fitted.battery, mark_id, round(fitted.from_wall_s * 1000), run),
        ),
    ]


def _acknowledge_statements(run: int, request: Acknowledge) -> list[Statement]:
    """A line in the log for each warning that is open and not acknowledged."""
    of_kind = "" if request.warning is None else " AND warning = ?"
    return [
        (
            "INSERT INTO warning (box, warning, severity, change, sentence, wall_ms, run)"
            " SELECT box, warning, severity, 'acknowledged', sentence, ?, ? FROM warning WHERE box = ?"
            f" AND id IN (SELECT max(id) FROM warning GROUP BY box, warning) AND change = 'raised'{of_kind}",
            (
                *(round(request.wall_s * 1000), run, request.box),
                *(() if request.warning is None else (request.warning,)),
            ),
        )
    ]


def with_row(request: Mark | Acknowledge, row: int | None) -> Mark | Acknowledge:
    """A mark with its place in the order of rows; an acknowledgement as it is."""
    return replace(request, row=row) if isinstance(request, Mark) else request


def take_over(engine: Engine, run: int, id: str, request: Mark | Acknowledge) -> Mark | Acknowledge | None:
    """The request, a mark with its row, where it was new; None where it was not. Part of a transaction."""
    row_of_mark = "SELECT row_order FROM mark WHERE id = ?"
    if isinstance(request, Mark):
        if engine.rows(row_of_mark, (id,)):
            return None
        statements = mark_statements(engine, run, id, request)
    else:
        statements = _acknowledge_statements(run, request)
    for statement, values in statements:
        engine.execute(statement, values)
    rows = engine.rows(row_of_mark, (id,))
    return with_row(request, rows[0][0] if rows else None)


# --- files ---


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
    name = f"{new_id(request)}.{type(request).__name__.lower()}"
    aside = place / f".{name}"
    with aside.open("w", encoding="utf-8") as file:
        file.write(as_json(request))
        file.flush()
        os.fsync(file.fileno())
    aside.rename(place / name)
    _flush_folder(place)


def waiting(path: Path) -> list[Handed]:
    """What waits, oldest first; files of another form are passed over."""
    return sort(path)[0]


def sort(path: Path) -> tuple[list[Handed], list[Path]]:
    """What waits, oldest first, and the files that are no request."""
    place = folder(path)
    try:
        files = sorted(file for file in place.iterdir() if not file.name.startswith("."))
    except OSError:
        return [], []
    found, strange = [], []
    for file in files:
        try:
            if not file.name.isascii() or not file.is_file() or file.stat().st_size > MAX_BYTES:
                raise ValueError(file.name)
            request = from_json(file.suffix.removeprefix("."), file.read_text(encoding="utf-8"))
        except FileNotFoundError:  # taken over at this moment
            if file.is_symlink():
                strange.append(file)
        except (OSError, ValueError):
            if os.path.lexists(file):
                strange.append(file)
        else:
            found.append(Handed(id=file.stem, file=file, request=request))
    return found, strange


def refused(path: Path) -> Path:
    """Where files are moved that are no request."""
    return path.with_name(path.name + ".refused")


def move_aside(path: Path, file: Path) -> Path:
    """Moves a strange file out of the folder; its new place.

    Raises:
        OSError: it cannot be moved.
    """
    refused(path).mkdir(exist_ok=True)
    place = refused(path) / file.name
    while os.path.lexists(place):
        place = refused(path) / f"{file.stem}-{uuid4().hex[:6]}{file.suffix}"
    os.rename(file, place)
    return place


def remove(handed: Handed) -> None:
    """Removes what was taken over."""
    handed.file.unlink(missing_ok=True)


def as_json(request: Mark | Acknowledge) -> str:
    """A request as another process leaves it."""
    return json.dumps(asdict(request))


def from_json(kind: str, text: str) -> Mark | Acknowledge:
    """The request of `kind` ("mark", "acknowledge") that was left.

    Raises:
        ValueError: not such a request.
    """
    if kind not in _KINDS:
        raise ValueError(f"{kind[:20]} is no kind of request")
    try:
        request = msgspec.json.decode(text, type=_KINDS[kind])
        request.box.encode()
    except (msgspec.MsgspecError, RecursionError, UnicodeError) as error:
        raise ValueError(f"no {kind}: {error}") from error
    if not abs(request.wall_s) < _LATEST_S or (isinstance(request, Mark) and request.kind not in (*MARKS, "undo")):
        raise ValueError(f"no {kind}: its time or its kind is not possible")
    return request


def _flush_folder(place: Path) -> None:
    if os.name != "posix":
        return
    descriptor = os.open(place, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)

"""History for the page: a session or a part of it in few rows, with its marks and warnings."""

import math
from collections.abc import Sequence
from pathlib import Path

from groundbox.advice.result import SEVERITIES, SessionAdvice
from groundbox.errors import BadInput
from groundbox.model import BY_COMMAND, Event, Mark, in_force
from groundbox.store import Reader
from groundbox.store.rollups import NAMES

POINTS = 600
APART_S = 4 * 3600.0  # a longer silence of all boxes separates two sessions
KINDS = ("launch", "returning", "landing", "charge", "swap")
SAME_S = 30.0  # a mark and the board's event about it are one


def answer(
    database: Path | str, asked: dict[str, str], wall_s: float, advice: SessionAdvice | None = None
) -> dict[str, object]:
    """Sessions, and the rows of one box over the time asked for; without a time the newest session.

    Args:
        asked: `box`, and `since_s` and `until_s` or neither.
        advice: the newest; its limits are drawn.

    Raises:
        BadInput: a time is none.
    """
    since_s, until_s = _time(asked, "since_s"), _time(asked, "until_s")
    with Reader(database) as reader:
        boxes = reader.boxes()
        sessions = reader.sessions(APART_S)
        box = asked.get("box") or (boxes[0] if boxes else "")
        if not sessions or box not in boxes:
            return {"boxes": boxes, "sessions": sessions, "box": box, "names": NAMES, "rows": [], "happened": []}
        began_s, ended_s = reader.measured(box, *sessions[-1]) or sessions[-1]
        since_s = began_s if since_s is None else since_s
        until_s = min(ended_s, max(wall_s, began_s + 1)) if until_s is None else until_s
        if until_s <= since_s:
            raise BadInput("until_s", str(until_s), "is too early; give a time after since_s")
        return {
            "boxes": boxes,
            "sessions": sessions,
            "box": box,
            "since_s": since_s,
            "until_s": until_s,
            "names": NAMES,
            "rows": reader.summed(box, since_s, until_s, POINTS),
            "filled_s": reader.filled_s(box, since_s, until_s),
            "limits": limits_of(box, advice),
            "happened": happened(reader, box, since_s, until_s),
        }


def limits_of(box: str, advice: SessionAdvice | None) -> dict[str, list[tuple[str, float]]]:
    """The present limits of a box: "volts" and "celsius", each a list of name and value."""
    readings = next((one.readings for one in advice.boxes if one.box == box), None) if advice else None
    if readings is None:
        return {"volts": [], "celsius": []}
    volts = [] if readings.end_volts is None else [("end voltage now", readings.end_volts)]
    return {"volts": volts, "celsius": list(zip(SEVERITIES, readings.case_levels_c, strict=False))}


def happened(reader: Reader, box: str, since_s: float, until_s: float) -> list[dict[str, object]]:
    """Launches, landings, charges, swaps and warnings, oldest first; flights concern every box."""
    found: list[dict[str, object]] = []
    marked = reader.marks(since_s=since_s)
    rows: list[Mark | Event] = [*marked, *reader.events(since_s=since_s)]
    changes = [
        (row.wall_s, row.kind, row.box, row.name if isinstance(row, Mark) else None)
        for row in in_force(rows)
        if isinstance(row, Mark) or not (row.value == BY_COMMAND and _near(row.wall_s, marked))
    ]
    for at_s, kind, where, name in sorted(changes, key=lambda one: one[0] or 0.0):
        if at_s is None or at_s >= until_s or kind not in KINDS:
            continue
        if kind in ("charge", "swap") and where != box:
            continue
        if any(one["what"] == kind and at_s - float(str(one["wall_s"])) < SAME_S for one in found):
            continue
        found.append({"wall_s": at_s, "what": kind, "words": kind if name is None else f"{kind}, {name}"})
    found += [
        {"wall_s": change.wall_s, "what": change.severity, "words": change.sentence}
        for change in reader.warnings(box, since_s)
        if change.change == "raised" and change.wall_s < until_s
    ]
    return sorted(found, key=lambda one: float(str(one["wall_s"])))


def _near(wall_s: float | None, marked: Sequence[Mark]) -> bool:
    """True where a mark was made at about that time: the board only repeats it, also when it is undone."""
    return wall_s is not None and any(abs(wall_s - mark.wall_s) < SAME_S for mark in marked)


def _time(asked: dict[str, str], name: str) -> float | None:
    if name not in asked:
        return None
    try:
        found = float(asked[name])
    except ValueError:
        found = math.nan
    if not 0 <= found < 1e11:
        raise BadInput(name, asked[name], "is no time; give seconds since 1970")
    return found

"""Marks and acknowledgements into the tables, each once by its name."""

from uuid import uuid4

from groundbox.model import Acknowledge, BatteryFitted, Mark
from groundbox.store.engine import Engine

Statement = tuple[str, tuple[object, ...]]


def name_of(request: Mark | Acknowledge) -> str:
    """A new name, in order of time."""
    return f"{round(request.wall_s * 1000):015d}-{uuid4().hex}"


def mark(run: int, name: str, one: Mark) -> list[Statement]:
    """What a mark writes; a swap with a name also fits the battery."""
    statements: list[Statement] = [
        (
            "INSERT INTO mark (id, box, kind, name, wall_ms, run) VALUES (?, ?, ?, ?, ?, ?)",
            (name, one.box, one.kind, one.name, round(one.wall_s * 1000), run),
        )
    ]
    if one.kind == "swap" and one.name:
        statements += fit(run, BatteryFitted(box=one.box, battery=one.name, from_wall_s=one.wall_s))
    return statements


def fit(run: int, fitted: BatteryFitted) -> list[Statement]:
    """What a fitting writes."""
    return [
        ("INSERT INTO battery (name, profile) VALUES (?, NULL) ON CONFLICT (name) DO NOTHING", (fitted.battery,)),
        (
            "INSERT INTO fitted (box, battery, wall_ms, run) VALUES (?, ?, ?, ?)",
            (fitted.box, fitted.battery, round(fitted.from_wall_s * 1000), run),
        ),
    ]


def acknowledge(run: int, request: Acknowledge) -> list[Statement]:
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


def take_over(engine: Engine, run: int, name: str, request: Mark | Acknowledge) -> bool:
    """True when the request was new; part of a transaction."""
    if isinstance(request, Mark) and engine.rows("SELECT 1 FROM mark WHERE id = ?", (name,)):
        return False
    statements = mark(run, name, request) if isinstance(request, Mark) else acknowledge(run, request)
    for statement, values in statements:
        engine.execute(statement, values)
    return True

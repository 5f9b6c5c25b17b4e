"""Ten-second summaries in place of readings that no host received: drawn as the readings would have been. Pure."""

from collections.abc import Iterable, Sequence
from typing import Any

from groundbox.store.rollups import KINDS

SPAN_MS = 10_000
_SUMMED = [column for _, column, kind in KINDS if column and kind != "count"]
# Of summaries that end within a time and none of whose readings came.
STATEMENT = (
    f"SELECT wall_ms, coalesce(readings, 1), {', '.join(_SUMMED)}"
    " FROM summary WHERE box = ? AND wall_ms > ? AND wall_ms <= ? AND NOT EXISTS (SELECT 1 FROM reading"
    " WHERE reading.box = summary.box AND reading.boot = summary.boot AND reading.sequence <= summary.sequence"
    " AND reading.sequence > summary.sequence - coalesce(summary.readings, 1))"
)

Row = tuple[Any, ...]


def filled(rows: Sequence[Row], summaries: Iterable[Row], step_ms: int, low_ms: int, high_ms: int) -> Sequence[Row]:
    """`rows` (start_ms, *columns of KINDS), one a step, with what `summaries` (of STATEMENT) add to them.

    Summaries do not count as readings, and hold no drive of the fans.
    """
    steps = {row[0]: (row[1], row) for row in rows}  # weight of its means, and the row
    for wall_ms, count, *values in summaries:
        first_ms, last_ms = wall_ms - SPAN_MS + 1000, wall_ms  # of its first and last reading
        if step_ms >= SPAN_MS:
            first_ms = last_ms = (first_ms + last_ms) // 2
        weight = count * min(step_ms, SPAN_MS) / SPAN_MS
        for step in range(first_ms // step_ms, last_ms // step_ms + 1):
            start_ms = step * step_ms
            if low_ms // step_ms * step_ms <= start_ms < high_ms:
                before, row = steps.get(start_ms, (0.0, (start_ms, 0, *[None] * (len(KINDS) - 1))))
                steps[start_ms] = before + weight, _both(row, before, (start_ms, 0, *values, None), weight)
    return [steps[start_ms][1] for start_ms in sorted(steps)]


def _both(one: Row, weight: float, other: Row, more_weight: float) -> Row:
    found: list[Any] = list(one[:2])
    for (_, _, kind), mine, more in zip(KINDS[1:], one[2:], other[2:], strict=True):
        if mine is None or more is None:
            found.append(more if mine is None else mine)
        elif kind == "mean":
            found.append((mine * weight + more * more_weight) / (weight + more_weight))
        else:
            found.append(min(mine, more) if kind == "min" else max(mine, more))
    return tuple(found)

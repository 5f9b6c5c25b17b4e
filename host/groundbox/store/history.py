"""The course of a session out of a store: roll-ups, and summaries where no readings came.

A board sums up ten seconds of readings in its flash and sends them in place of readings that no host received.
"""

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from groundbox.store import address, rollups
from groundbox.store.engine import Engine, Row
from groundbox.store.rollups import KINDS

_SPAN_MS = 10_000
_SUMMED = [column for _, column, kind in KINDS if column and kind != "count"]
# Summaries that end within a time, and none of whose readings the store holds.
_SUMMARIES = (
    f"SELECT wall_ms, coalesce(readings, 1), {', '.join(_SUMMED)}"
    " FROM summary WHERE box = ? AND wall_ms > ? AND wall_ms <= ? AND NOT EXISTS (SELECT 1 FROM reading"
    " WHERE reading.box = summary.box AND reading.boot = summary.boot AND reading.sequence <= summary.sequence"
    " AND reading.sequence > summary.sequence - coalesce(summary.readings, 1))"
)


class History:
    """A connection to a store, and its readings summed up over steps of time."""

    def __init__(self, where: Path | str) -> None:
        self._engine: Engine = address.open_to_read(where)

    def close(self) -> None:
        """Closes the connection; does nothing when closed."""
        self._engine.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None) -> None:
        self.close()

    def summed(self, box: str, since_s: float, until_s: float, steps: int) -> Sequence[tuple[Any, ...]]:
        """At most about `steps` rows (start_s, *rollups.NAMES) over since_s <= wall time < until_s, in host units.

        From readings, minutes or hours, whichever is the coarsest that still gives as many; where readings are
        missing, from summaries (`filled_s`).
        """
        low_ms, high_ms = round(since_s * 1000), round(until_s * 1000)
        step_ms = max((high_ms - low_ms) // max(steps, 1), 1000)
        table, base_ms, time, sums = "reading", 1, "wall_ms", rollups.over_readings(self._engine.greatest)
        for level, level_ms in rollups.LEVELS:
            if step_ms >= level_ms:
                table, base_ms, time, sums = level, level_ms, "start_ms", rollups.over_sums()
        step_ms = step_ms // base_ms * base_ms
        rows: Sequence[tuple[Any, ...]] = self._rows(
            f"SELECT {time} / {step_ms} * {step_ms}, {sums} FROM {table}"
            f" WHERE box = ? AND {time} >= ? AND {time} < ? GROUP BY 1 ORDER BY 1",
            (box, low_ms // base_ms * base_ms, high_ms),
        )
        summaries = self._rows(_SUMMARIES, (box, low_ms, high_ms))
        if summaries:
            rows = _filled(rows, summaries, step_ms, low_ms, high_ms)
        return rollups.in_host_units(rows)

    def filled_s(self, box: str, since_s: float, until_s: float) -> float:
        """Seconds of that time for which summaries replace missing readings."""
        found = self._rows(_SUMMARIES, (box, round(since_s * 1000), round(until_s * 1000)))
        return len(found) * _SPAN_MS / 1000

    def measured(self, box: str, since_s: float, until_s: float) -> tuple[float, float] | None:
        """Start of the first and end of the last minute of `box` with readings in that time; None without any."""
        low_ms, high_ms = self._rows(
            "SELECT min(start_ms), max(start_ms) FROM reading_minute WHERE box = ? AND start_ms >= ? AND start_ms < ?",
            (box, round(since_s * 1000), round(until_s * 1000)),
        )[0]
        return None if low_ms is None else (low_ms / 1000, high_ms / 1000 + 60)

    def sessions(self, apart_s: float) -> list[tuple[float, float]]:
        """(start, end) of every period of readings, to the hour, with at most `apart_s` between; oldest first."""
        found: list[tuple[float, float]] = []
        for (start_ms,) in self._rows("SELECT DISTINCT start_ms FROM reading_hour ORDER BY 1", ()):
            start_s = start_ms / 1000
            if found and start_s - found[-1][1] <= apart_s:
                found[-1] = (found[-1][0], start_s + 3600)
            else:
                found.append((start_s, start_s + 3600))
        return found

    def _stream(self, statement: str, values: Sequence[object]) -> Iterator[tuple[Any, ...]]:
        with self._engine.store_errors():
            yield from self._engine.stream(statement, values)

    def _rows(self, statement: str, values: Sequence[object]) -> list[Any]:
        with self._engine.store_errors():
            return self._engine.rows(statement, values)


def _filled(rows: Sequence[Row], summaries: Iterable[Row], step_ms: int, low_ms: int, high_ms: int) -> Sequence[Row]:
    """`rows` (start_ms, *columns of KINDS), one a step, with what `summaries` (of _SUMMARIES) add to them.

    Summaries do not count as readings, and hold no drive of the fans.
    """
    steps = {row[0]: (row[1], row) for row in rows}  # weight of its means, and the row
    for wall_ms, count, *values in summaries:
        first_ms, last_ms = wall_ms - _SPAN_MS + 1000, wall_ms  # of its first and last reading
        if step_ms >= _SPAN_MS:
            first_ms = last_ms = (first_ms + last_ms) // 2
        weight = count * min(step_ms, _SPAN_MS) / _SPAN_MS
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

"""Minute and hour sums of readings, so that years are drawn at once: minimum and maximum are kept, sag stays visible.

Worked out anew from the rows of each minute that a commit touched, inside its transaction: a reading that comes twice
changes nothing, and one whose time moves moves here too. Times are whole milliseconds; units are the wire's.
"""

import sqlite3
from collections import defaultdict
from collections.abc import Iterable

MINUTE_MS, HOUR_MS = 60_000, 3_600_000
FANS = "max(coalesce(fan1_percent, 0), coalesce(fan2_percent, 0), coalesce(fan3_percent, 0), coalesce(fan4_percent, 0))"
# name, over readings, over minutes
SUMS = (
    ("readings", "count(*)", "sum(readings)"),
    ("battery_min_mv", "min(battery_min_mv)", "min(battery_min_mv)"),
    ("battery_mean_mv", "avg(battery_mv)", "sum(battery_mean_mv * readings) / total(readings)"),
    ("battery_max_mv", "max(battery_max_mv)", "max(battery_max_mv)"),
    ("battery_min_ma", "min(battery_min_ma)", "min(battery_min_ma)"),
    ("battery_mean_ma", "avg(battery_ma)", "sum(battery_mean_ma * readings) / total(readings)"),
    ("battery_max_ma", "max(battery_max_ma)", "max(battery_max_ma)"),
    ("case_min_centi_c", "min(case_centi_c)", "min(case_min_centi_c)"),
    ("case_max_centi_c", "max(case_centi_c)", "max(case_max_centi_c)"),
    ("block_min_centi_c", "min(battery_centi_c)", "min(block_min_centi_c)"),
    ("block_max_centi_c", "max(battery_centi_c)", "max(block_max_centi_c)"),
    ("intake_min_centi_c", "min(intake_centi_c)", "min(intake_min_centi_c)"),
    ("intake_max_centi_c", "max(intake_centi_c)", "max(intake_max_centi_c)"),
    ("fan_percent", f"avg({FANS})", "sum(fan_percent * readings) / total(readings)"),
)
NAMES = tuple(name for name, _, _ in SUMS)
OVER_READINGS = ", ".join(f"{sum_} AS {name}" for name, sum_, _ in SUMS)
OVER_SUMS = ", ".join(f"{sum_} AS {name}" for name, _, sum_ in SUMS)
LEVELS = (("reading_minute", MINUTE_MS, "reading", "wall_ms"), ("reading_hour", HOUR_MS, "reading_minute", "start_ms"))


def create(table: str) -> str:
    """The statement that creates the table of a level."""
    columns = ", ".join(f"{name} {'INTEGER NOT NULL' if name == 'readings' else 'REAL'}" for name in NAMES)
    return (
        f"CREATE TABLE {table} (box TEXT NOT NULL, start_ms INTEGER NOT NULL, {columns},"
        " PRIMARY KEY (box, start_ms)) STRICT, WITHOUT ROWID"
    )


def fill(connection: sqlite3.Connection, box: str, low_ms: int, high_ms: int) -> None:
    """Works out anew every minute and hour of `box` that holds a moment from `low_ms` to `high_ms`, both included."""
    for table, step_ms, below, time in LEVELS:
        first, end = low_ms // step_ms * step_ms, (high_ms // step_ms + 1) * step_ms
        connection.execute(f"DELETE FROM {table} WHERE box = ? AND start_ms >= ? AND start_ms < ?", (box, first, end))
        sums = OVER_READINGS if below == "reading" else OVER_SUMS
        connection.execute(
            f"INSERT INTO {table} SELECT box, {time} / {step_ms} * {step_ms} AS start_ms, {sums} FROM {below}"
            f" WHERE box = ? AND {time} >= ? AND {time} < ? GROUP BY 1, 2",
            (box, first, end),
        )


class Touched:
    """The minutes a transaction has touched."""

    def __init__(self) -> None:
        self._minutes: defaultdict[str, set[int]] = defaultdict(set)
        self._spans: list[tuple[str, int, int]] = []

    def moments(self, rows: Iterable[tuple[str, int | None]]) -> None:
        """Readings of (box, wall_ms) were written; a time not known touches nothing."""
        for box, wall_ms in rows:
            if wall_ms is not None:
                self._minutes[box].add(wall_ms // MINUTE_MS)

    def span(self, box: str, low_ms: int | None, high_ms: int | None) -> None:
        """Everything of `box` from `low_ms` to `high_ms` may have changed."""
        if low_ms is not None and high_ms is not None:
            self._spans.append((box, low_ms, high_ms))

    def fill(self, connection: sqlite3.Connection) -> None:
        """Works out what was touched."""
        for box, minutes in self._minutes.items():
            for first, last in _runs(sorted(minutes)):
                fill(connection, box, first * MINUTE_MS, last * MINUTE_MS)
        for box, low_ms, high_ms in self._spans:
            fill(connection, box, low_ms, high_ms)


def _runs(numbers: list[int]) -> list[tuple[int, int]]:
    """Runs of numbers without a gap, as (first, last)."""
    found: list[tuple[int, int]] = []
    for number in numbers:
        if found and number == found[-1][1] + 1:
            found[-1] = (found[-1][0], number)
        else:
            found.append((number, number))
    return found

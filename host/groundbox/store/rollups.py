"""Minute and hour roll-ups of readings, so that years are drawn at once: minimum and maximum keep every short dip.

A commit sums up the readings that are new in it and merges each minute into the tables, in its own transaction: a
reading that comes twice changes nothing. Where times move, the span is computed again from its readings. The tables
hold whole milliseconds and wire units; `in_host_units` converts what leaves the store.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from groundbox.conversion import host_name
from groundbox.store.engine import Engine, Row, Writer
from groundbox.wire.messages import fields_of

MINUTE_MS, HOUR_MS = 60_000, 3_600_000
# name of a roll-up, column of the readings, how it is made
KINDS = (
    ("readings", "box", "count"),
    ("battery_min_mv", "battery_min_mv", "min"),
    ("battery_mean_mv", "battery_mv", "mean"),
    ("battery_max_mv", "battery_max_mv", "max"),
    ("battery_min_ma", "battery_min_ma", "min"),
    ("battery_mean_ma", "battery_ma", "mean"),
    ("battery_max_ma", "battery_max_ma", "max"),
    ("case_min_centi_c", "case_centi_c", "min"),
    ("case_mean_centi_c", "case_centi_c", "mean"),
    ("case_max_centi_c", "case_centi_c", "max"),
    ("battery_min_centi_c", "battery_centi_c", "min"),
    ("battery_max_centi_c", "battery_centi_c", "max"),
    ("intake_min_centi_c", "intake_centi_c", "min"),
    ("intake_max_centi_c", "intake_centi_c", "max"),
    ("humidity_min_centi_percent", "humidity_centi_percent", "min"),
    ("humidity_mean_centi_percent", "humidity_centi_percent", "mean"),
    ("humidity_max_centi_percent", "humidity_centi_percent", "max"),
    ("fan_percent", "", "mean"),  # of the fan with the highest drive
)
_UNITS = tuple(host_name(name) for name, _, _ in KINDS)
NAMES = tuple(name for name, _ in _UNITS)  # in host units, as a reader gives them
# The number of readings behind a mean: those in which the value is known.
_COUNTED = {
    "battery_mean_mv": "known_mv",
    "battery_mean_ma": "known_ma",
    "case_mean_centi_c": "known_case",
    "humidity_mean_centi_percent": "known_humidity",
    "fan_percent": "readings",
}
_COUNTS = tuple((_COUNTED[name], column, "count") for name, column, kind in KINDS if kind == "mean" and column)
_ALL = (*KINDS, *_COUNTS)
COLUMNS = tuple(name for name, _, _ in _ALL)
_NAMES_OF_READING = [name for name, *_ in fields_of("reading")]
_FANS = tuple(name for name in _NAMES_OF_READING if name.startswith("fan") and name.endswith("_percent"))
LEVELS = (("reading_minute", MINUTE_MS), ("reading_hour", HOUR_MS))


def in_host_units(rows: Iterable[Row]) -> list[Row]:
    """Rows (start_ms, *columns of KINDS) as (start_s, *NAMES): seconds, volts, amperes, degrees Celsius, percent."""
    scales = [scale for _, scale in _UNITS]
    return [
        (row[0] / 1000, *(one / by if by and one is not None else one for one, by in zip(row[1:], scales, strict=True)))
        for row in rows
    ]


def over_readings(greatest: str, what: Sequence[tuple[str, str, str]] = KINDS) -> str:
    """The roll-ups as a query over readings; `greatest` is the engine's word for the maximum of several values."""
    highest_drive = f"{greatest}({', '.join(f'coalesce({fan}, 0)' for fan in _FANS)})"
    return ", ".join(
        f"{'avg' if kind == 'mean' else kind}({column or highest_drive}) AS {name}" for name, column, kind in what
    )


def over_sums(what: Sequence[tuple[str, str, str]] = KINDS) -> str:
    """The roll-ups as a query over minutes or hours."""
    return ", ".join(_over_sums(*one) for one in what)


def _over_sums(name: str, _column: str, kind: str) -> str:
    if kind == "mean":
        count = _COUNTED[name]
        return f"sum({name} * {count}) / nullif(sum({count}), 0) AS {name}"
    return f"{'sum' if kind == 'count' else kind}({name}) AS {name}"


def create(table: str, real: str = "REAL", whole: str = "INTEGER", text: str = "TEXT") -> str:
    """The statement, but for what an engine adds to it, that creates the table of a level."""
    counts = {name for name, _, kind in _ALL if kind == "count"}
    columns = ", ".join(f"{name} {f'{whole} NOT NULL' if name in counts else real}" for name in COLUMNS)
    return (
        f"CREATE TABLE {table} (box {text} NOT NULL, start_ms {whole} NOT NULL, {columns}, PRIMARY KEY (box, start_ms))"
    )


def fill(execute: Callable[[str, Row], object], greatest: str, box: str, low_ms: int, high_ms: int) -> None:
    """Computes every minute and hour of `box` again that holds a moment from `low_ms` to `high_ms`, both included."""
    below, time = "reading", "wall_ms"
    for table, step_ms in LEVELS:
        first, end = low_ms // step_ms * step_ms, (high_ms // step_ms + 1) * step_ms
        execute(f"DELETE FROM {table} WHERE box = ? AND start_ms >= ? AND start_ms < ?", (box, first, end))
        sums = over_readings(greatest, _ALL) if below == "reading" else over_sums(_ALL)
        execute(
            f"INSERT INTO {table} (box, start_ms, {', '.join(COLUMNS)})"
            f" SELECT box, {time} - (({time} % {step_ms}) + {step_ms}) % {step_ms} AS start_ms, {sums} FROM {below}"
            f" WHERE box = ? AND {time} >= ? AND {time} < ? GROUP BY 1, 2",
            (box, first, end),
        )
        below, time = table, "start_ms"


class Touched:
    """The minutes that a transaction changes."""

    def __init__(self) -> None:
        self._minutes: defaultdict[tuple[str, int], list[Row]] = defaultdict(list)
        self._spans: list[tuple[str, int, int]] = []

    def inserted(self, rows: Iterable[Row]) -> None:
        """Takes rows of table `reading` that are new; one without a known time changes no roll-up."""
        for row in rows:
            if (wall_ms := row[_WALL]) is not None:
                self._minutes[row[0], wall_ms // MINUTE_MS].append(row)

    def span(self, box: str, low_ms: int | None, high_ms: int | None) -> None:
        """Takes a span of `box` whose readings may have changed."""
        if low_ms is not None and high_ms is not None:
            self._spans.append((box, low_ms, high_ms))

    def fill(self, engine: Writer) -> None:
        """Merges the new readings, and computes the spans that changed again."""
        moved = {box for box, _, _ in self._spans}
        minutes = {key: sums(rows) for key, rows in self._minutes.items() if key[0] not in moved}
        hours: dict[tuple[str, int], Row] = {}
        for (box, minute), row in minutes.items():
            key = box, minute * MINUTE_MS // HOUR_MS
            hours[key] = merged(hours[key], row) if key in hours else row
        for (table, step_ms), found in zip(LEVELS, (minutes, hours), strict=True):
            rows = sorted((box, start * step_ms, *row) for (box, start), row in found.items())
            engine.merge(table, COLUMNS, rows, _merging(table, engine))
        for box, numbers in self._numbers(moved).items():
            for first, last in _runs(sorted(numbers)):
                fill(engine.execute, engine.greatest, box, first * MINUTE_MS, last * MINUTE_MS)
        for box, low_ms, high_ms in self._spans:
            fill(engine.execute, engine.greatest, box, low_ms, high_ms)

    def _numbers(self, boxes: set[str]) -> dict[str, set[int]]:
        found: defaultdict[str, set[int]] = defaultdict(set)
        for box, minute in self._minutes:
            if box in boxes:
                found[box].add(minute)
        return found


# --- roll-ups of rows in memory ---

_WALL = len(_NAMES_OF_READING)  # wall_ms follows the fields of the message
_FAN_PLACES = tuple(_NAMES_OF_READING.index(fan) for fan in _FANS)
_PLANS = tuple((_NAMES_OF_READING.index(column) if column else -1, kind) for _, column, kind in _ALL)
_COUNT_PLACE = {place: COLUMNS.index(_COUNTED[name]) for place, name in enumerate(COLUMNS) if name in _COUNTED}


def sums(rows: Sequence[Row]) -> Row:
    """COLUMNS of these rows of table `reading`."""
    if len(rows) == 1:
        return _one(rows[0])
    columns = tuple(zip(*rows, strict=True))
    return tuple(_sum(columns[place] if place >= 0 else _highest_drive(columns), kind) for place, kind in _PLANS)


def _one(row: Row) -> Row:
    highest_drive = max(row[place] or 0 for place in _FAN_PLACES)
    values = [row[place] if place >= 0 else highest_drive for place, _ in _PLANS]
    return tuple(
        int(value is not None) if kind == "count" else value for value, (_, kind) in zip(values, _PLANS, strict=True)
    )


def _highest_drive(columns: Sequence[Sequence[Any]]) -> Sequence[int]:
    fans = [columns[place] for place in _FAN_PLACES if any(columns[place])]
    known = [tuple(one or 0 for one in fan) if None in fan else fan for fan in fans]
    if len(known) < 2:
        return known[0] if known else (0,) * len(columns[0])
    return tuple(map(max, *known))


def _sum(values: Sequence[Any], kind: str) -> float | None:
    if kind == "count":
        return len(values) - values.count(None)
    try:
        found = sum(values) / len(values) if kind == "mean" else min(values) if kind == "min" else max(values)
    except TypeError:  # some are not known
        known = [value for value in values if value is not None]
        return _sum(known, kind) if known else None
    return float(found)


def merged(one: Row, other: Row) -> Row:
    """COLUMNS of two sets of readings together."""
    found: list[float | None] = []
    for place, (_, kind) in enumerate(_PLANS):
        mine, others = one[place], other[place]
        if mine is None or others is None:
            found.append(others if mine is None else mine)
        elif kind == "count":
            found.append(mine + others)
        elif kind == "mean":
            counts = one[_COUNT_PLACE[place]], other[_COUNT_PLACE[place]]
            found.append((mine * counts[0] + others * counts[1]) / (counts[0] + counts[1]))
        else:
            found.append(min(mine, others) if kind == "min" else max(mine, others))
    return tuple(found)


def _merging(table: str, engine: Engine) -> str:
    """The SET clause for a row that exists."""
    parts = []
    for name, _, kind in _ALL:
        mine, new = f"{table}.{name}", f"excluded.{name}"
        if kind == "count":
            value = f"{mine} + {new}"
        elif kind == "mean":
            count, more = f"{table}.{_COUNTED[name]}", f"excluded.{_COUNTED[name]}"
            total = f"coalesce({mine} * {count}, 0) + coalesce({new} * {more}, 0)"
            value = f"({total}) / nullif({count} + {more}, 0)"
        else:
            pick = engine.least if kind == "min" else engine.greatest
            value = f"{pick}(coalesce({mine}, {new}), coalesce({new}, {mine}))"
        parts.append(f"{name} = {value}")
    return ", ".join(parts)


def _runs(numbers: list[int]) -> list[tuple[int, int]]:
    """Runs of numbers without a gap, as (first, last)."""
    found: list[tuple[int, int]] = []
    for number in numbers:
        if found and number == found[-1][1] + 1:
            found[-1] = (found[-1][0], number)
        else:
            found.append((number, number))
    return found

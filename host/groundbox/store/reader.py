"""Looking into a store without disturbing the one that writes."""

import json
from collections.abc import Iterator, Sequence
from typing import TypeVar

from groundbox.conversion import from_wire
from groundbox.model import (
    AdviceMinute,
    BatteryFitted,
    EstimatorState,
    Event,
    Health,
    Hello,
    KnownBattery,
    LinkCount,
    Mark,
    Reading,
    Summary,
    WarningChange,
    in_force,
)
from groundbox.store import schema
from groundbox.store.engine import boxes_in
from groundbox.store.history import History

MAX_RECORDS = 5000
_Kept = TypeVar("_Kept", Reading, Event, Summary, Hello, Health)


class Reader(History):
    """Read-only view of a store, a SQLite file or a PostgreSQL database; may be opened while another process writes.

    All times are seconds since 1970 UTC; records come in the order measured (start, sequence).

    Raises (on opening and on every call):
        StoreError: one line with the fault of the database and what to do.
    """

    def boxes(self) -> list[str]:
        """Names of all boxes that sent a hello or a reading, sorted."""
        with self._engine.store_errors():
            return boxes_in(self._engine)

    def latest(self, box: str) -> Reading | None:
        """The newest reading of `box`; None when there is none."""
        return next(self._records(Reading, "box = ? ORDER BY boot DESC, sequence DESC LIMIT 1", [box]), None)

    def readings(self, box: str, since_s: float | None = None, until_s: float | None = None) -> Iterator[Reading]:
        """Readings of `box` with since_s <= wall time < until_s; with both None also those whose time is unknown."""
        where, values = _between(since_s, until_s)
        yield from self._records(Reading, f"box = ?{where} ORDER BY boot, sequence", [box, *values])

    def readings_after(self, box: str, boot: int, sequence: int) -> Iterator[Reading]:
        """Readings of `box` after that record, in the order measured, whatever the clock showed."""
        later = "box = ? AND (boot, sequence) > (?, ?) ORDER BY boot, sequence"
        yield from self._records(Reading, later, [box, boot, sequence])

    def records_after(self, box: str, boot: int, sequence: int) -> list[Reading | Event]:
        """Readings and events of `box` after that record, in the order measured; at most MAX_RECORDS."""
        later, values = (
            "box = ? AND (boot, sequence) > (?, ?) ORDER BY boot, sequence LIMIT ?",
            [box, boot, sequence, MAX_RECORDS],
        )
        found: list[Reading | Event] = [*self._records(Reading, later, values), *self._records(Event, later, values)]
        return sorted(found, key=lambda one: (one.boot, one.sequence))[:MAX_RECORDS]

    def sequences(self, box: str, boot: int, above: int) -> Iterator[int]:
        """Numbers above `above` of what there is of that start, ascending."""
        where = "FROM {} WHERE box = ? AND boot = ? AND sequence > ?"
        both = " UNION ALL ".join(f"SELECT sequence {where.format(table)}" for table in ("reading", "event"))
        for (sequence,) in self._stream(f"{both} ORDER BY 1", 2 * [box, boot, above]):
            yield sequence

    def series(
        self, box: str, columns: Sequence[str], since_s: float | None = None, until_s: float | None = None
    ) -> Iterator[tuple[object, ...]]:
        """Tuples of `columns` of table `reading`, in wire units (`wall_ms`, `battery_mv`, ...): fast, for plots.

        Raises:
            ValueError: no such column.
        """
        known = {name for name, _ in schema.columns("reading")}
        if unknown := set(columns) - known:
            raise ValueError(f"table reading has no column {', '.join(sorted(unknown))}")
        where, values = _between(since_s, until_s)
        yield from self._stream(
            f"SELECT {', '.join(columns)} FROM reading WHERE box = ?{where} ORDER BY boot, sequence", [box, *values]
        )

    def events(self, box: str | None = None, since_s: float | None = None) -> list[Event]:
        """Events of `box` (None: all) since `since_s`, by box, boot and sequence.

        `Event.row` is their place in the order in which events and marks were written.
        """
        where, values = _of_box(box, since_s)
        return list(self._records(Event, f"{where} ORDER BY box, boot, sequence", values))

    def hello(self, box: str) -> Hello | None:
        """The newest hello of `box`."""
        return next(self._records(Hello, "box = ? ORDER BY boot DESC, uptime_ms DESC LIMIT 1", [box]), None)

    def summaries(self, box: str, since_s: float | None = None) -> list[Summary]:
        """Ten-second summaries of `box` since `since_s`; those without a wall time only where it is None."""
        where = "box = ?" if since_s is None else "box = ? AND wall_ms >= ?"
        values: list[object] = [box] if since_s is None else [box, round(since_s * 1000)]
        return list(self._records(Summary, f"{where} ORDER BY box, boot, sequence", values))

    def health(self, box: str) -> Health | None:
        """The newest health of `box`."""
        return next(self._records(Health, "box = ? ORDER BY boot DESC, sequence DESC LIMIT 1", [box]), None)

    def marks(self, box: str | None = None, since_s: float | None = None) -> list[Mark]:
        """Marks of `box` and of the aircraft (None: all) since `since_s`, undone ones and undos too; see `in_force`.

        In the order in which they were written (`Mark.row`), not by wall clock. Those which still wait for the writer
        come last, without a row.
        """
        waiting = self._engine.waiting_marks()  # first: what is taken over meanwhile is then found in both
        kept = self._marks()
        return [
            mark
            for mark in (*kept.values(), *(mark for id, mark in waiting if id not in kept))
            if (box is None or mark.box in (box, "*")) and (since_s is None or mark.wall_s >= since_s)
        ]

    def warnings(self, box: str | None = None, since_s: float | None = None) -> list[WarningChange]:
        """The warning log, oldest first."""
        where, values = _of_box(box, since_s)
        return self._changes(f"{where} ORDER BY id", values)

    def open_warnings(self, box: str | None = None) -> list[WarningChange]:
        """The last change of every warning that is not cleared."""
        where, values = _of_box(box, None)
        newest = "id IN (SELECT max(id) FROM warning GROUP BY box, warning)"
        return self._changes(f"{where} AND {newest} AND change != 'cleared' ORDER BY id", values)

    def counts(self, box: str | None = None, since_s: float | None = None) -> LinkCount:
        """Sums of the link counts; source is "" and wall_s that of the newest count, 0 without any."""
        where, values = _of_box(box, since_s)
        row = self._rows(
            "SELECT coalesce(sum(corrupt_lines), 0), coalesce(sum(gap_records), 0), coalesce(sum(lost_records), 0),"
            f" max(wall_ms) FROM link_count WHERE {where}",
            values,
        )[0]
        corrupt, gap, lost = (int(value) for value in row[:3])
        return LinkCount(
            source="",
            box=box,
            wall_s=(row[3] or 0) / 1000,
            corrupt_lines=corrupt,
            gap_records=gap,
            lost_records=lost,
        )

    def batteries(self) -> list[KnownBattery]:
        """Known batteries by name."""
        rows = self._rows("SELECT name, profile FROM battery ORDER BY name", ())
        return [KnownBattery(name=name, profile=profile) for name, profile in rows]

    def fitted(self, box: str, at_s: float | None = None) -> BatteryFitted | None:
        """The battery in `box` at `at_s` (None: the last one fitted)."""
        before = [one for one in self.fittings(box) if at_s is None or one.from_wall_s <= at_s]
        return before[-1] if before else None

    def fittings(self, box: str | None = None) -> list[BatteryFitted]:
        """Every fitting, oldest first, but for those of swaps that were undone."""
        where, values = _of_box(box, None)
        rows = self._rows(f"SELECT box, battery, wall_ms, mark FROM fitted WHERE {where} ORDER BY wall_ms, id", values)
        undone: set[str] = set()
        if self._rows("SELECT 1 FROM mark WHERE kind = 'undo' LIMIT 1", ()):
            marks = self._marks()
            rest = {mark.row for mark in in_force(marks.values())}
            undone = {id for id, mark in marks.items() if mark.row not in rest}
        return [
            BatteryFitted(box=row[0], battery=row[1], from_wall_s=row[2] / 1000) for row in rows if row[3] not in undone
        ]

    def board_settings(self, box: str, before_s: float | None = None) -> dict[str, int]:
        """Setting -> value that the board of `box` last reported before `before_s` (None: ever), in wire units."""
        where, values = _between(None, before_s)
        rows = self._rows(f"SELECT name, value FROM board_setting WHERE box = ?{where} ORDER BY id", [box, *values])
        return {name: value for name, value in dict(rows).items() if value is not None}

    def estimator(self, box: str, battery: str) -> EstimatorState | None:
        """The saved estimator state of that battery in that box."""
        rows = self._rows(
            "SELECT wall_ms, boot, sequence, state FROM estimator_state WHERE box = ? AND battery = ?", (box, battery)
        )
        if not rows:
            return None
        wall_ms, boot, sequence, state = rows[0]
        return EstimatorState(
            box=box, battery=battery, wall_s=wall_ms / 1000, boot=boot, sequence=sequence, state=json.loads(state)
        )

    def advice(self, recorder: str | None = None) -> tuple[float, str] | None:
        """(wall time at which it was made, JSON text) of the newest advice of `recorder` (None: any); None: none."""
        where, values = ("true", []) if recorder is None else ("recorder = ?", [recorder])
        rows = self._rows(
            f"SELECT made_wall_s, object FROM advice WHERE {where} ORDER BY made_wall_s DESC LIMIT 1", values
        )
        return (rows[0][0], rows[0][1]) if rows else None

    def all_advice(self) -> list[tuple[float, str]]:
        """(wall time, JSON text) of the newest advice of every recorder, newest first."""
        rows = self._rows("SELECT made_wall_s, object FROM advice ORDER BY made_wall_s DESC", ())
        return [(row[0], row[1]) for row in rows]

    def advice_minutes(self, box: str, since_s: float, until_s: float) -> list[AdviceMinute]:
        """The advice on `box`, one a minute, with since_s <= wall time < until_s, oldest first."""
        where, values = _between(since_s, until_s)
        rows = self._rows(
            "SELECT wall_ms, verdict, runtime_low_s, runtime_expected_s, runtime_high_s, soc FROM advice_minute"
            f" WHERE box = ?{where} ORDER BY wall_ms, id",
            [box, *values],
        )
        return [
            AdviceMinute(
                box=box,
                wall_s=row[0] / 1000,
                verdict=row[1],
                runtime_low_s=row[2],
                runtime_expected_s=row[3],
                runtime_high_s=row[4],
                soc=row[5],
            )
            for row in rows
        ]

    def _marks(self) -> dict[str, Mark]:
        """Every mark in the tables by its id, in the order written."""
        rows = self._rows(
            "SELECT id, box, kind, wall_ms, name, confirmed, row_order, heard_box, heard_boot, heard_uptime_ms"
            " FROM mark ORDER BY row_order",
            (),
        )
        return {
            id: Mark(
                box=box,
                kind=kind,
                name=name,
                confirmed=bool(confirmed),
                wall_s=wall_ms / 1000,
                row=row,
                heard=None if heard[0] is None else (heard[0], heard[1], heard[2]),
            )
            for id, box, kind, wall_ms, name, confirmed, row, *heard in rows
        }

    def _changes(self, where: str, values: Sequence[object]) -> list[WarningChange]:
        rows = self._rows(
            f"SELECT box, warning, severity, change, sentence, wall_ms FROM warning WHERE {where}", values
        )
        return [
            WarningChange(box=r[0], warning=r[1], severity=r[2], change=r[3], sentence=r[4], wall_s=r[5] / 1000)
            for r in rows
        ]

    def _records(self, kind: type[_Kept], where: str, values: Sequence[object]) -> Iterator[_Kept]:
        table = kind.__name__.lower()
        wired = len(schema.wire_columns(table))
        for row in self._stream(f"{schema.select(table)} WHERE {where}", values):
            host_only = _dated(*row[wired : wired + 3])
            if kind is Event:
                host_only["row"] = row[-1]
            yield from_wire(kind, row[:wired], **host_only)


def _dated(wall_ms: int | None, uncertainty_ms: int | None, source: str | None) -> dict[str, object]:
    if wall_ms is None:
        return {}
    uncertainty_s = None if uncertainty_ms is None else uncertainty_ms / 1000
    return {"wall_s": wall_ms / 1000, "wall_uncertainty_s": uncertainty_s, "wall_source": source}


def _between(since_s: float | None, until_s: float | None) -> tuple[str, list[int]]:
    parts, values = "", []
    if since_s is not None:
        parts, values = " AND wall_ms >= ?", [round(since_s * 1000)]
    if until_s is not None:
        parts, values = parts + " AND wall_ms < ?", [*values, round(until_s * 1000)]
    return parts, values


def _of_box(box: str | None, since_s: float | None) -> tuple[str, list[object]]:
    where, values = _between(since_s, None)
    if box is not None:
        return f"box = ?{where}", [box, *values]
    return f"true{where}", list(values)

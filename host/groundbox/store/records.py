"""Records into tables, each once: runs inside the writer's transaction."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from itertools import groupby, islice

from groundbox.conversion import to_wire
from groundbox.model import Console, Event, Health, Hello, Item, LinkCount, Reading, StartTime, Summary
from groundbox.store import schema
from groundbox.store.engine import Row, Writer
from groundbox.store.rollups import Touched

_TABLES: dict[type[object], str] = {
    Reading: "reading",
    Event: "event",
    Summary: "summary",
    Hello: "hello",
    Health: "health",
}
_REPLACED = ("summary", "hello", "health")  # one that arrives again changes nothing
_WIRED = {table: len(schema.wire_columns(table)) for table in schema.KEYS}
_DATED_BY_BOX = ("mark", "warning", "fitted", "link_count", "board_setting", "advice_minute")
_SAME_MS = 100
AT_ONCE = 250  # rows; more than the processor's cache holds would take longer for each
_NOTICE_MS = 2500  # smaller corrections come from times that were known by arrival only
REPEAT = schema.REPEAT


class Records:
    """Writes items inside a transaction that the caller has begun; one object for each transaction.

    Args:
        engine: the one that writes.
        repeats: box -> how often its numbering began again; the caller restores it after a rollback.
        boots: box -> its starts, by their numbers in the tables, that this run received: their times move when the
            host's clock is set.
        moved_ms: box, or "*" for marks of the aircraft -> how far this run has moved its times; the caller
            restores it after a rollback.
    """

    def __init__(
        self,
        engine: Writer,
        repeats: dict[str, int],
        boots: defaultdict[str, set[int]],
        moved_ms: dict[str, int],
    ) -> None:
        self._engine, self._run, self._repeats, self._boots = engine, engine.run, repeats, boots
        self._moved_ms = moved_ms
        self.inserted = self.repeated = 0
        self.notices: list[str] = []
        self.renumbered: list[str] = []  # boxes whose numbering began again
        self._touched = Touched()
        self._current = "", -1, -1  # box, its own number of the start, that in the tables

    def write(self, items: Iterable[Item]) -> None:
        """Writes `items`; their order matters only around a hello or a moved clock."""
        rows: defaultdict[str, list[Row]] = defaultdict(list)
        for kind, run in groupby(items, type):
            if kind in _TABLES and kind is not Hello:
                while some := [self._row(item) for item in islice(run, AT_ONCE)]:  # type: ignore[arg-type]
                    rows[_TABLES[kind]].extend(some)
                    if len(rows[_TABLES[kind]]) >= AT_ONCE:
                        self._flush(rows)
                continue
            for item in run:
                self._add_special(item, rows)
        self._flush(rows)
        self._touched.fill(self._engine)

    def _add_special(self, item: Item, rows: defaultdict[str, list[Row]]) -> None:
        """An item that is more than a row."""
        match item:
            case Hello():
                self._flush(rows)
                self._compare_start(item)
                rows["hello"].append(self._row(item))
            case StartTime():
                self._flush(rows)
                self._move(item)
            case LinkCount() | Console():
                self._note(item)

    # --- rows ---

    def _row(self, item: Reading | Event | Summary | Hello | Health) -> Row:
        if item.box != self._current[0] or item.boot != self._current[1]:
            self._begin_start(item.box, item.boot)
        wall_s, uncertainty_s = item.wall_s, item.wall_uncertainty_s
        row = (
            *to_wire(item),
            None if wall_s is None else round(wall_s * 1000),
            None if uncertainty_s is None else round(uncertainty_s * 1000),
            item.wall_source,
            self._run,
        )
        return (row[0], self._current[2], *row[2:]) if self._current[2] != item.boot else row

    def _begin_start(self, box: str, boot: int) -> None:
        """Many records of one start follow each other: what holds for all of them is found once."""
        self._current = box, boot, boot + self.repeats_of(box) * REPEAT
        self._boots[box].add(self._current[2])

    def _flush(self, rows: defaultdict[str, list[Row]]) -> None:
        for table, waiting in rows.items():
            if table in _REPLACED:
                self._engine.insert(table, waiting)
                continue
            ambiguous = [row for row in waiting if self._repeats[row[0]]]
            plain = [row for row in waiting if not self._repeats[row[0]]] if ambiguous else waiting
            new = self._engine.insert(table, plain)
            self._count(table, new)
            if len(new) < len(plain):  # the table holds the others already, or other records under their numbers
                others = self._others(table, plain, new)
                self.repeated += len(plain) - len(new) - len(others)
                ambiguous += others
            for row in ambiguous:
                self._insert_ambiguous(table, row)
        rows.clear()

    def _count(self, table: str, new: Sequence[Row]) -> None:
        self.inserted += len(new)
        if table == "reading":
            self._touched.inserted(new)

    def _others(self, table: str, rows: Sequence[Row], new: Sequence[Row]) -> list[Row]:
        """Those of `rows` that the table does not hold: it holds other records under their numbers."""
        known = {row[:3]: row for row in new}
        wired = _WIRED[table]
        old = [row for row in rows if known.get(row[:3], ())[:wired] != row[:wired]]
        return [row for row in old if not self._is_there(table, row)]

    def _insert_ambiguous(self, table: str, row: Row) -> None:
        """Inserts a record of a box whose numbers were used more than once, unless the table holds it."""
        box, boot = row[0], row[1] % REPEAT
        for repeats in range(self.repeats_of(box), -1, -1):
            if self._is_there(table, (box, boot + repeats * REPEAT, *row[2:])):
                self.repeated += 1
                return
        new = self._engine.insert(table, [(box, boot + self.repeats_of(box) * REPEAT, *row[2:])])
        if not new:
            self._renumber(box)
            new = self._engine.insert(table, [(box, boot + self.repeats_of(box) * REPEAT, *row[2:])])
        self._count(table, new)

    def _is_there(self, table: str, row: Row) -> bool:
        """True when the table holds this same record, whenever it was written."""
        found = self._engine.rows(f"{schema.select(table)} WHERE box = ? AND boot = ? AND sequence = ?", row[:3])
        return bool(found) and found[0][: _WIRED[table]] == row[: _WIRED[table]]

    # --- numbers that begin again ---

    def repeats_of(self, box: str) -> int:
        """How often the numbering of `box` began again."""
        if box not in self._repeats:
            self._repeats[box] = (self._newest_boot(box) or 0) // REPEAT
        return self._repeats[box]

    def _newest_boot(self, box: str) -> int | None:
        newest: int | None = self._engine.rows(
            "SELECT max(boot) FROM (SELECT max(boot) AS boot FROM reading WHERE box = ?"
            " UNION ALL SELECT max(boot) FROM event WHERE box = ?"
            " UNION ALL SELECT max(boot) FROM hello WHERE box = ?) AS newest",
            (box, box, box),
        )[0][0]
        return newest

    def _compare_start(self, hello: Hello) -> None:
        newest = self._newest_boot(hello.box)
        if newest is not None and (hello.again or hello.boot < newest - self.repeats_of(hello.box) * REPEAT):
            self._renumber(hello.box)

    def _renumber(self, box: str) -> None:
        self._repeats[box] = self.repeats_of(box) + 1
        self._current = "", -1, -1
        self.renumbered.append(box)
        self.notices.append(
            f"box {box}: the board counts its starts from one again (reinstalled, or another board of that name); "
            "its new records are kept apart from the earlier ones"
        )

    # --- times that move ---

    def _move(self, start: StartTime) -> None:
        """Corrects the times that this run wrote to the host's clock as it is now."""
        boot = start.boot + self.repeats_of(start.box) * REPEAT
        start_ms, uncertainty_ms = round(start.wall_s * 1000), round(start.uncertainty_s * 1000)
        mine = start.box, boot, self._run
        newest = self._engine.rows(
            "SELECT wall_ms - uptime_ms, coalesce(wall_uncertainty_ms, 0) FROM reading"
            " WHERE box = ? AND boot = ? AND run = ? AND wall_ms IS NOT NULL ORDER BY sequence DESC LIMIT 1",
            mine,
        )
        if newest and abs(start_ms - newest[0][0]) > uncertainty_ms + newest[0][1] + _SAME_MS:
            self._shift(start.box, start_ms - newest[0][0])
        self._touched.span(start.box, *self._span("boot = ? AND run = ? AND wall_source = 'arrival'", *mine))
        dated = 0
        for table in ("summary", "event", "reading"):
            dated = self._engine.execute(
                f"UPDATE {table} SET wall_ms = uptime_ms + ?, wall_uncertainty_ms = ?, wall_source = ?"
                " WHERE box = ? AND boot = ? AND run = ? AND (wall_ms IS NULL OR wall_source = 'arrival')",
                (start_ms, uncertainty_ms, start.source, *mine),
            )
        if dated:
            self._touched.span(
                start.box, *self._span("boot = ? AND run = ? AND wall_ms = uptime_ms + ?", *mine, start_ms)
            )

    def _span(self, which: str, box: str, *values: object) -> tuple[int | None, int | None]:
        """First and last wall time of such readings of `box`, milliseconds."""
        found = self._engine.rows(
            f"SELECT min(wall_ms), max(wall_ms) FROM reading WHERE box = ? AND {which}", (box, *values)
        )
        return found[0][0], found[0][1]

    def _shift(self, box: str, by_ms: int) -> None:
        low_ms, high_ms = self._span("run = ?", box, self._run)
        if low_ms is not None and high_ms is not None:
            self._touched.span(box, low_ms + min(by_ms, 0), high_ms + max(by_ms, 0))
        for boot in self._boots[box]:
            for table in schema.KEYS:
                self._engine.execute(
                    f"UPDATE {table} SET wall_ms = wall_ms + ? WHERE box = ? AND boot = ? AND run = ?",
                    (by_ms, box, boot, self._run),
                )
        for table in _DATED_BY_BOX:
            self._engine.execute(
                f"UPDATE {table} SET wall_ms = wall_ms + ? WHERE box = ? AND run = ?", (by_ms, box, self._run)
            )
        self._shift_aircraft(box, by_ms)
        if abs(by_ms) < _NOTICE_MS:
            return
        self.notices.append(
            f"box {box}: the clock of this computer was set by {by_ms / 1000:+.1f} s; the times recorded since the "
            "start of this log were corrected by the same"
        )

    def _shift_aircraft(self, box: str, by_ms: int) -> None:
        """Marks of the aircraft move with the first box that shows the new clock, once."""
        self._moved_ms[box] = self._moved_ms.get(box, 0) + by_ms
        apart_ms = self._moved_ms[box] - self._moved_ms.get("*", 0)
        if abs(apart_ms) < _NOTICE_MS:
            return
        self._moved_ms["*"] = self._moved_ms[box]
        self._engine.execute("UPDATE mark SET wall_ms = wall_ms + ? WHERE box = '*' AND run = ?", (apart_ms, self._run))

    def _note(self, item: LinkCount | Console) -> None:
        if isinstance(item, Console):
            self._engine.execute(
                "INSERT INTO console (source, box, text, wall_ms, run) VALUES (?, ?, ?, ?, ?)",
                (item.source, item.box, item.text, _ms(item.wall_s), self._run),
            )
            return
        counts = item.corrupt_lines, item.gap_records, item.lost_records
        self._engine.execute(
            "INSERT INTO link_count (source, box, corrupt_lines, gap_records, lost_records, wall_ms, run)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)",
            (item.source, item.box, *counts, _ms(item.wall_s), self._run),
        )


def _ms(seconds: float | None) -> int | None:
    return None if seconds is None else round(seconds * 1000)

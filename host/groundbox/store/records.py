"""Records into tables, each once: runs inside the writer's transaction."""

import sqlite3
from collections import defaultdict
from collections.abc import Iterable

from groundbox.model import Console, Event, Health, Hello, Item, LinkCount, Reading, StartTime
from groundbox.store import schema
from groundbox.store.rollups import Touched

Row = tuple[object, ...]
_TABLES: dict[type[object], str] = {Reading: "reading", Event: "event", Hello: "hello", Health: "health"}
_INSERTS = {table: schema.insert(table) for table in schema.KEYS}
_WIRED = {table: len(schema.wire_columns(table)) for table in schema.KEYS}
_WALL = _WIRED["reading"]  # place of wall_ms in a row
_DATED_BY_BOX = ("mark", "warning", "fitted", "link_count")
_SAME_MS = 100
_TOLD_MS = 2500  # smaller moves come from times that were only known by arrival
REPEAT = schema.REPEAT


class Records:
    """Writes items inside a transaction that the caller has begun; made anew for each.

    Args:
        connection: the one that writes.
        run: number of this run.
        repeats: box -> how often its numbering has begun anew; the caller puts it back after a rollback.
        boots: box -> its starts, by their numbers in the tables, that this run has heard: their times move when the
            host's clock is set.
    """

    def __init__(
        self,
        connection: sqlite3.Connection,
        run: int,
        repeats: dict[str, int],
        boots: defaultdict[str, set[int]],
    ) -> None:
        self._connection, self._run, self._repeats, self._boots = connection, run, repeats, boots
        self.inserted = self.repeated = 0
        self.notices: list[str] = []
        self.anew: list[str] = []  # boxes whose numbering has begun anew
        self._touched = Touched()

    def write(self, items: Iterable[Item]) -> None:
        """Writes `items`; their order matters only around a hello or a moved clock."""
        rows: defaultdict[str, list[Row]] = defaultdict(list)
        for item in items:
            match item:
                case Reading() | Event() | Health():
                    rows[_TABLES[type(item)]].append(self._row(item))
                case Hello():
                    self._flush(rows)
                    self._greet(item)
                    rows["hello"].append(self._row(item))
                case StartTime():
                    self._flush(rows)
                    self._move(item)
                case LinkCount() | Console():
                    self._note(item)
        self._flush(rows)
        self._touched.fill(self._connection)

    # --- rows ---

    def _row(self, item: Reading | Event | Hello | Health) -> Row:
        wall_ms, uncertainty_ms = _ms(item.wall_s), _ms(item.wall_uncertainty_s)
        row = (*item.wire, wall_ms, uncertainty_ms, item.wall_source, self._run)
        boot = item.boot + self.repeats_of(item.box) * REPEAT
        self._boots[item.box].add(boot)
        return row if boot == item.boot else (row[0], boot, *row[2:])

    def _flush(self, rows: defaultdict[str, list[Row]]) -> None:
        for table, waiting in rows.items():
            if table in ("hello", "health"):
                self._connection.executemany(_INSERTS[table], waiting)
                continue
            if table == "reading":
                self._touched.moments((str(row[0]), _whole(row[_WALL])) for row in waiting)
            doubtful = [row for row in waiting if self.repeats_of(str(row[0]))]
            plain = [row for row in waiting if not self.repeats_of(str(row[0]))] if doubtful else waiting
            before = self._connection.total_changes
            self._connection.executemany(_INSERTS[table], plain)
            inserted = self._connection.total_changes - before
            self.inserted += inserted
            if inserted < len(plain):  # the others are there already, or other records of the same numbers are
                others = [row for row in plain if not self._is_there(table, row)]
                self.repeated += len(plain) - inserted - len(others)
                doubtful += others
            for row in doubtful:
                self._place(table, row)
        rows.clear()

    def _place(self, table: str, row: Row) -> None:
        """Keeps a record of a box whose numbers have been used more than once, unless it is there already."""
        box, boot = str(row[0]), _own(row[1])
        for repeats in range(self.repeats_of(box), -1, -1):
            if self._is_there(table, (box, boot + repeats * REPEAT, *row[2:])):
                self.repeated += 1
                return
        self.inserted += 1
        if not self._insert(table, (box, boot + self.repeats_of(box) * REPEAT, *row[2:])):
            self._begin_anew(box)
            self._insert(table, (box, boot + self.repeats_of(box) * REPEAT, *row[2:]))

    def _insert(self, table: str, row: Row) -> bool:
        return self._connection.execute(_INSERTS[table], row).rowcount > 0

    def _is_there(self, table: str, row: Row) -> bool:
        """True when the table holds this very record, whenever it was written."""
        there = self._connection.execute(
            f"{schema.select(table)} WHERE box = ? AND boot = ? AND sequence = ?", row[:3]
        ).fetchone()
        return there is not None and there[: _WIRED[table]] == row[: _WIRED[table]]

    # --- numbers that begin anew ---

    def repeats_of(self, box: str) -> int:
        """How often the numbering of `box` has begun anew."""
        if box not in self._repeats:
            self._repeats[box] = (self._newest_boot(box) or 0) // REPEAT
        return self._repeats[box]

    def _newest_boot(self, box: str) -> int | None:
        newest: int | None = self._connection.execute(
            "SELECT max(boot) FROM (SELECT max(boot) AS boot FROM reading WHERE box = ?1"
            " UNION ALL SELECT max(boot) FROM event WHERE box = ?1"
            " UNION ALL SELECT max(boot) FROM hello WHERE box = ?1)",
            (box,),
        ).fetchone()[0]
        return newest

    def _greet(self, hello: Hello) -> None:
        newest = self._newest_boot(hello.box)
        if newest is not None and (hello.again or hello.boot < newest - self.repeats_of(hello.box) * REPEAT):
            self._begin_anew(hello.box)

    def _begin_anew(self, box: str) -> None:
        self._repeats[box] = self.repeats_of(box) + 1
        self.anew.append(box)
        self.notices.append(
            f"box {box}: its board counts its starts anew (installed again, or another board of that name); "
            "what it sends from now on is kept apart from what was before"
        )

    # --- times that move ---

    def _move(self, start: StartTime) -> None:
        """Brings what this run has dated into line with the host's clock as it is now."""
        boot = start.boot + self.repeats_of(start.box) * REPEAT
        start_ms, uncertainty_ms = round(start.wall_s * 1000), round(start.uncertainty_s * 1000)
        newest = self._connection.execute(
            "SELECT wall_ms - uptime_ms FROM reading WHERE box = ? AND boot = ? AND run = ? AND wall_ms IS NOT NULL"
            " ORDER BY sequence DESC LIMIT 1",
            (start.box, boot, self._run),
        ).fetchone()
        if newest and abs(start_ms - newest[0]) > 2 * uncertainty_ms + _SAME_MS:
            self._shift(start.box, start_ms - newest[0])
        dated = 0
        for table in ("event", "reading"):
            dated = self._connection.execute(
                f"UPDATE {table} SET wall_ms = uptime_ms + ?, wall_uncertainty_ms = ?, wall_source = ?"
                " WHERE box = ? AND boot = ? AND run = ? AND wall_ms IS NULL",
                (start_ms, uncertainty_ms, start.source, start.box, boot, self._run),
            ).rowcount
        if not dated:
            return
        low_ms, high_ms = self._connection.execute(
            "SELECT min(uptime_ms) + ?1, max(uptime_ms) + ?1 FROM reading WHERE box = ?2 AND boot = ?3 AND run = ?4"
            " AND wall_ms = uptime_ms + ?1",
            (start_ms, start.box, boot, self._run),
        ).fetchone()
        self._touched.span(start.box, low_ms, high_ms)

    def _shift(self, box: str, by_ms: int) -> None:
        low_ms, high_ms = self._connection.execute(
            "SELECT min(wall_ms), max(wall_ms) FROM reading WHERE box = ? AND run = ?", (box, self._run)
        ).fetchone()
        if low_ms is not None:
            self._touched.span(box, low_ms + min(by_ms, 0), high_ms + max(by_ms, 0))
        for boot in self._boots[box]:
            for table in schema.KEYS:
                self._connection.execute(
                    f"UPDATE {table} SET wall_ms = wall_ms + ? WHERE box = ? AND boot = ? AND run = ?",
                    (by_ms, box, boot, self._run),
                )
        for table in _DATED_BY_BOX:
            self._connection.execute(
                f"UPDATE {table} SET wall_ms = wall_ms + ? WHERE box = ? AND run = ?", (by_ms, box, self._run)
            )
        if abs(by_ms) < _TOLD_MS:
            return
        self.notices.append(
            f"box {box}: this computer's clock was set by {by_ms / 1000:+.1f} s; the times recorded since the start of "
            "this log were moved with it"
        )

    def _note(self, item: LinkCount | Console) -> None:
        if isinstance(item, Console):
            self._connection.execute(
                "INSERT INTO console (source, box, text, wall_ms, run) VALUES (?, ?, ?, ?, ?)",
                (item.source, item.box, item.text, _ms(item.wall_s), self._run),
            )
            return
        counts = item.corrupt_lines, item.gap_records, item.lost_records
        self._connection.execute(
            "INSERT INTO link_count (source, box, corrupt_lines, gap_records, lost_records, wall_ms, run)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)",
            (item.source, item.box, *counts, _ms(item.wall_s), self._run),
        )


def _ms(seconds: float | None) -> int | None:
    return None if seconds is None else round(seconds * 1000)


def _whole(value: object) -> int | None:
    assert value is None or isinstance(value, int)
    return value


def _own(boot: object) -> int:
    """The board's own number of a start."""
    assert isinstance(boot, int)
    return boot % REPEAT

"""The one writer of a store."""

import json
import os
import sqlite3
from collections import defaultdict
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from uuid import uuid4

import groundbox
from groundbox.errors import StoreError
from groundbox.model import Acknowledge, EstimatorState, Fitted, Item, KnownBattery, Mark, Stored, WarningChange
from groundbox.store import handover
from groundbox.store.ballast import Ballast
from groundbox.store.database import Busy, is_full, lock, open_to_write, sentences
from groundbox.store.reader import Reader
from groundbox.store.records import REPEAT, Records
from groundbox.store.told import Told

LARGE_LOG_BYTES = 64 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Committed:
    """What one commit did."""

    stored: tuple[Stored, ...]  # what boards may be told
    inserted: int  # records that were new
    repeated: int  # records that were in the store already
    handed: tuple[Mark | Acknowledge, ...]  # left by other processes (`hand_over`), now in the store
    notices: tuple[str, ...]  # one line each for the person
    anew: tuple[str, ...]  # boxes whose boards have begun to count their starts anew


class Store(Reader):
    """The one writer. Everything given to it waits in memory until `commit`.

    A failed `commit` loses nothing: what waits goes on waiting, boards have not been told, and the next `commit` tries
    again. While `waiting` is above MOST_WAITING take no more from the links.

    Times of this run move when the host's clock is set: see `StartTime`.

    Raises (on opening):
        StoreError: read-only, locked by another program (a second `groundbox log`), not a database, newer version.
    """

    MOST_WAITING = 20_000

    def __init__(self, path: Path | str, *, busy_s: float = 5.0) -> None:
        self._path = Path(path)
        self._lock = lock(self._path)
        try:
            self._connection = open_to_write(self._path, busy_s)
            self._run = self._begin_run()
        except BaseException:
            self.close()
            raise
        self._ballast = Ballast(self._path)
        self._ballast.load()
        self._items: list[Item] = []
        self._statements: list[tuple[str, tuple[object, ...]]] = []
        self._repeats: dict[str, int] = {}
        self._boots: defaultdict[str, set[int]] = defaultdict(set)
        self._told = Told()
        self._notices: list[str] = []
        self._warned_of_log = False

    def close(self) -> None:
        """Closes the store; what was not committed is gone. Harmless when closed."""
        with suppress(AttributeError):
            self._connection.close()
        self._lock.close()

    @property
    def waiting(self) -> int:
        """Rows not yet committed."""
        return len(self._items) + len(self._statements)

    def add(self, items: Iterable[Item]) -> None:
        """Takes items from links; StartTime moves the times of records already here."""
        self._items.extend(items)

    def start_number(self, box: str, boot: int) -> int:
        """The number the tables have for start `boot` of `box`: higher with each time its numbering began anew."""
        if box not in self._repeats:
            Records(self._connection, self._run, self._repeats, self._boots).repeats_of(box)
        return boot + self._repeats[box] * REPEAT

    def add_mark(self, mark: Mark) -> None:
        """A mark; a swap with a name also becomes a fitting."""
        self._statements += self._mark(f"{round(mark.wall_s * 1000):015d}-{uuid4().hex}", mark)

    def add_warning(self, change: WarningChange) -> None:
        """A line of the warning log."""
        self._statements.append(
            (
                "INSERT INTO warning (box, warning, severity, change, sentence, wall_ms, run) VALUES (?,?,?,?,?,?,?)",
                (
                    *(change.box, change.warning, change.severity, change.change, change.sentence),
                    *(round(change.wall_s * 1000), self._run),
                ),
            )
        )

    def add_battery(self, battery: KnownBattery) -> None:
        """A battery's name and papers; replaces those of the same name."""
        self._statements.append(
            (
                "INSERT OR REPLACE INTO battery (name, papers) VALUES (?, ?)",
                (battery.name, battery.papers),
            )
        )

    def add_fitted(self, fitted: Fitted) -> None:
        """That a battery is in a box from a time on."""
        self._statements += self._fit(fitted)

    def save_estimator(self, state: EstimatorState) -> None:
        """Replaces the saved state of that battery in that box; commits together with the readings it has seen."""
        self._statements.append(
            (
                "INSERT OR REPLACE INTO estimator_state (box, battery, wall_ms, boot, sequence, state)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (
                    *(state.box, state.battery, round(state.wall_s * 1000), state.boot, state.sequence),
                    json.dumps(dict(state.state)),
                ),
            )
        )

    def commit(self) -> Committed:
        """Writes all that waits, durably.

        Raises:
            StoreError: nothing was written; what waits goes on waiting.
        """
        try:
            return self._commit()
        except StoreError as error:
            if not is_full(error) or not self._ballast.drop():
                raise
        self._notices.append(
            f"{self._path}: the disk is full; {self._ballast.megabytes} MB set aside are in use now: free space"
        )
        return self._commit()

    def _commit(self) -> Committed:
        with sentences(self._path):
            handed = handover.waiting(self._path)
            repeats = dict(self._repeats)
            records = Records(self._connection, self._run, self._repeats, self._boots)
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                records.write(self._items)
                for statement, values in self._statements:
                    self._connection.execute(statement, values)
                requests = [one.request for one in handed if self._take_over(one)]
                self._connection.execute("COMMIT")
            except BaseException:
                self._repeats = repeats
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise
        return self._after(records, handed, requests)

    def _after(self, records: Records, handed: list[handover.Handed], requests: list[Mark | Acknowledge]) -> Committed:
        """What follows once all is on the disk."""
        stored = self._told.committed(self._items)
        self._items, self._statements = [], []
        notices, self._notices = [*self._notices, *records.notices, *self._log_notice()], []
        with suppress(OSError):  # what stays is known by its name, and is not taken twice
            for one in handed:
                handover.remove(one)
        if self._ballast.lay_again():
            self._notices.append(f"{self._path}: there is room again; {self._ballast.megabytes} MB are set aside anew")
        return Committed(
            stored=stored,
            inserted=records.inserted,
            repeated=records.repeated,
            handed=tuple(requests),
            notices=tuple(notices),
            anew=tuple(records.anew),
        )

    def _begin_run(self) -> int:
        """The number of this run; being the first write, it finds a read-only or locked database."""
        with sentences(self._path):
            cursor = self._connection.execute(
                "INSERT INTO run (program, sqlite) VALUES (?, ?)", (groundbox.__version__, sqlite3.sqlite_version)
            )
        assert cursor.lastrowid is not None
        return cursor.lastrowid

    def _mark(self, name: str, mark: Mark) -> list[tuple[str, tuple[object, ...]]]:
        statements: list[tuple[str, tuple[object, ...]]] = [
            (
                "INSERT INTO mark (id, box, kind, name, wall_ms, run) VALUES (?, ?, ?, ?, ?, ?)",
                (name, mark.box, mark.kind, mark.name, round(mark.wall_s * 1000), self._run),
            )
        ]
        if mark.kind == "swap" and mark.name:
            statements += self._fit(Fitted(box=mark.box, battery=mark.name, from_wall_s=mark.wall_s))
        return statements

    def _fit(self, fitted: Fitted) -> list[tuple[str, tuple[object, ...]]]:
        return [
            ("INSERT INTO battery (name, papers) VALUES (?, NULL) ON CONFLICT (name) DO NOTHING", (fitted.battery,)),
            (
                "INSERT INTO fitted (box, battery, wall_ms, run) VALUES (?, ?, ?, ?)",
                (fitted.box, fitted.battery, round(fitted.from_wall_s * 1000), self._run),
            ),
        ]

    def _take_over(self, one: handover.Handed) -> bool:
        """True when the request was new."""
        request = one.request
        if isinstance(request, Acknowledge):
            self._acknowledge(request)
            return True
        if self._connection.execute("SELECT 1 FROM mark WHERE id = ?", (one.id,)).fetchone():
            return False
        for statement, values in self._mark(one.id, request):
            self._connection.execute(statement, values)
        return True

    def _acknowledge(self, request: Acknowledge) -> None:
        """A line in the log for each warning that is open and not acknowledged."""
        self._connection.execute(
            "INSERT INTO warning (box, warning, severity, change, sentence, wall_ms, run)"
            " SELECT box, warning, severity, 'acknowledged', sentence, ?1, ?2 FROM warning WHERE box = ?3"
            " AND id IN (SELECT max(id) FROM warning GROUP BY box, warning) AND change = 'raised'"
            " AND (?4 IS NULL OR warning = ?4)",
            (round(request.wall_s * 1000), self._run, request.box, request.warning),
        )

    def _log_notice(self) -> list[str]:
        """A line, once, when a forgotten reader keeps the write-ahead log from being emptied."""
        if self._warned_of_log:
            return []
        try:
            size = os.stat(f"{self._path}-wal").st_size
        except OSError:
            return []
        if size < LARGE_LOG_BYTES:
            return []
        self._warned_of_log = True
        return [f"{self._path}: its -wal file has grown to {size >> 20} MB; a program that reads it should be closed"]


def hand_over(path: Path | str, request: Mark | Acknowledge) -> None:
    """Leaves a mark or acknowledgement for the store at `path` from any process.

    The process that writes the store takes it over with its next commit (`Committed.handed`); when none runs it is
    written at once. It is on the disk when this returns, and when the error is the database's.

    Raises:
        StoreError: the folder cannot be written, or the database needs mending first.
    """
    path = Path(path)
    with sentences(path):
        handover.leave(path, request)
    try:
        with Store(path, busy_s=0.5) as store:
            store.commit()
    except Busy:
        return

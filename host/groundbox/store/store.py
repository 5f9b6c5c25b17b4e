"""The one writer of a store."""

import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from groundbox.errors import StoreError
from groundbox.model import (
    Acknowledge,
    AdviceMinute,
    BatteryFitted,
    EstimatorState,
    Event,
    Hello,
    Item,
    KnownBattery,
    Mark,
    Reading,
    Stored,
    Summary,
    WarningChange,
)
from groundbox.store import address, handover
from groundbox.store.engine import Writer
from groundbox.store.reader import Reader
from groundbox.store.records import REPEAT, Records
from groundbox.store.sqlite import Busy
from groundbox.wire.sequences import Sequences

ADVICE_EVERY_S = 1.0
_ADVICE = (
    "INSERT INTO advice (recorder, made_wall_s, object) VALUES (?, ?, ?) ON CONFLICT (recorder) DO UPDATE"
    " SET made_wall_s = excluded.made_wall_s, object = excluded.object"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Committed:
    """What one commit did."""

    stored: tuple[Stored, ...]  # what boards may drop
    inserted: int  # records that were new
    repeated: int  # records that were in the store already
    handed: tuple[Mark | Acknowledge, ...]  # left by other processes (`hand_over`), now in the store
    notices: tuple[str, ...]  # one line each for the person
    renumbered: tuple[str, ...]  # boxes whose boards count their starts from one again


class StoredCounter:
    """Counts, for each start, up to which number every record is on the disk: what a board may drop. Pure.

        Only records of this run count.
    A reinstalled board counts its starts from one again: it must not drop
        records because those of another start are here.
    """

    def __init__(self) -> None:
        self._starts: dict[tuple[str, int], Sequences] = {}
        self._reported: dict[tuple[str, int], int] = {}

    def committed(self, items: Iterable[Item]) -> tuple[Stored, ...]:
        """Takes in what a commit has put on the disk; what is new since the last report."""
        touched: dict[tuple[str, int], None] = {}
        summaries: dict[tuple[str, int], Stored] = {}
        key, came = ("", -1), Sequences()
        for item in items:
            if isinstance(item, Reading | Event):
                if item.box != key[0] or item.boot != key[1]:
                    key = item.box, item.boot
                    touched[key], came = None, self._start(key)
                came.add(item.sequence)
            elif isinstance(item, Summary):
                stored = Stored(box=item.box, boot=item.boot, sequence=item.sequence, summary=item.number)
                summaries[item.box, item.number] = stored
            elif isinstance(item, Hello):
                key = item.box, item.boot
                touched[key] = None
                if item.again:
                    self._starts.pop(key, None)
                    self._reported.pop(key, None)
                came = self._start(key)
                came.lost_below(item.oldest_sequence or 0)
        return (*filter(None, (self._news(key) for key in touched)), *summaries.values())

    def _start(self, key: tuple[str, int]) -> Sequences:
        start = self._starts.get(key)
        if start is None:
            start = self._starts[key] = Sequences()
        return start

    def _news(self, key: tuple[str, int]) -> Stored | None:
        complete_to = self._starts[key].complete_to
        if complete_to <= self._reported.get(key, 0):
            return None
        self._reported[key] = complete_to
        return Stored(box=key[0], boot=key[1], sequence=complete_to)


class Store(Reader):
    """The one writer. Everything given to it waits in memory until `commit`.

    A failed `commit` loses nothing: everything stays in memory, boards keep their records, and the next `commit` tries
    again. While `waiting` is above MAX_WAITING, take no more from the links.

    Times of this run move when the host's clock is set: see `StartTime`.

    Raises (on opening):
        StoreError: read-only, locked by another program (a second `groundbox log`), not a database, newer version.
    """

    MAX_WAITING = 20_000
    _engine: Writer

    def __init__(self, where: Path | str, *, busy_s: float = 5.0, shared: bool = False) -> None:
        self._engine = address.open_to_write(where, busy_s, shared)
        self._shared = shared
        self._items: list[Item] = []
        self._statements: list[tuple[str, tuple[object, ...]]] = []
        self._repeats: dict[str, int] = {}
        self._boots: defaultdict[str, set[int]] = defaultdict(set)
        self._moved_ms: dict[str, int] = {}
        self._stored = StoredCounter()
        self._advice: dict[str, tuple[float, str]] = {}  # by recorder: wall time, text; waits for a commit
        self._advice_written_s: dict[str, float] = {}
        self._advice_minute: dict[str, int] = {}  # the last one of each box
        self._notices: list[str] = []

    @property
    def name(self) -> str:
        """Where the rows are, for people."""
        return self._engine.name

    @property
    def session(self) -> int:
        """Counts connections to a server: boxes held (`hold`) by one are released when it ends."""
        return self._engine.session

    def hold(self, boxes: Sequence[str]) -> list[str]:
        """Reserves `boxes` for this program among those that share the store; those that no other program holds."""
        with self._engine.store_errors():
            return self._engine.hold(boxes)

    @property
    def waiting(self) -> int:
        """Rows not yet committed."""
        return len(self._items) + len(self._statements)

    def add(self, items: Iterable[Item]) -> None:
        """Takes items from links; StartTime moves the times of records already here."""
        self._items.extend(items)

    def start_number(self, box: str, boot: int) -> int:
        """The number of start `boot` of `box` in the tables: higher each time that its numbering began again."""
        if box not in self._repeats:
            self._record_writer().repeats_of(box)
        return boot + self._repeats[box] * REPEAT

    def add_mark(self, mark: Mark) -> None:
        """A mark; a swap with a name also becomes a fitting."""
        self._statements += handover.mark_statements(self._engine, self._engine.run, handover.new_id(mark), mark)

    def add_warning(self, change: WarningChange) -> None:
        """A line of the warning log."""
        self._statements.append(
            (
                "INSERT INTO warning (box, warning, severity, change, sentence, wall_ms, run) VALUES (?,?,?,?,?,?,?)",
                (
                    *(change.box, change.warning, change.severity, change.change, change.sentence),
                    *(round(change.wall_s * 1000), self._engine.run),
                ),
            )
        )

    def add_battery(self, battery: KnownBattery) -> None:
        """A battery's name and profile; replaces those of the same name."""
        self._statements.append(
            (
                "INSERT INTO battery (name, profile) VALUES (?, ?)"
                " ON CONFLICT (name) DO UPDATE SET profile = excluded.profile",
                (battery.name, battery.profile),
            )
        )

    def add_fitted(self, fitted: BatteryFitted) -> None:
        """That a battery is in a box from a time on."""
        self._statements += handover.fitted_statements(self._engine.run, fitted)

    def add_board_setting(self, box: str, name: str, value: int | None, wall_s: float) -> None:
        """A setting that a board reported at `wall_s`, where it differs from before; None: the board lacks it."""
        self._statements.append(
            (
                "INSERT INTO board_setting (box, name, value, wall_ms, run) VALUES (?, ?, ?, ?, ?)",
                (box, name, value, round(wall_s * 1000), self._engine.run),
            )
        )

    def save_estimator(self, state: EstimatorState) -> None:
        """Replaces the saved state of that battery in that box, unless that one used later readings."""
        self._statements.append(
            (
                "INSERT INTO estimator_state (box, battery, wall_ms, boot, sequence, state) VALUES (?, ?, ?, ?, ?, ?)"
                " ON CONFLICT (box, battery) DO UPDATE SET wall_ms = excluded.wall_ms, boot = excluded.boot,"
                " sequence = excluded.sequence, state = excluded.state"
                " WHERE (coalesce(excluded.boot, 0), coalesce(excluded.sequence, 0))"
                " >= (coalesce(estimator_state.boot, 0), coalesce(estimator_state.sequence, 0))",
                (
                    *(state.box, state.battery, round(state.wall_s * 1000), state.boot, state.sequence),
                    json.dumps(dict(state.state)),
                ),
            )
        )

    def save_advice(self, wall_s: float, text: str, recorder: str = "") -> None:
        """The newest advice of a recorder, JSON made at `wall_s`: replaces the last one with the next commit.

        At most one a second is written; the others are replaced in memory. `recorder` names the program where
        several share a store.
        """
        self._advice[recorder] = (wall_s, text)

    def add_advice_minute(self, minute: AdviceMinute) -> None:
        """The advice on a box; a second one of the same minute is dropped."""
        number = int(minute.wall_s // 60)
        if self._advice_minute.get(minute.box) == number:
            return
        self._advice_minute[minute.box] = number
        self._statements.append(
            (
                "INSERT INTO advice_minute (box, verdict, runtime_low_s, runtime_expected_s, runtime_high_s, soc,"
                " wall_ms, run) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    *(minute.box, minute.verdict),
                    *(minute.runtime_low_s, minute.runtime_expected_s, minute.runtime_high_s, minute.soc),
                    *(round(minute.wall_s * 1000), self._engine.run),
                ),
            )
        )

    def commit(self) -> Committed:
        """Writes all that waits, durably.

        Raises:
            StoreError: nothing was written; everything stays in memory.
        """
        try:
            return self._commit()
        except StoreError as error:
            made_room = self._engine.make_room(error)
            if made_room is None:
                raise
        self._notices.append(made_room)
        return self._commit()

    def _commit(self) -> Committed:
        engine = self._engine
        with engine.store_errors():
            repeats, moved_ms = dict(self._repeats), dict(self._moved_ms)
            advice = self._advice_due()
            records = self._record_writer()
            try:
                engine.begin()
                records.write(self._items)
                for statement, values in self._statements:
                    engine.execute(statement, values)
                for recorder, (wall_s, text) in advice.items():
                    engine.execute(_ADVICE, (recorder, wall_s, text))
                handed = engine.take_over()
                engine.commit()
            except BaseException:
                self._repeats, self._moved_ms = repeats, moved_ms
                engine.rollback()
                raise
        for recorder, (wall_s, text) in advice.items():
            self._advice_written_s[recorder] = wall_s
            if self._advice[recorder] == (wall_s, text):
                del self._advice[recorder]
        return self._after(records, handed)

    def _record_writer(self) -> Records:
        return Records(self._engine, self._repeats, self._boots, self._moved_ms)

    def _advice_due(self) -> dict[str, tuple[float, str]]:
        """The advice to be written now: at most one a second of each recorder, whatever the clock does."""
        return {
            recorder: one
            for recorder, one in self._advice.items()
            if abs(one[0] - self._advice_written_s.get(recorder, float("-inf"))) >= ADVICE_EVERY_S
        }

    def _after(self, records: Records, handed: Iterable[Mark | Acknowledge]) -> Committed:
        """What follows once all is on the disk."""
        stored = () if self._shared else self._stored.committed(self._items)  # others receive the rest
        self._items, self._statements = [], []
        notices, self._notices = [*self._notices, *records.notices, *self._engine.kept()], []
        return Committed(
            stored=stored,
            inserted=records.inserted,
            repeated=records.repeated,
            handed=tuple(handed),
            notices=tuple(notices),
            renumbered=tuple(records.renumbered),
        )


def hand_over(where: Path | str, request: Mark | Acknowledge) -> None:
    """Leaves a mark or acknowledgement for the store at `where` from any process.

    The process that writes the store takes it over with its next commit (`Committed.handed`); when none runs, it is
    written at once. It is on the disk when this returns, also when it raises an error of the database.

    Raises:
        StoreError: it cannot be left, or the database has a fault.
    """
    address.leave(where, request)
    if address.is_server(where):
        return
    try:
        with Store(where, busy_s=0.5) as store:
            store.commit()
    except Busy:
        return

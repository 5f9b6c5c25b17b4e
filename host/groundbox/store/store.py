"""The one writer of a store."""

import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from groundbox.errors import StoreError
from groundbox.model import Acknowledge, BatteryFitted, EstimatorState, Item, KnownBattery, Mark, Stored, WarningChange
from groundbox.store import address, requests
from groundbox.store.engine import Writer
from groundbox.store.reader import Reader
from groundbox.store.records import REPEAT, Records
from groundbox.store.sqlite import Busy
from groundbox.store.told import Told


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
    _engine: Writer

    def __init__(self, where: Path | str, *, busy_s: float = 5.0, shared: bool = False) -> None:
        self._engine = address.open_to_write(where, busy_s, shared)
        self._shared = shared
        self._items: list[Item] = []
        self._statements: list[tuple[str, tuple[object, ...]]] = []
        self._repeats: dict[str, int] = {}
        self._boots: defaultdict[str, set[int]] = defaultdict(set)
        self._told = Told()
        self._notices: list[str] = []

    @property
    def session(self) -> int:
        """Counts connections to a server: what was held (`hold`) ends with the one it was held by."""
        return self._engine.session

    def hold(self, boxes: Sequence[str]) -> list[str]:
        """Those of `boxes` that are this program's to follow from now on, among those that share the store."""
        with self._engine.sentences():
            return self._engine.hold(boxes)

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
            Records(self._engine, self._repeats, self._boots).repeats_of(box)
        return boot + self._repeats[box] * REPEAT

    def add_mark(self, mark: Mark) -> None:
        """A mark; a swap with a name also becomes a fitting."""
        self._statements += requests.mark(self._engine.run, requests.name_of(mark), mark)

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
        self._statements += requests.fit(self._engine.run, fitted)

    def add_board_setting(self, box: str, name: str, value: int | None, wall_s: float) -> None:
        """A setting of a board as it told it at `wall_s`, where it differs from before; None: it knows none such."""
        self._statements.append(
            (
                "INSERT INTO board_setting (box, name, value, wall_ms, run) VALUES (?, ?, ?, ?, ?)",
                (box, name, value, round(wall_s * 1000), self._engine.run),
            )
        )

    def save_estimator(self, state: EstimatorState) -> None:
        """Replaces the saved state of that battery in that box, unless that has seen later readings already."""
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

    def commit(self) -> Committed:
        """Writes all that waits, durably.

        Raises:
            StoreError: nothing was written; what waits goes on waiting.
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
        with engine.sentences():
            repeats = dict(self._repeats)
            records = Records(engine, self._repeats, self._boots)
            try:
                engine.begin()
                records.write(self._items)
                for statement, values in self._statements:
                    engine.execute(statement, values)
                handed = engine.take_over()
                engine.commit()
            except BaseException:
                self._repeats = repeats
                engine.rollback()
                raise
        return self._after(records, handed)

    def _after(self, records: Records, handed: Iterable[Mark | Acknowledge]) -> Committed:
        """What follows once all is on the disk."""
        stored = () if self._shared else self._told.committed(self._items)  # one of several does not know all
        self._items, self._statements = [], []
        notices, self._notices = [*self._notices, *records.notices, *self._engine.kept()], []
        return Committed(
            stored=stored,
            inserted=records.inserted,
            repeated=records.repeated,
            handed=tuple(handed),
            notices=tuple(notices),
            anew=tuple(records.anew),
        )


def hand_over(where: Path | str, request: Mark | Acknowledge) -> None:
    """Leaves a mark or acknowledgement for the store at `where` from any process.

    The process that writes the store takes it over with its next commit (`Committed.handed`); when none runs it is
    written at once. It is on the disk when this returns, and when the error is the database's.

    Raises:
        StoreError: it cannot be left, or the database needs mending first.
    """
    address.leave(where, request)
    if address.is_server(where):
        return
    try:
        with Store(where, busy_s=0.5) as store:
            store.commit()
    except Busy:
        return

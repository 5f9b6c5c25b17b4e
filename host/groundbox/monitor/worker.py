"""One of several programs that store the records of many boxes in one database. Each stores what it receives. Each box
that is followed (in the settings, or with a key) is held by one of them, until that program ends.

All state of a worker is in the store: a program that takes a box over continues from its saved estimator and
the readings since. Shared boxes belong to many pilots: a launch concerns the boxes it names, and no other.
"""

import os
import random
import socket
import time
from collections.abc import Sequence

from groundbox.advice.result import FlightShown
from groundbox.link.clock import Clocks, Moment
from groundbox.link.mqtt_shared import SharedSource
from groundbox.link.secret_files import boxes_with_keys
from groundbox.link.source import Arrivals
from groundbox.model import Event, Item, LinkNote, Mark, Reading, Stored, Summary
from groundbox.monitor.flight import Flight
from groundbox.monitor.from_store import flight_now
from groundbox.monitor.recorder import Recorder
from groundbox.monitor.shown import Output
from groundbox.settings import Settings
from groundbox.store import Reader, Store
from groundbox.store.schema import REPEAT
from groundbox.wire.sequences import Sequences

TAKE = 5000
COLLECT_S = 0.1  # many messages at once: a turn for each would cost more than the messages
TURN_S = 1.0
ASK_S = 5.0
FREE_DIVISOR = 10  # a tenth of the free boxes is taken at a turn, so that programs that start together divide them


class Worker(Recorder):
    """A Recorder that divides the boxes with other programs.

    Args:
        store: opened shared.
        sources: one for each broker, which divides its messages between the programs.
        others: see Recorder.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        arrivals: Arrivals,
        sources: Sequence[SharedSource],
        clocks: Clocks,
        output: Output,
        *,
        commit_every_s: float = TURN_S,
    ) -> None:
        self._shared_sources = list(sources)
        self._held: dict[str, Held] = {}
        self._flights: dict[str, Flight] = {}
        self._to_ask: set[str] = set()  # boxes held whose board is asked for its settings once it is present
        self._summaries: set[tuple[str, int]] = set()  # received since the last commit: box, number
        self._session = store.session
        self._turned_s = self._asked_s = float("-inf")
        super().__init__(settings, store, arrivals, sources, clocks, output, commit_every_s=commit_every_s)

    def turn(self) -> None:
        """One turn of the loop: stores what arrived, and once a second follows the boxes held."""
        time.sleep(COLLECT_S)
        room = self.store.waiting < self.store.MAX_WAITING
        items = self._arrivals.take(max_items=TAKE) if room else []
        now = self._clocks.now()
        self.store.add(items)
        for item in items:
            self._route(item, now)
        if now.real_s - self._committed_s >= self._commit_every_s or self.store.waiting >= TAKE:
            self._commit(now)
        if now.real_s - self._turned_s >= TURN_S and not self._trouble:
            self._turned_s = now.real_s
            self._hold(now)
            self._pass_on(now)
            self._confirm(now)
            self.lessons.background.poll()
            self._estimate(now)
            self._advise(now)
            self._agree_on_place(now)
            self._ask_settings()
            self._board_settings.turn(now.real_s)

    def _at_first(self, now: Moment) -> list[str]:
        return []

    def _route(self, item: Item, now: Moment) -> None:
        """Followers are fed from the store."""
        if isinstance(item, LinkNote):
            self.output.say(now.wall_s, item.sentence)
        elif isinstance(item, Summary):
            self._summaries.add((item.box, item.number))

    def _acknowledge_stored(self, stored: Sequence[Stored]) -> None:
        """Confirms the stored summaries to boxes held. Records are confirmed by the store's rows, since other programs
        store some of them: see `_confirm`.
        """
        for box, number in sorted(self._summaries):
            for source in self._shared_sources if box in self._held else ():
                if source.may_send(box):
                    source.send(box, "summary_stored", number=number)
        self._summaries.clear()

    def _hold(self, now: Moment) -> None:
        """Takes boxes that no program holds; releases all when the connection that held them has ended."""
        if self.store.session != self._session:
            self._session = self.store.session
            self._held.clear()
            self._to_ask.clear()
            self.followers.clear()
            for source in self._shared_sources:
                source.let_go()
        for box in self.followers.keys() - self._held.keys():
            del self.followers[box]
        wanted = sorted({*self.settings.boxes, *boxes_with_keys(self.settings.keys_path)} - self._held.keys())
        tried = random.sample(wanted, -(-len(wanted) // FREE_DIVISOR))
        for box in self.store.hold(tried):
            self._held[box] = Held(self.store, box)
            self._read_flight(box, now)
            self._to_ask.add(box)
            for source in self._shared_sources:
                source.hold(box)
            follower = self._follow(box, now)
            battery = f", battery {follower.tracker.battery}" if follower.tracker else ""
            self.output.say(now.wall_s, f"{box} is held by this program now{battery}")
            self._judge.restore(self.store.open_warnings(box), None, now.monotonic_s)

    def _ask_settings(self) -> None:
        """A question to a board before its presence is known would be refused, and repeated only much later."""
        for box in {box for box in self._to_ask if any(source.reaches(box) for source in self._shared_sources)}:
            self._to_ask.remove(box)
            self._board_settings.ask_again(box)

    def _on_event(self, event: Event, now: Moment) -> None:
        super()._on_event(event, now)
        if event.kind == "started":
            self._to_ask.add(event.box)

    @property
    def name(self) -> str:
        """Name under which this worker stores its advice."""
        return f"{socket.gethostname()}-{os.getpid()}"

    def _on_mark(self, mark: Mark, now: Moment) -> None:
        """Every program gets it; the one that holds the box acts. A mark for all boxes changes no box here."""
        if mark.box in self._held:
            super()._on_mark(mark, now)

    def _flight_shown(self, now: Moment) -> FlightShown:
        """Boxes here belong to separate flights: only whether one is in the air."""
        return FlightShown(in_flight=any(flight.in_flight for flight in self._flights.values()))

    def _flight_of(self, box: str) -> Flight:
        return self._flights[box]

    def _read_flight(self, box: str, now: Moment) -> Flight:
        self._flights[box] = flight_now(self.store, self.settings, now.monotonic_s, now.wall_s, box)
        return self._flights[box]

    def _spread(self, kind: str, box: str, heard: bool) -> None:
        if not heard:
            self._send_mark(box, kind)

    def _pass_on(self, now: Moment) -> None:
        """Passes new records in the store to the followers, whichever program stored them."""
        for box, held in self._held.items():
            follower = self.followers[box]
            for record in held.new_records(self.store):
                if isinstance(record, Reading):
                    self._note_uptime(record, now)
                    follower.take_reading(record, now.monotonic_s)
                else:
                    follower.take_event(record, now.monotonic_s, now.wall_s)
                    self._on_event(record, now)

    def _confirm(self, now: Moment) -> None:
        """Confirms to boxes what is stored, and asks for what is missing."""
        asking = now.real_s - self._asked_s >= ASK_S
        if asking:
            self._asked_s = now.real_s
        for box, held in self._held.items():
            ways = [source for source in self._shared_sources if source.may_send(box)]
            if not ways:
                held.give_up(now.real_s)
            for source in ways:
                if (upto := held.to_confirm()) is not None:
                    source.send(box, "stored", stored_boot=held.own_boot, stored_sequence=upto)
            for first, last in held.gaps(self.store)[:1] if asking and ways else ():
                for source in ways:
                    source.send(box, "who")
                    source.send(box, "resend", from_sequence=first, to_sequence=last)


GIVE_UP_S = 120.0  # a gap of a box that cannot be asked delays later records for so long


class Held:
    """Follows box `name` in the store.

    Attributes:
        boot: number in the tables of the start followed.
        stored: its records that are in the store.
        confirmed: number up to which that was reported to the board.
    """

    def __init__(self, reader: Reader, name: str) -> None:
        self.name = name
        self.confirmed = 0
        self.boot, self.stored = 0, Sequences()
        self._gap_since_s: float | None = None
        latest = reader.latest(name)
        if latest is not None:
            self._begin(reader, latest.boot)
            for sequence in reader.sequences(name, self.boot, self.stored.complete_to):
                self.stored.add(sequence)
            self.confirmed = self.stored.complete_to

    @property
    def own_boot(self) -> int:
        """The board's own number of the start."""
        return self.boot % REPEAT

    def new_records(self, reader: Reader) -> list[Reading | Event]:
        """Records that have come into the store since last asked, in the order measured."""
        found: list[Reading | Event] = []
        for record in reader.records_after(self.name, self.boot, self.stored.complete_to):
            if record.boot > self.boot:
                self._begin(reader, record.boot)
            if record.boot == self.boot and self.stored.add(record.sequence):
                found.append(record)
        return found

    def gaps(self, reader: Reader) -> list[tuple[int, int]]:
        """(first, last) of each stretch missing, except records that the board reports as overwritten."""
        self._take_lost(reader)
        return self.stored.missing(self.stored.highest)

    def give_up(self, now_s: float) -> None:
        """Skips a gap after two minutes, when the box cannot be asked for it."""
        gaps = self.stored.missing(self.stored.highest)
        if not gaps:
            self._gap_since_s = None
        elif self._gap_since_s is None:
            self._gap_since_s = now_s
        elif now_s - self._gap_since_s >= GIVE_UP_S:
            self._gap_since_s = None
            self.stored.lost_below(gaps[-1][1] + 1)

    def to_confirm(self) -> int | None:
        """Number up to which all records are stored; None when that is confirmed already."""
        if self.stored.complete_to <= self.confirmed:
            return None
        self.confirmed = self.stored.complete_to
        return self.confirmed

    def _begin(self, reader: Reader, boot: int) -> None:
        self.boot, self.stored, self.confirmed, self._gap_since_s = boot, Sequences(), 0, None
        self._take_lost(reader)

    def _take_lost(self, reader: Reader) -> None:
        hello = reader.hello(self.name)
        if hello and hello.boot == self.boot:
            self.stored.lost_below(hello.oldest_sequence or 0)

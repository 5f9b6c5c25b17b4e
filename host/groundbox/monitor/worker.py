"""One of several programs that store the records of many boxes in one database. Each stores what it receives. Each box
that is followed (in the settings, or with a key) is held by one of them, until that program ends.

A worker knows nothing that the store does not: a program that takes a box over continues from its saved estimator and
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
from groundbox.monitor.held import Held
from groundbox.monitor.output import Output
from groundbox.monitor.recorder import Recorder
from groundbox.monitor.start import flight_now
from groundbox.settings import Settings
from groundbox.store import Store

TAKE = 5000
GULP_S = 0.1  # many messages at once: a turn for each would cost more than the messages
TURN_S = 1.0
ASK_S = 5.0
SHARE_OF_FREE = 10  # a tenth of what is free is taken at a turn, so that those who begin together share


class Worker(Recorder):
    """A Recorder that shares boxes with others.

    Args:
        store: opened shared.
        sources: shares of brokers.
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
        self._shares = list(sources)
        self._held: dict[str, Held] = {}
        self._flights: dict[str, Flight] = {}
        self._to_meet: set[str] = set()  # boxes held whose board is to be asked for its limits once it is there
        self._summaries: set[tuple[str, int]] = set()  # received since the last commit: box, number
        self._session = store.session
        self._turned_s = self._asked_s = float("-inf")
        super().__init__(settings, store, arrivals, sources, clocks, output, commit_every_s=commit_every_s)

    def turn(self) -> None:
        """One turn of the loop: keeps what came, and once a second follows the boxes held."""
        time.sleep(GULP_S)
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
            self._feed(now)
            self._speak(now)
            self.lessons.background.poll()
            self._estimate(now)
            self._advise(now)
            self._agree_on_place(now)
            self._meet()
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
        """Summaries that are now on the disk, to boxes held; what one worker has kept of records says nothing of what
        has come: see `_speak`.
        """
        for box, number in sorted(self._summaries):
            for share in self._shares if box in self._held else ():
                if share.may_send(box):
                    share.send(box, "summary_stored", number=number)
        self._summaries.clear()

    def _hold(self, now: Moment) -> None:
        """Takes boxes that nobody holds; lets go of all when the connection they were held by has ended."""
        if self.store.session != self._session:
            self._session = self.store.session
            self._held.clear()
            self._to_meet.clear()
            self.followers.clear()
            for share in self._shares:
                share.let_go()
        for box in self.followers.keys() - self._held.keys():
            del self.followers[box]
        wanted = sorted({*self.settings.boxes, *boxes_with_keys(self.settings.keys_path)} - self._held.keys())
        tried = random.sample(wanted, -(-len(wanted) // SHARE_OF_FREE))
        for box in self.store.hold(tried):
            self._held[box] = Held(self.store, box)
            self._flights[box] = flight_now(self.store, self.settings, now.monotonic_s, now.wall_s, box)
            self._to_meet.add(box)
            for share in self._shares:
                share.hold(box)
            follower = self._follow(box, now)
            battery = f", battery {follower.tracker.battery}" if follower.tracker else ""
            self.output.say(now.wall_s, f"{box} is held by this program now{battery}")
            self._judge.restore(self.store.open_warnings(box), None, now.monotonic_s)

    def _meet(self) -> None:
        """A question to a board before its presence is known would be refused, and repeated only much later."""
        for box in {box for box in self._to_meet if any(share.reaches(box) for share in self._shares)}:
            self._to_meet.remove(box)
            self._board_settings.met(box)

    def _on_event(self, event: Event, now: Moment) -> None:
        super()._on_event(event, now)
        if event.kind == "started":
            self._to_meet.add(event.box)

    @property
    def name(self) -> str:
        """Name under which this worker stores its advice."""
        return f"{socket.gethostname()}-{os.getpid()}"

    def _on_mark(self, mark: Mark, now: Moment) -> None:
        """Every program gets it; the one that holds the box acts. A mark for all boxes concerns nobody here."""
        if mark.box in self._held:
            super()._on_mark(mark, now)

    def _flight_shown(self, now: Moment) -> FlightShown:
        """Boxes here fly apart: of all flights only whether one is in the air."""
        return FlightShown(in_flight=any(flight.in_flight for flight in self._flights.values()))

    def _flight_of(self, box: str) -> Flight:
        return self._flights[box]

    def _spread(self, kind: str, box: str, heard: bool) -> None:
        if not heard:
            self._tell(box, kind)

    def _feed(self, now: Moment) -> None:
        """What came into the store, by whichever program, goes to the followers."""
        for box, held in self._held.items():
            follower = self.followers[box]
            for record in held.news(self.store):
                if isinstance(record, Reading):
                    self._note_uptime(record, now)
                    follower.take_reading(record, now.monotonic_s)
                else:
                    follower.take_event(record, now.monotonic_s, now.wall_s)
                    self._on_event(record, now)

    def _speak(self, now: Moment) -> None:
        """Tells boxes what is stored, and asks for what is missing."""
        asking = now.real_s - self._asked_s >= ASK_S
        if asking:
            self._asked_s = now.real_s
        for box, held in self._held.items():
            ways = [share for share in self._shares if share.may_send(box)]
            if not ways:
                held.give_up(now.real_s)
            for share in ways:
                if (upto := held.to_tell()) is not None:
                    share.send(box, "stored", stored_boot=held.own_boot, stored_sequence=upto)
            for first, last in held.gaps(self.store)[:1] if asking and ways else ():
                for share in ways:
                    share.send(box, "who")
                    share.send(box, "resend", from_sequence=first, to_sequence=last)

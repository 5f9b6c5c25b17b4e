"""The boxes of one broker that this host may speak to: a session each, its lines sealed with the box's key."""

from collections.abc import Callable, Iterable
from concurrent.futures import Future
from random import Random
from threading import Lock

from groundbox.errors import BadInput, LinkError
from groundbox.link.decode import Frame
from groundbox.link.exchange import Exchange
from groundbox.link.keys import Keys
from groundbox.link.known import Known
from groundbox.link.questions import Moment
from groundbox.model import Answer, Item, Stored

DEAF_S = 20.0
Publish = Callable[[str, bytes], None]


class Boxes:
    """Sessions by box; may be called from several threads.

    Args:
        source: what the broker is called in notes.
        keys: the boxes' command keys.
        publish: says a sealed line to a box; it may be lost.
        complain: is told what a person must mend about a box's key.
    """

    def __init__(self, source: str, keys: Keys, publish: Publish, complain: Callable[[str, str], None]) -> None:
        self._source, self._keys, self._publish, self._complain = source, keys, publish, complain
        self._known = Known()
        self._sessions: dict[str, Exchange] = {}
        self._complaints: dict[str, str] = {}
        self._deaf_s: dict[str, float] = {}  # box: since when (real time)
        self._lock = Lock()
        self._random = Random()

    def meet(self, box: str) -> bool:
        """True when there is a key for `box`, so that its session deals with what it says."""
        with self._lock:
            return self._session(box) is not None

    def receive(self, box: str, frame: Frame, now: Moment) -> list[Item]:
        """The items that became complete with a message of `box`, which was met."""
        with self._lock:
            session = self._session(box)
            if session is None:
                return []
            items = session.receive_frame(frame, now)
            self._say(box, session)
        return items

    def tick(self, now: Moment) -> list[Item]:
        """Does what is due; called several times a second while the broker is there."""
        items: list[Item] = []
        with self._lock:
            for box, session in self._sessions.items():
                items += session.tick(now)
                self._watch(box, session, now)
                self._say(box, session)
        return items

    def tell_stored(self, stored: Iterable[Stored]) -> None:
        """Tells boxes what they need not keep any longer."""
        with self._lock:
            for one in stored:
                if one.box in self._sessions:
                    self._sessions[one.box].tell_stored(one)
                    self._say(one.box, self._sessions[one.box])

    def command(
        self, box: str, name: str, fields: dict[str, int | str | None], future: Future[Answer], now: Moment
    ) -> None:
        """Sends a command; `future` gets the answer, or LinkError."""
        with self._lock:
            session = self._session(box)
            if session is None or session.hello is None:
                why = self._complaints.get(box) or f"box {box}: no board of that name answers at {self._source}"
                future.set_exception(LinkError(why))
                return
            future.set_running_or_notify_cancel()
            session.command(box, name, fields, future, now)
            self._say(box, session)

    def close(self) -> list[Item]:
        """The last counts of all sessions."""
        with self._lock:
            return [item for session in self._sessions.values() for item in session.close()]

    def _session(self, box: str) -> Exchange | None:
        if box not in self._sessions and self._may_speak(box):
            first = self._random.randrange(1 << 28)
            self._sessions[box] = Exchange(self._source, self._known, first, lambda claimed: claimed == box)
        return self._sessions.get(box)

    def _may_speak(self, box: str) -> bool:
        try:
            return self._keys.has(box)
        except BadInput as error:
            self._tell(box, str(error))
            return False

    def _watch(self, box: str, session: Exchange, now: Moment) -> None:
        """Says so once when a box does not hear us for long: what it measures is not taken meanwhile."""
        if not session.unanswered(now):
            self._deaf_s.pop(box, None)
        elif now.real_s - self._deaf_s.setdefault(box, now.real_s) >= DEAF_S:
            why = "the key here is not the board's: groundbox board network over its cable mends that"
            self._tell(box, f"box {box} speaks and does not answer, so nothing of it is recorded; most likely {why}")

    def _say(self, box: str, session: Exchange) -> None:
        try:
            for line in session.lines():
                self._publish(box, self._keys.seal(box, line))
        except BadInput as error:
            self._tell(box, str(error))

    def _tell(self, box: str, why: str) -> None:
        if self._complaints.get(box) != why:
            self._complaints[box] = why
            self._complain(box, why)

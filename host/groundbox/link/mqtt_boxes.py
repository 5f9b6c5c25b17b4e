"""The boxes at one broker whose keys this host has: one exchange each, its lines sealed with the box's key."""

from collections.abc import Callable, Iterable
from concurrent.futures import Future
from random import Random
from threading import Lock

from groundbox.errors import BadInput, LinkError
from groundbox.link.clock import BoardMemory, Moment
from groundbox.link.decode import Frame
from groundbox.link.exchange import Exchange
from groundbox.link.secret_files import Keys
from groundbox.model import Answer, Item, Stored

UNANSWERED_S = 20.0  # a box that sends messages and does not answer for so long is reported
Publish = Callable[[str, bytes], None]


class KeyedBoxes:
    """Exchanges by box; may be called from several threads.

    Args:
        source: name of the broker in notes.
        keys: the boxes' command keys.
        publish: (box, sealed line) sends the line; it may be lost.
        note: (box, sentence) reports what a person must fix about a box's key.
    """

    def __init__(self, source: str, keys: Keys, publish: Publish, note: Callable[[str, str], None]) -> None:
        self._source, self._keys, self._publish, self._note = source, keys, publish, note
        self._memory = BoardMemory()
        self._exchanges: dict[str, Exchange] = {}
        self._noted: dict[str, str] = {}
        self._unanswered_s: dict[str, float] = {}  # box: since when, real time
        self._lock = Lock()
        self._random = Random()

    def has_key(self, box: str) -> bool:
        """True when there is a key for `box`, so that its exchange takes its messages."""
        with self._lock:
            return self._exchange(box) is not None

    def receive(self, box: str, frame: Frame, now: Moment) -> list[Item]:
        """The items that a message of `box` completes."""
        with self._lock:
            exchange = self._exchange(box)
            if exchange is None:
                return []
            items = exchange.receive_frame(frame, now)
            self._send(box, exchange)
        return items

    def tick(self, now: Moment) -> list[Item]:
        """Does what is due; called several times a second while the broker is connected."""
        items: list[Item] = []
        with self._lock:
            for box, exchange in self._exchanges.items():
                items += exchange.tick(now)
                self._watch(box, exchange, now)
                self._send(box, exchange)
        return items

    def acknowledge_stored(self, stored: Iterable[Stored]) -> None:
        """Acknowledges stored records to their boxes."""
        with self._lock:
            for one in stored:
                if one.box in self._exchanges:
                    self._exchanges[one.box].acknowledge_stored(one)
                    self._send(one.box, self._exchanges[one.box])

    def command(
        self, box: str, name: str, fields: dict[str, int | str | None], future: Future[Answer], now: Moment
    ) -> None:
        """Sends a command; `future` gets the answer, or LinkError."""
        with self._lock:
            exchange = self._exchange(box)
            if exchange is None or exchange.hello is None:
                why = self._noted.get(box) or f"box {box}: no board of that name answers at {self._source}"
                future.set_exception(LinkError(why))
                return
            future.set_running_or_notify_cancel()
            exchange.command(box, name, fields, future, now)
            self._send(box, exchange)

    def close(self) -> list[Item]:
        """The last counts of all exchanges."""
        with self._lock:
            return [item for exchange in self._exchanges.values() for item in exchange.close()]

    def _exchange(self, box: str) -> Exchange | None:
        if box not in self._exchanges and self._readable_key(box):
            first = self._random.randrange(1 << 28)
            self._exchanges[box] = Exchange(self._source, self._memory, first, lambda claimed: claimed == box)
        return self._exchanges.get(box)

    def _readable_key(self, box: str) -> bool:
        try:
            return self._keys.has(box)
        except BadInput as error:
            self._note_once(box, str(error))
            return False

    def _watch(self, box: str, exchange: Exchange, now: Moment) -> None:
        """Reports once that a box does not answer: without an answer its records are not taken."""
        if not exchange.unanswered(now):
            self._unanswered_s.pop(box, None)
        elif now.real_s - self._unanswered_s.setdefault(box, now.real_s) >= UNANSWERED_S:
            why = "the key here is probably not the board's; give both one key over its cable: groundbox board network"
            self._note_once(box, f"box {box} sends messages and does not answer; nothing is recorded: {why}")

    def _send(self, box: str, exchange: Exchange) -> None:
        try:
            for line in exchange.lines():
                self._publish(box, self._keys.seal(box, line))
        except BadInput as error:
            self._note_once(box, str(error))

    def _note_once(self, box: str, why: str) -> None:
        if self._noted.get(box) != why:
            self._noted[box] = why
            self._note(box, why)

"""The talk with one board over one connection: pure. Bytes or messages and time go in, items and lines come out.

Order of a connection: ask who is there; on hello compare registries; ask for the clock; then let the records through
and ask for those that are missing. Records that come earlier are held back, a few; more are lost and asked for later.
A board is known by its hello alone: until then nothing it sends counts as data.
"""

from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace

from groundbox.conversion import from_wire
from groundbox.errors import WireError
from groundbox.link import notes
from groundbox.link.asking import CLOCK_SET_S, Asking
from groundbox.link.decode import ConsoleText, Corrupt, Decoder, Found, Frame, OtherRegistry
from groundbox.link.items import to_item
from groundbox.link.known import Known
from groundbox.link.missing import Missing
from groundbox.link.questions import Moment, Questions
from groundbox.link.tally import Tally
from groundbox.model import Answer, Hello, Item, LinkNote, StartTime, Stored
from groundbox.wire.messages import BY_NAME, checksum

INTRODUCED_S = 5.0  # without an answer for the clock by then, records go on with the time they came
HELD = 64
HEARD_S = 5.0


class Exchange:
    """One connection to whatever is at the other end of a port.

    Args:
        source: the port's name.
        known: what outlives the connection.
        first_command: number before the first command; random, so that no answer to an earlier program fits.
        claim: asked with a box's name whether this port may speak for it.

    Attributes:
        hello: the board's latest hello; None while unknown or refused.
        heard_s: real time of the last undamaged message from a board; None before the first.
    """

    def __init__(
        self,
        source: str,
        known: Known,
        first_command: int,
        claim: Callable[[str], bool] = lambda box: True,
    ) -> None:
        self.source = source
        self.hello: Hello | None = None
        self.heard_s: float | None = None
        self._known, self._claim = known, claim
        self._decoder = Decoder()
        self._questions = Questions(first_command)
        self._tally = Tally(source)
        self._records = Missing(None, 0)
        self._held: deque[Frame] = deque(maxlen=HELD)
        self._refused: str | None = None
        self._met: str | None = None
        self._introduced = self._again = False
        self._introduce_at_s = 0.0
        self._asking = Asking()
        self._torn = True  # the first line after opening may lack its beginning

    def receive(self, data: bytes, now: Moment) -> list[Item]:
        """The items that became complete with `data`, which came at `now`."""
        items: list[Item] = []
        for found in self._decoder.feed(data):
            try:
                items += self._found(found, now)
            except WireError:
                self._tally.corrupt += 1
            self._torn = False
        return items

    def receive_frame(self, frame: Frame, now: Moment) -> list[Item]:
        """The items that became complete with one message, however it came."""
        try:
            return self._frame(frame, now)
        except WireError:
            self._tally.corrupt += 1
            return []

    def tick(self, now: Moment) -> list[Item]:
        """Does what is due at `now`; called several times a second."""
        if self._asking.who_is_due(now, known=self.hello is not None):
            self._questions.send("who", "*")
        items: list[Item] = []
        if self.hello:
            if self._asking.clock_is_due(now):
                self._ask_clock(now)
            if not self._introduced and now.real_s >= self._introduce_at_s:
                items += self._introduce(None, now)
            if self._introduced:
                self._ask_missing(now)
        self._questions.expire(now)
        return items + self._tally.due(self.hello.box if self.hello else None, now)

    def unanswered(self, now: Moment) -> bool:
        """True while a board is heard that does not say who it is although it is asked."""
        recently = self.heard_s is not None and now.real_s - self.heard_s < HEARD_S
        return recently and self.hello is None and self._refused is None

    def output(self) -> bytes:
        """What to write to the port now."""
        return self._questions.output()

    def lines(self) -> list[bytes]:
        """All lines to say now, for a link that takes whole messages."""
        return self._questions.lines()

    def tell_stored(self, stored: Stored) -> None:
        """Tells the board, if it is this one."""
        if self.hello and self.hello.box == stored.box:
            if stored.summary is not None:
                self._questions.send("summary_stored", stored.box, number=stored.summary)
                return
            self._known.tell(stored)
            self._questions.send("stored", stored.box, stored_boot=stored.boot, stored_sequence=stored.sequence)

    def command(
        self, box: str, name: str, fields: dict[str, int | str | None], future: Future[Answer], now: Moment
    ) -> None:
        """Sends a command; `future` gets the answer, or LinkError."""
        self._questions.command(box, name, fields, future, now)

    def close(self) -> list[Item]:
        """The last counts; commands without an answer end with LinkError."""
        self._questions.close(f"{self.source}: the connection was lost before the board answered")
        return self._tally.flush(self.hello.box if self.hello else None)

    # --- what comes in ---

    def _found(self, found: Found, now: Moment) -> list[Item]:
        match found:
            case Frame():
                return self._frame(found, now)
            case OtherRegistry():
                self.heard_s = now.real_s
                return self._refuse(notes.registry(self.source, now, found.box, found.firmware, found.registry), now)
            case Corrupt():
                if self._refused:  # its messages, by a registry that is not ours
                    self.heard_s = now.real_s
                elif not self._torn:
                    self._tally.corrupt += 1
            case ConsoleText():
                if not self._torn:
                    return self._tally.console(self.hello.box if self.hello else None, found.text, now)
        return []

    def _frame(self, frame: Frame, now: Moment) -> list[Item]:
        if BY_NAME[frame.name][1] != "board":  # our own words come back: no board
            return []
        self.heard_s = now.real_s
        if self.hello:
            self._asking.heard(now)
        if frame.name == "hello":
            return self._on_hello(frame, now)
        if self._refused:
            return []
        if frame.name == "clock":
            return self._on_clock(frame, now)
        if frame.name == "answer":
            self._questions.answered(from_wire(Answer, frame.values))
            return []
        return self._admit(frame, now)

    def _on_hello(self, frame: Frame, now: Moment) -> list[Item]:
        hello = to_item(frame, wall_s=now.wall_s, wall_source="arrival")
        assert isinstance(hello, Hello)
        if hello.registry != checksum():
            return self._refuse(notes.registry(self.source, now, hello.box, hello.firmware, hello.registry), now)
        if not self._claim(hello.box):
            return self._refuse(notes.twice(self.source, now, hello.box), now)
        self._refused = None
        if self._goes_on(hello):
            self.hello = hello
            return self._count_lost(self._records.told(hello.oldest_sequence, hello.sequence), now)
        return self._begin(hello, now)

    def _goes_on(self, hello: Hello) -> bool:
        """True when `hello` is of the start that is known already."""
        before = self.hello
        return (
            before is not None
            and (hello.box, hello.boot) == (before.box, before.boot)
            and hello.uptime_ms >= before.uptime_ms
            and hello.sequence >= self._records.newest
        )

    def _begin(self, hello: Hello, now: Moment) -> list[Item]:
        note = notes.met(self.source, now, hello, again=self._met == hello.box)
        self.hello, self._met, self._introduced = hello, hello.box, False
        self._records = Missing(hello.oldest_sequence, hello.sequence)
        self._introduce_at_s = now.real_s + INTRODUCED_S
        self._ask_clock(now)
        return [note]

    def _on_clock(self, frame: Frame, now: Moment) -> list[Item]:
        box, boot, _, number, uptime_ms = frame.values
        question = self._questions.clock_answered(number)
        if question is None or self.hello is None or not isinstance(uptime_ms, int):
            return []
        if (box, boot) != (self.hello.box, self.hello.boot):
            self._ask_anew()
            return []
        round_trip_s = now.monotonic_s - question.monotonic_s
        if abs(now.wall_s - question.wall_s - round_trip_s) > CLOCK_SET_S:  # the host's clock was set meanwhile
            self._ask_clock(now)
            return []
        exchanged = self._known.clock(self.hello.box).exchange(
            self.hello.boot,
            uptime_ms,
            received_wall_s=now.wall_s,
            received_monotonic_s=now.monotonic_s,
            round_trip_s=round_trip_s,
        )
        self._asking.clock_answered(now)
        self._again = self._again or exchanged.again
        self._skip_told()
        if not self._introduced:
            return self._introduce(exchanged.start, now)
        if self._again:
            self._ask_anew()
            return []
        return [exchanged.start] if exchanged.start else []

    def _skip_told(self) -> None:
        """Records that this very start was told are stored need not come again."""
        assert self.hello
        box, boot = self.hello.box, self.hello.boot
        if self._again:
            self._known.forget(box, boot)
        else:
            self._records.told(self._known.told(box, boot) + 1, 0)

    def _introduce(self, start: StartTime | None, now: Moment) -> list[Item]:
        """The hello, dated, and the records held back until now."""
        assert self.hello
        hello = self.hello
        if self._known.clock(hello.box).wall(hello.boot, hello.uptime_ms) is None:
            self._known.heard(hello.box, hello.boot, hello.uptime_ms, now)
        items: list[Item] = [
            replace(hello, again=self._again, **self._known.dated(hello.box, hello.boot, hello.uptime_ms))
        ]
        if start:
            items.append(start)
        self._introduced, self._again = True, False
        held, self._held = list(self._held), deque(maxlen=HELD)
        for frame in held:
            items += self._admit(frame, now)
        return items

    def _admit(self, frame: Frame, now: Moment) -> list[Item]:
        """A reading, event or health, let through once its board is introduced."""
        if not self._introduced:
            self._held.append(frame)
            return []
        try:
            return self._on_told(frame, now)
        except WireError:
            self._tally.corrupt += 1
            return []

    def _on_told(self, frame: Frame, now: Moment) -> list[Item]:
        box, boot, sequence = frame.values[:3]
        assert self.hello
        if not isinstance(boot, int) or not isinstance(sequence, int) or box != self.hello.box:
            self._asking.who_soon()
            raise WireError(f"{frame.name} of box {box} from box {self.hello.box}")
        if boot > self.hello.boot:  # it started anew, and its hello was lost
            self._ask_anew()
            self._held.append(frame)
            return []
        if frame.name == "summary":
            return self._summary(frame, boot)
        if not BY_NAME[frame.name][2]:
            item = to_item(frame, wall_s=now.wall_s, wall_source="arrival")
            return [item] if item else []
        uptime_ms = frame.values[3]
        if not isinstance(uptime_ms, int):
            raise WireError(f"{frame.name} without uptime_ms")
        start = self._count_record(boot, sequence, uptime_ms, now) if boot == self.hello.boot else None
        item = to_item(frame, **self._known.dated(self.hello.box, boot, uptime_ms))
        return [one for one in (start, item) if one]

    def _summary(self, frame: Frame, boot: int) -> list[Item]:
        """One of an earlier start may have no time; it is kept all the same, since the board will drop it."""
        assert self.hello
        uptime_ms = frame.values[3]
        dated = self._known.dated(self.hello.box, boot, uptime_ms) if isinstance(uptime_ms, int) else {}
        item = to_item(frame, **dated)
        return [item] if item else []

    def _count_record(self, boot: int, sequence: int, uptime_ms: int, now: Moment) -> StartTime | None:
        skipped = self._records.came(sequence)
        if skipped is None:  # from the backlog
            return None
        self._tally.gap += skipped
        assert self.hello
        return self._known.heard(self.hello.box, boot, uptime_ms, now)

    # --- what goes out ---

    def _ask_anew(self) -> None:
        """Forgets who the board is and asks."""
        self.hello, self._introduced = None, False
        self._asking.who_soon()

    def _ask_clock(self, now: Moment) -> None:
        assert self.hello
        self._questions.ask_clock(self.hello.box, now)
        self._asking.clock_asked(now)

    def _ask_missing(self, now: Moment) -> None:
        assert self.hello
        wanted = self._records.to_ask(now.real_s)
        if wanted is None:
            return
        first, last, before = wanted
        if before:
            self._questions.send("who", "*")  # its hello tells what it holds no longer
        self._questions.send("resend", self.hello.box, from_sequence=first, to_sequence=last)

    # --- small change ---

    def _refuse(self, note: LinkNote, now: Moment) -> list[Item]:
        """Takes nothing from a board; says why, once."""
        self.hello, self._introduced = None, False
        self._held.clear()
        self._asking.who_later(now)
        known, self._refused = self._refused, note.sentence
        return [] if known == note.sentence else [note]

    def _count_lost(self, lost: int, now: Moment) -> list[Item]:
        if not lost or not self.hello:
            return []
        self._tally.lost += lost
        return [notes.lost_records(self.source, now, self.hello.box, lost)]

"""The exchange with one board over one connection: pure. Bytes or messages and time go in, items and lines come out.

Order of a connection: ask who is there; compare the registry of the hello; ask for the clock; then pass records on and
request the missing ones. Up to HELD records that arrive earlier wait; further ones are dropped and requested later.
A board is known by its hello alone: until then none of its messages counts as data.
"""

from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace

from groundbox.conversion import from_wire
from groundbox.errors import WireError
from groundbox.link import report
from groundbox.link.clock import BoardMemory, Moment, WallFields
from groundbox.link.commands import CLOCK_SET_S, CommandQueue, PollSchedule, RecordTracker
from groundbox.link.decode import ConsoleText, Corrupt, Decoder, Found, Frame, OtherRegistry, to_item
from groundbox.link.report import LinkCounter
from groundbox.model import Answer, Hello, Item, LinkNote, StartTime, Stored
from groundbox.wire.messages import BY_NAME, checksum

CLOCK_BUDGET_S = 5.0  # without a clock answer by then, records are passed on with their time of arrival
HELD = 64
HEARD_S = 5.0


class Exchange:
    """One connection to the device at a port, or to one box at a broker.

    Args:
        source: name of the port or broker.
        memory: clocks and acknowledgements, kept from one connection to the next.
        first_command: number before the first command; random, so that no answer to an earlier program fits.
        claim: (box) -> True when this connection may represent that box.

    Attributes:
        hello: the board's latest hello; None while unknown or refused.
        heard_s: real time of the last undamaged message from a board; None before the first.
    """

    def __init__(
        self,
        source: str,
        memory: BoardMemory,
        first_command: int,
        claim: Callable[[str], bool] = lambda box: True,
    ) -> None:
        self.source = source
        self.hello: Hello | None = None
        self.heard_s: float | None = None
        self._memory, self._claim = memory, claim
        self._decoder = Decoder()
        self._commands = CommandQueue(first_command)
        self._counter = LinkCounter(source)
        self._records = RecordTracker(None, 0)
        self._held: deque[Frame] = deque(maxlen=HELD)
        self._refused: str | None = None  # the sentence that says why
        self._last_box: str | None = None
        self._introduced = self._again = False
        self._introduce_by_s = 0.0
        self._schedule = PollSchedule()
        self._partial = True  # the first line after opening may lack its beginning

    def receive(self, data: bytes, now: Moment) -> list[Item]:
        """The items that `data`, received at `now`, completes."""
        items: list[Item] = []
        for found in self._decoder.feed(data):
            try:
                items += self._found(found, now)
            except WireError:
                self._counter.corrupt += 1
            self._partial = False
        return items

    def receive_frame(self, frame: Frame, now: Moment) -> list[Item]:
        """The items that one message, from a serial line or a broker, completes."""
        try:
            return self._frame(frame, now)
        except WireError:
            self._counter.corrupt += 1
            return []

    def tick(self, now: Moment) -> list[Item]:
        """Does what is due at `now`; called several times a second."""
        if self._schedule.who_is_due(now, known=self.hello is not None):
            self._commands.send("who", "*")
        items: list[Item] = []
        if self.hello:
            if self._schedule.clock_is_due(now):
                self._ask_clock(now)
            if not self._introduced and now.real_s >= self._introduce_by_s:
                items += self._introduce(None, now)
            if self._introduced:
                self._ask_missing(now)
        self._commands.expire(now)
        return items + self._counter.due(self.hello.box if self.hello else None, now)

    def unanswered(self, now: Moment) -> bool:
        """True while a board sends messages and does not answer who it is."""
        recently = self.heard_s is not None and now.real_s - self.heard_s < HEARD_S
        return recently and self.hello is None and self._refused is None

    def output(self) -> bytes:
        """The bytes to write to the port now."""
        return self._commands.output()

    def lines(self) -> list[bytes]:
        """All lines to send now, for a link that takes whole messages."""
        return self._commands.lines()

    def acknowledge_stored(self, stored: Stored) -> None:
        """Acknowledges stored records to the board, if it is this one."""
        if self.hello and self.hello.box == stored.box:
            if stored.summary is not None:
                self._commands.send("summary_stored", stored.box, number=stored.summary)
                return
            self._memory.acknowledge(stored)
            self._commands.send("stored", stored.box, stored_boot=stored.boot, stored_sequence=stored.sequence)

    def command(
        self, box: str, name: str, fields: dict[str, int | str | None], future: Future[Answer], now: Moment
    ) -> None:
        """Sends a command; `future` gets the answer, or LinkError."""
        self._commands.command(box, name, fields, future, now)

    def close(self) -> list[Item]:
        """The last counts; commands without an answer end with LinkError."""
        self._commands.close(f"{self.source}: the connection was lost before the board answered")
        return self._counter.flush(self.hello.box if self.hello else None)

    # --- messages in ---

    def _found(self, found: Found, now: Moment) -> list[Item]:
        match found:
            case Frame():
                return self._frame(found, now)
            case OtherRegistry():
                self.heard_s = now.real_s
                return self._refuse(
                    report.version_mismatch(self.source, now, found.box, found.firmware, found.registry), now
                )
            case Corrupt():
                if self._refused:  # its messages, by another registry
                    self.heard_s = now.real_s
                elif not self._partial:
                    self._counter.corrupt += 1
            case ConsoleText():
                if not self._partial:
                    return self._counter.console(self.hello.box if self.hello else None, found.text, now)
        return []

    def _frame(self, frame: Frame, now: Moment) -> list[Item]:
        if BY_NAME[frame.name][1] != "board":  # an echo of our own messages: no board
            return []
        self.heard_s = now.real_s
        if self.hello:
            self._schedule.heard(now)
        if frame.name == "hello":
            return self._on_hello(frame, now)
        if self._refused:
            return []
        if frame.name == "clock":
            return self._on_clock(frame, now)
        if frame.name == "answer":
            self._commands.answered(from_wire(Answer, frame.values))
            return []
        return self._admit(frame, now)

    def _on_hello(self, frame: Frame, now: Moment) -> list[Item]:
        hello = to_item(frame, wall_s=now.wall_s, wall_source="arrival")
        assert isinstance(hello, Hello)
        if hello.registry != checksum():
            note = report.version_mismatch(self.source, now, hello.box, hello.firmware, hello.registry)
            return self._refuse(note, now)
        if not self._claim(hello.box):
            return self._refuse(report.duplicate_name(self.source, now, hello.box), now)
        self._refused = None
        if self._same_start(hello):
            self.hello = hello
            return self._count_lost(self._records.board_holds(hello.oldest_sequence, hello.sequence), now)
        return self._begin(hello, now)

    def _same_start(self, hello: Hello) -> bool:
        """True when `hello` is of the start that is known already."""
        before = self.hello
        return (
            before is not None
            and (hello.box, hello.boot) == (before.box, before.boot)
            and hello.uptime_ms >= before.uptime_ms
            and hello.sequence >= self._records.newest
        )

    def _begin(self, hello: Hello, now: Moment) -> list[Item]:
        note = report.answers(self.source, now, hello, again=self._last_box == hello.box)
        self.hello, self._last_box, self._introduced = hello, hello.box, False
        self._records = RecordTracker(hello.oldest_sequence, hello.sequence)
        self._introduce_by_s = now.real_s + CLOCK_BUDGET_S
        self._ask_clock(now)
        return [note]

    def _on_clock(self, frame: Frame, now: Moment) -> list[Item]:
        box, boot, _, number, uptime_ms = frame.values
        question = self._commands.clock_answered(number)
        if question is None or self.hello is None or not isinstance(uptime_ms, int):
            return []
        if (box, boot) != (self.hello.box, self.hello.boot):
            self._identify_again()
            return []
        round_trip_s = now.monotonic_s - question.monotonic_s
        if abs(now.wall_s - question.wall_s - round_trip_s) > CLOCK_SET_S:  # the host's clock was set in between
            self._ask_clock(now)
            return []
        update = self._memory.clock(self.hello.box).exchange(
            self.hello.boot,
            uptime_ms,
            received_wall_s=now.wall_s,
            received_monotonic_s=now.monotonic_s,
            round_trip_s=round_trip_s,
        )
        self._schedule.clock_answered(now)
        self._again = self._again or update.again
        self._skip_acknowledged()
        if not self._introduced:
            return self._introduce(update.start, now)
        if self._again:
            self._identify_again()
            return []
        return [update.start] if update.start else []

    def _skip_acknowledged(self) -> None:
        """Records of this very start that were acknowledged are not requested again."""
        assert self.hello
        box, boot = self.hello.box, self.hello.boot
        if self._again:
            self._memory.forget(box, boot)
        else:
            self._records.board_holds(self._memory.acknowledged(box, boot) + 1, 0)

    def _introduce(self, start: StartTime | None, now: Moment) -> list[Item]:
        """The hello with its wall time, and the records that waited for it."""
        assert self.hello
        hello = self.hello
        if self._memory.clock(hello.box).wall(hello.boot, hello.uptime_ms) is None:
            self._memory.heard(hello.box, hello.boot, hello.uptime_ms, now)
        items: list[Item] = [
            replace(hello, again=self._again, **self._memory.wall_fields(hello.box, hello.boot, hello.uptime_ms))
        ]
        if start:
            items.append(start)
        self._introduced, self._again = True, False
        held, self._held = list(self._held), deque(maxlen=HELD)
        for frame in held:
            items += self._admit(frame, now)
        return items

    def _admit(self, frame: Frame, now: Moment) -> list[Item]:
        """A reading, event, summary or health message, passed on once its board is introduced."""
        if not self._introduced:
            self._held.append(frame)
            return []
        try:
            return self._on_record(frame, now)
        except WireError:
            self._counter.corrupt += 1
            return []

    def _on_record(self, frame: Frame, now: Moment) -> list[Item]:
        box, boot, sequence = frame.values[:3]
        assert self.hello
        if not isinstance(boot, int) or not isinstance(sequence, int) or box != self.hello.box:
            self._schedule.who_soon()
            raise WireError(f"{frame.name} of box {box} from box {self.hello.box}")
        if boot > self.hello.boot:  # it restarted, and its hello was lost
            self._identify_again()
            self._held.append(frame)
            return []
        start, uptime_ms = None, frame.values[3]
        fields: WallFields = {"wall_s": now.wall_s, "wall_source": "arrival"}
        if isinstance(uptime_ms, int) and (frame.name == "summary" or BY_NAME[frame.name][2]):
            if frame.name != "summary" and boot == self.hello.boot:
                start = self._count_record(sequence, uptime_ms, now)
            fields = self._memory.wall_fields(self.hello.box, boot, uptime_ms)
        elif frame.name == "summary":  # kept without a time, since the board drops it next
            fields = {}
        elif BY_NAME[frame.name][2]:
            raise WireError(f"{frame.name} without uptime_ms")
        item = to_item(frame, **fields)
        return [one for one in (start, item) if one]

    def _count_record(self, sequence: int, uptime_ms: int, now: Moment) -> StartTime | None:
        skipped = self._records.arrived(sequence)
        if skipped is None:  # an older record
            return None
        self._counter.gap += skipped
        assert self.hello
        return self._memory.heard(self.hello.box, self.hello.boot, uptime_ms, now)

    # --- requests out ---

    def _identify_again(self) -> None:
        """Forgets who the board is and asks again."""
        self.hello, self._introduced = None, False
        self._schedule.who_soon()

    def _ask_clock(self, now: Moment) -> None:
        assert self.hello
        self._commands.ask_clock(self.hello.box, now)
        self._schedule.clock_asked(now)

    def _ask_missing(self, now: Moment) -> None:
        assert self.hello
        wanted = self._records.to_ask(now.real_s)
        if wanted is None:
            return
        first, last, before = wanted
        if before:
            self._commands.send("who", "*")  # its hello shows which records it holds no longer
        self._commands.send("resend", self.hello.box, from_sequence=first, to_sequence=last)

    # --- notes and counts ---

    def _refuse(self, note: LinkNote, now: Moment) -> list[Item]:
        """Takes no data from a board; reports the reason once."""
        self.hello, self._introduced = None, False
        self._held.clear()
        self._schedule.who_later(now)
        known, self._refused = self._refused, note.sentence
        return [] if known == note.sentence else [note]

    def _count_lost(self, lost: int, now: Moment) -> list[Item]:
        if not lost or not self.hello:
            return []
        self._counter.lost += lost
        return [report.records_lost(self.source, now, self.hello.box, lost)]

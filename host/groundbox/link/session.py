"""The talk with one board over one serial connection: pure. Bytes and time go in, items and bytes come out.

Order of a connection: ask who is there; on hello compare registries; ask for the clock; then let the records through
and ask for those that are missing. Records that come earlier are held back, a few; more are lost and asked for later.
A board is known by its hello alone: until then nothing it sends counts as data.
"""

from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace
from typing import TypedDict

from groundbox.errors import WireError
from groundbox.link.clock import BoardClock
from groundbox.link.decode import ConsoleText, Corrupt, Decoder, Found, Frame, OtherRegistry
from groundbox.link.items import to_item
from groundbox.link.missing import Missing
from groundbox.link.questions import Moment, Questions
from groundbox.link.tally import Tally
from groundbox.model import Answer, Hello, Item, LinkNote, StartTime, Stored, from_wire
from groundbox.wire.messages import BY_NAME, checksum

ASK_WHO_S = 1.0
SILENT_S = 5.0  # then the board is asked who it is
REFUSED_S = 20.0  # how often a board whose data is not decoded is asked again
ASK_CLOCK_S = 30.0
CLOCK_LOST_S = 3.0  # a question for the clock not answered by then is asked again
CLOCK_SET_S = 0.5
INTRODUCED_S = 5.0  # without an answer for the clock by then, records go on with the time they came
HELD = 64


class _Dated(TypedDict, total=False):
    wall_s: float
    wall_uncertainty_s: float
    wall_source: str


class Session:
    """One connection to whatever is at the other end of a port.

    Args:
        source: the port's name.
        clocks: time mappings by box; outlive the connection.
        first_command: number before the first command; random, so that no answer to an earlier program fits.
        claim: asked with a box's name whether this port may speak for it.

    Attributes:
        hello: the board's latest hello; None while unknown or refused.
        heard_s: real time of the last undamaged message from a board; None before the first.
    """

    def __init__(
        self,
        source: str,
        clocks: dict[str, BoardClock],
        first_command: int,
        claim: Callable[[str], bool] = lambda box: True,
    ) -> None:
        self.source = source
        self.hello: Hello | None = None
        self.heard_s: float | None = None
        self._clocks, self._claim = clocks, claim
        self._decoder = Decoder()
        self._questions = Questions(first_command)
        self._tally = Tally(source)
        self._records = Missing(None, 0)
        self._held: deque[Frame] = deque(maxlen=HELD)
        self._refused: str | None = None
        self._met: str | None = None
        self._introduced = self._again = False
        self._introduce_at_s = self._who_at_s = self._clock_at_s = 0.0
        self._wall_less_monotonic_s: float | None = None
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

    def tick(self, now: Moment) -> list[Item]:
        """Does what is due at `now`; called several times a second."""
        self._ask_who_when_due(now)
        items: list[Item] = []
        if self.hello:
            self._ask_clock_when_due(now)
            if not self._introduced and now.real_s >= self._introduce_at_s:
                items += self._introduce(None, now)
            if self._introduced:
                self._ask_missing(now)
        self._questions.expire(now)
        return items + self._tally.due(self.hello.box if self.hello else None, now)

    def output(self) -> bytes:
        """What to write to the port now."""
        return self._questions.output()

    def tell_stored(self, stored: Stored) -> None:
        """Tells the board, if it is this one."""
        if self.hello and self.hello.box == stored.box:
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
                return self._refuse_registry(found.box, found.firmware, found.registry, now)
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
            return self._refuse_registry(hello.box, hello.firmware, hello.registry, now)
        if not self._claim(hello.box):
            sentence = f"a second board calls itself {hello.box}; its data is not taken: rename one of the two"
            return self._refuse(hello.box, "twice", sentence, now)
        self._refused = None
        if self._goes_on(hello):
            self.hello = hello
            return self._count_lost(self._records.told(hello.oldest_sequence, hello.sequence), now)
        return self._begin(hello, now)

    def _goes_on(self, hello: Hello) -> bool:
        """True when `hello` is of the start that is known already."""
        known = self.hello
        return (
            known is not None
            and (hello.box, hello.boot) == (known.box, known.boot)
            and hello.uptime_ms >= known.uptime_ms
            and hello.sequence >= self._records.newest
        )

    def _begin(self, hello: Hello, now: Moment) -> list[Item]:
        kind = "restarted" if self._met == hello.box else "found"
        told = f"answers, firmware {hello.firmware}" if kind == "found" else f"started anew ({hello.reset_cause})"
        self.hello, self._met, self._introduced = hello, hello.box, False
        self._records = Missing(hello.oldest_sequence, hello.sequence)
        self._introduce_at_s = now.real_s + INTRODUCED_S
        self._ask_clock(now)
        return [self._note(hello.box, kind, f"{self.source}: box {hello.box} {told}", now)]

    def _on_clock(self, frame: Frame, now: Moment) -> list[Item]:
        box, boot, _, number, uptime_ms = frame.values
        question = self._questions.clock_answered(number)
        if question is None or self.hello is None or not isinstance(uptime_ms, int):
            return []
        if (box, boot) != (self.hello.box, self.hello.boot):
            self._ask_anew(now)
            return []
        round_trip_s = now.monotonic_s - question.monotonic_s
        if abs(now.wall_s - question.wall_s - round_trip_s) > CLOCK_SET_S:  # the host's clock was set meanwhile
            self._ask_clock(now)
            return []
        exchanged = self._clock(self.hello.box).exchange(
            self.hello.boot,
            uptime_ms,
            received_wall_s=now.wall_s,
            received_monotonic_s=now.monotonic_s,
            round_trip_s=round_trip_s,
        )
        self._clock_at_s = now.real_s + ASK_CLOCK_S
        self._again = self._again or exchanged.again
        if not self._introduced:
            return self._introduce(exchanged.start, now)
        if self._again:
            self._ask_anew(now)
            return []
        return [exchanged.start] if exchanged.start else []

    def _introduce(self, start: StartTime | None, now: Moment) -> list[Item]:
        """The hello, dated, and the records held back until now."""
        assert self.hello
        hello = self.hello
        if self._clock(hello.box).wall(hello.boot, hello.uptime_ms) is None:
            self._clock(hello.box).heard(hello.boot, hello.uptime_ms, received_wall_s=now.wall_s)
        items: list[Item] = [replace(hello, again=self._again, **self._dated(hello.boot, hello.uptime_ms))]
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
            self._who_at_s = 0.0
            raise WireError(f"{frame.name} of box {box} from box {self.hello.box}")
        if boot > self.hello.boot:  # it started anew, and its hello was lost
            self._ask_anew(now)
            self._held.append(frame)
            return []
        if not BY_NAME[frame.name][2]:
            item = to_item(frame, wall_s=now.wall_s, wall_source="arrival")
            return [item] if item else []
        uptime_ms = frame.values[3]
        if not isinstance(uptime_ms, int):
            raise WireError(f"{frame.name} without uptime_ms")
        if boot == self.hello.boot:
            self._count_record(boot, sequence, uptime_ms, now)
        item = to_item(frame, **self._dated(boot, uptime_ms))
        return [item] if item else []

    def _count_record(self, boot: int, sequence: int, uptime_ms: int, now: Moment) -> None:
        assert self.hello
        skipped = self._records.came(sequence)
        if skipped is not None:  # not from the backlog
            self._tally.gap += skipped
            self._clock(self.hello.box).heard(boot, uptime_ms, received_wall_s=now.wall_s)

    # --- what goes out ---

    def _ask_who_when_due(self, now: Moment) -> None:
        silent = self.heard_s is None or now.real_s - self.heard_s > SILENT_S
        if now.real_s < self._who_at_s or (self.hello and not silent and self._who_at_s):
            return
        self._questions.send("who", "*")
        wait_s = REFUSED_S if self._refused else SILENT_S if self.hello else ASK_WHO_S
        self._who_at_s = now.real_s + wait_s

    def _ask_clock_when_due(self, now: Moment) -> None:
        before, self._wall_less_monotonic_s = self._wall_less_monotonic_s, now.wall_s - now.monotonic_s
        was_set = before is not None and abs(self._wall_less_monotonic_s - before) > CLOCK_SET_S
        if was_set or now.real_s >= self._clock_at_s:
            self._ask_clock(now)

    def _ask_clock(self, now: Moment) -> None:
        assert self.hello
        self._questions.ask_clock(self.hello.box, now)
        self._clock_at_s = now.real_s + CLOCK_LOST_S

    def _ask_anew(self, now: Moment) -> None:
        """Forgets who the board is and asks."""
        self.hello, self._introduced = None, False
        self._who_at_s = 0.0
        self._ask_who_when_due(now)

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

    def _refuse_registry(self, box: str, firmware: str | None, registry: str | None, now: Moment) -> list[Item]:
        sentence = (
            f"box {box} speaks registry {registry} (firmware {firmware}), this program {checksum()}; its data is "
            "not decoded: install the firmware and the program of one version"
        )
        return self._refuse(box, "registry", sentence, now)

    def _refuse(self, box: str, kind: str, sentence: str, now: Moment) -> list[Item]:
        self.hello, self._introduced = None, False
        self._held.clear()
        self._who_at_s = now.real_s + REFUSED_S
        known, self._refused = self._refused, sentence
        return [] if known == sentence else [self._note(box, kind, f"{self.source}: {sentence}", now)]

    def _count_lost(self, lost: int, now: Moment) -> list[Item]:
        if not lost or not self.hello:
            return []
        self._tally.lost += lost
        sentence = f"{self.source}: box {self.hello.box}: {lost} records are lost; the board could hold them no longer"
        return [self._note(self.hello.box, "gap", sentence, now)]

    def _clock(self, box: str) -> BoardClock:
        return self._clocks.setdefault(box, BoardClock(box))

    def _dated(self, boot: int, uptime_ms: int) -> _Dated:
        assert self.hello
        wall = self._clock(self.hello.box).wall(boot, uptime_ms)
        if wall is None:
            return {}
        return {"wall_s": wall.wall_s, "wall_uncertainty_s": wall.uncertainty_s, "wall_source": wall.source}

    def _note(self, box: str, kind: str, sentence: str, now: Moment) -> LinkNote:
        return LinkNote(source=self.source, box=box, kind=kind, sentence=sentence, wall_s=now.wall_s)

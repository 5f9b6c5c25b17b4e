"""What goes out to one board, and when: commands and their answers, the poll schedule, requests to send again. Pure."""

from collections import deque
from concurrent.futures import Future
from dataclasses import dataclass
from random import Random

from groundbox.errors import LinkError, WireError
from groundbox.link.clock import Moment
from groundbox.model import Answer, WireValues
from groundbox.wire import line as wire_line
from groundbox.wire.messages import BY_NAME
from groundbox.wire.sequences import Sequences

COMMAND_S = 5.0  # time budget of a command until its answer
BURST_BYTES = 200  # what a board's input buffer is sure to take at once

ASK_WHO_S = 1.0
SILENT_S = 5.0  # after so long without a message a board is asked who it is
REFUSED_S = 20.0  # a board whose data is not taken is asked again so often
ASK_CLOCK_S = 30.0
CLOCK_LOST_S = 3.0  # a clock request without an answer by then is sent again
CLOCK_SET_S = 0.5

RESEND_S = 5.0
MAX_RESEND_S = 60.0


def command_values(name: str, box: str, number: int, fields: dict[str, int | str | None]) -> WireValues:
    """Values of command `name` in the registry's order; not confirmed, where `fields` does not say it.

    Raises:
        WireError: no such command, or a field that is missing, unknown or out of range; the message names it.
    """
    message = BY_NAME.get(name)
    if message is None or message[1] != "host":
        raise WireError(f"no command is called {name}")
    names = [field[0] for field in message[3]]
    given: dict[str, int | str | None] = {"box": box, "command": number, **fields}
    if "confirmed" in names:
        given.setdefault("confirmed", "no")
    if set(given) != set(names):
        wanted = ", ".join(names[2:]) or "nothing"
        raise WireError(f"{name} takes {wanted}; got {', '.join(fields) or 'nothing'}")
    values = tuple(given[field] for field in names)
    try:
        wire_line.encode(name, list(values))
    except ValueError as error:
        raise WireError(f"{name}: {error}") from None
    return values


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pending:
    """A command without an answer yet; `until_s` is the end of its time budget in real seconds."""

    future: Future[Answer]
    what: str
    until_s: float


class CommandQueue:
    """Numbered lines that wait for one connection, and the commands that wait for an answer.

    Args:
        first_command: number before the first command.
    """

    def __init__(self, first_command: int) -> None:
        self._number = first_command
        self._lines: deque[bytes] = deque()
        self._pending: dict[int, _Pending] = {}
        self._clock: tuple[int, Moment] | None = None

    def send(self, name: str, box: str, **fields: int | str | None) -> int:
        """Queues a message; returns its command number.

        Raises:
            WireError: not a command of the registry.
        """
        self._number += 1
        self._lines.append(wire_line.encode(name, list(command_values(name, box, self._number, fields))))
        return self._number

    def output(self) -> bytes:
        """The next lines, no more than a board takes at once."""
        out = b""
        while self._lines and (not out or len(out) + len(self._lines[0]) <= BURST_BYTES):
            out += self._lines.popleft()
        return out

    def lines(self) -> list[bytes]:
        """All lines that wait."""
        lines = list(self._lines)
        self._lines.clear()
        return lines

    def ask_clock(self, box: str, now: Moment) -> None:
        """Queues a request for the board's uptime, before all other lines. It replaces an earlier request."""
        self._clock = self.send("ask_clock", box), now
        self._lines.appendleft(self._lines.pop())

    def clock_answered(self, number: object) -> Moment | None:
        """The moment of clock request `number`; None when it is not the pending one."""
        if self._clock is None or self._clock[0] != number:
            return None
        asked, self._clock = self._clock[1], None
        return asked

    def command(
        self, box: str, name: str, fields: dict[str, int | str | None], future: Future[Answer], now: Moment
    ) -> None:
        """Sends a command; `future`, running, gets the answer, or LinkError after COMMAND_S."""
        number = self.send(name, box, **fields)
        self._pending[number] = _Pending(future=future, what=f"box {box}: {name}", until_s=now.real_s + COMMAND_S)

    def answered(self, answer: Answer) -> None:
        """Passes an answer to the command it belongs to; ignores an answer to no pending command."""
        pending = self._pending.pop(answer.command, None)
        if pending:
            pending.future.set_result(answer)

    def expire(self, now: Moment) -> None:
        """Ends the commands whose time budget is used up."""
        for number, pending in list(self._pending.items()):
            if now.real_s >= pending.until_s:
                del self._pending[number]
                pending.future.set_exception(LinkError(f"{pending.what}: no answer within {COMMAND_S:.0f} s"))

    def close(self, sentence: str) -> None:
        """Ends all commands with LinkError(`sentence`)."""
        for pending in self._pending.values():
            pending.future.set_exception(LinkError(sentence))
        self._pending.clear()


class PollSchedule:
    """When one connection asks its board who it is, and for its clock; in real seconds."""

    def __init__(self) -> None:
        self._who_at_s = self._clock_at_s = 0.0
        self._wall_less_monotonic_s: float | None = None

    def who_is_due(self, now: Moment, *, known: bool) -> bool:
        """True when it is time to ask who is there; counts as asked."""
        if now.real_s < self._who_at_s:
            return False
        self._who_at_s = now.real_s + (SILENT_S if known else ASK_WHO_S)
        return True

    def who_soon(self) -> None:
        """The board must be asked at once who it is."""
        self._who_at_s = 0.0

    def who_later(self, now: Moment) -> None:
        """The board's data is not taken: it is asked again after REFUSED_S."""
        self._who_at_s = now.real_s + REFUSED_S

    def heard(self, now: Moment) -> None:
        """A known board sent a message: it is asked after SILENT_S without another, unless it must be asked at once."""
        if self._who_at_s:
            self._who_at_s = now.real_s + SILENT_S

    def clock_is_due(self, now: Moment) -> bool:
        """True when it is time to ask for the clock: every ASK_CLOCK_S, and when the host's clock was set."""
        before, self._wall_less_monotonic_s = self._wall_less_monotonic_s, now.wall_s - now.monotonic_s
        was_set = before is not None and abs(self._wall_less_monotonic_s - before) > CLOCK_SET_S
        return was_set or now.real_s >= self._clock_at_s

    def clock_asked(self, now: Moment) -> None:
        """A clock request was sent."""
        self._clock_at_s = now.real_s + CLOCK_LOST_S

    def clock_answered(self, now: Moment) -> None:
        """The clock answer arrived."""
        self._clock_at_s = now.real_s + ASK_CLOCK_S


class RecordTracker:
    """Which records of one start have arrived over one connection, and which to request again.

    Args:
        oldest: number of the oldest record the board holds.
        newest: number of its newest record; 0 before the first.

    Attributes:
        newest: the highest record number known.
    """

    def __init__(self, oldest: int | None, newest: int) -> None:
        self._records = Sequences(max(0, (oldest or 1) - 1))
        self.newest = newest
        self._first = self._last = 0  # the range requested last
        self._ask_at_s, self._wait_s = 0.0, RESEND_S

    def arrived(self, sequence: int) -> int | None:
        """How many records the newest one skipped; None for a record that is not the newest."""
        self._records.add(sequence)
        if sequence <= self.newest:
            return None
        skipped = sequence - self.newest - 1
        self.newest = sequence
        return skipped

    def board_holds(self, oldest: int | None, newest: int) -> int:
        """A later hello gives what the board holds; returns how many missing records it holds no longer."""
        self.newest = max(self.newest, newest)
        return self._records.lost_below(oldest or 0)

    def to_ask(self, now_s: float) -> tuple[int, int, bool] | None:
        """(first, last, asked before) of the records to request at real time `now_s`; None while nothing is due."""
        missing = self._records.missing(self.newest)
        if not missing:
            self._first = self._last = 0
            return None
        first, last = missing[0]
        if self._first < first <= self._last:  # the requested records are arriving
            self._first, self._ask_at_s, self._wait_s = first, now_s + RESEND_S, RESEND_S
            return None
        before = first == self._first
        if before and now_s < self._ask_at_s:
            return None
        self._wait_s = min(2 * self._wait_s, MAX_RESEND_S) if before else RESEND_S
        self._first, self._last, self._ask_at_s = first, last, now_s + self._wait_s
        return first, last, before


class RetryDelay:
    """Delays between tries that grow by half from `first_s` to `max_s`.

    Each is shortened by up to a third at random, so that many boxes do not all retry at one moment.
    """

    def __init__(self, first_s: float, max_s: float, random: Random) -> None:
        self._first_s, self._max_s, self._random = first_s, max_s, random
        self._next_s = first_s

    def next_s(self) -> float:
        """The next delay in seconds."""
        delay_s = self._next_s
        self._next_s = min(delay_s * 1.5, self._max_s)
        return delay_s * self._random.uniform(2 / 3, 1.0)

    def reset(self) -> None:
        """After a success the delays start again at `first_s`."""
        self._next_s = self._first_s

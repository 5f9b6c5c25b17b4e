"""Lines to a board, numbered, with the answers they wait for: pure."""

from collections import deque
from concurrent.futures import Future
from dataclasses import dataclass

from groundbox.errors import LinkError
from groundbox.link.items import command_values
from groundbox.model import Answer
from groundbox.wire import line as wire_line

COMMAND_S = 5.0
BURST_BYTES = 200  # what a board's input buffer surely takes at once


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """One moment on the host's three clocks: wall and monotonic (both injected), and real seconds for waiting."""

    wall_s: float
    monotonic_s: float
    real_s: float


class Questions:
    """What one connection has to say and what it has asked."""

    def __init__(self, first_command: int) -> None:
        self._number = first_command
        self._lines: deque[bytes] = deque()
        self._waiting: dict[int, tuple[Future[Answer], str, float]] = {}
        self._clock: tuple[int, Moment] | None = None

    def send(self, name: str, box: str, **fields: int | str | None) -> int:
        """The number under which the command went out.

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
        """Asks for the board's uptime; an older question is forgotten. It goes out before anything that waits."""
        self._clock = self.send("ask_clock", box), now
        self._lines.appendleft(self._lines.pop())

    def clock_answered(self, number: object) -> Moment | None:
        """The moment question `number` was asked; None when it is not the one that waits."""
        if self._clock is None or self._clock[0] != number:
            return None
        asked, self._clock = self._clock[1], None
        return asked

    def command(
        self, box: str, name: str, fields: dict[str, int | str | None], future: Future[Answer], now: Moment
    ) -> None:
        """Sends a command; `future`, running, gets the answer, or LinkError after COMMAND_S."""
        self._waiting[self.send(name, box, **fields)] = future, f"box {box}: {name}", now.real_s + COMMAND_S

    def answered(self, answer: Answer) -> None:
        """Gives an answer to who waits for it; others are passed over."""
        waiting = self._waiting.pop(answer.command, None)
        if waiting:
            waiting[0].set_result(answer)

    def expire(self, now: Moment) -> None:
        """Ends the commands whose time is over."""
        for number, (future, what, until_s) in list(self._waiting.items()):
            if now.real_s >= until_s:
                del self._waiting[number]
                future.set_exception(LinkError(f"{what}: no answer within {COMMAND_S:.0f} s"))

    def close(self, sentence: str) -> None:
        """Ends all commands."""
        for future, _, _ in self._waiting.values():
            future.set_exception(LinkError(sentence))
        self._waiting.clear()

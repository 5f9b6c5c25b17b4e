"""An Output that passes everything on to other programs."""

from collections import deque
from collections.abc import Callable, Sequence
from typing import Protocol

from groundbox.advice.result import SessionAdvice
from groundbox.link.clock import Moment
from groundbox.model import WarningChange


class Bridge(Protocol):
    """An output to another program; none of its methods waits or raises.

    Attributes:
        notes: sentences for the person, oldest first; removed once shown.
    """

    notes: deque[str]

    def start(self) -> None:
        """Begins; returns at once."""

    def warn(self, change: WarningChange) -> None:
        """A warning was raised, cleared or acknowledged."""

    def show(self, advice: SessionAdvice, moment: Moment) -> None:
        """The newest advice."""

    def stop(self) -> None:
        """Ends within seconds."""


class Bridged:
    """Runs its bridges from entry to exit of a `with`.

    Args:
        say: shows one line to the person: (wall time, text).
    """

    def __init__(self, say: Callable[[float, str], None], bridges: Sequence[Bridge]) -> None:
        self._say, self._bridges = say, bridges
        self._wall_s = 0.0

    def __enter__(self) -> "Bridged":
        for bridge in self._bridges:
            bridge.start()
        return self

    def __exit__(self, *error: object) -> None:
        for bridge in self._bridges:
            bridge.stop()
        self._say_notes()

    def say(self, wall_s: float, text: str) -> None:
        """See Output; lines for the person concern no other program."""

    def warn(self, change: WarningChange) -> None:
        """See Output."""
        for bridge in self._bridges:
            bridge.warn(change)

    def show(self, advice: SessionAdvice, moment: Moment) -> None:
        """See Output."""
        self._wall_s = moment.wall_s
        for bridge in self._bridges:
            bridge.show(advice, moment)
        self._say_notes()

    def _say_notes(self) -> None:
        for bridge in self._bridges:
            while bridge.notes:
                self._say(self._wall_s, bridge.notes.popleft())

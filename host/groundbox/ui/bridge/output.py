"""An Output that passes everything on to the person's output, and to other programs."""

from collections import deque
from collections.abc import Sequence
from typing import Protocol

from groundbox.advice.warner import Active
from groundbox.link.clock import Moment
from groundbox.model import WarningChange
from groundbox.monitor.output import Output
from groundbox.monitor.view import BoxView


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

    def show(self, views: Sequence[BoxView], moment: Moment) -> None:
        """The state of all boxes now."""

    def stop(self) -> None:
        """Ends within seconds."""


class Bridged:
    """Runs its bridges from entry to exit of a `with`."""

    def __init__(self, output: Output, bridges: Sequence[Bridge]) -> None:
        self._output, self._bridges = output, bridges
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
        """See Output."""
        self._output.say(wall_s, text)

    def warn(self, change: WarningChange) -> None:
        """See Output."""
        self._output.warn(change)
        for bridge in self._bridges:
            bridge.warn(change)

    def sound(self, active: Active) -> None:
        """See Output."""
        self._output.sound(active)

    def show(self, views: Sequence[BoxView], moment: Moment) -> None:
        """See Output."""
        self._output.show(views, moment)
        self._wall_s = moment.wall_s
        for bridge in self._bridges:
            bridge.show(views, moment)
        self._say_notes()

    def _say_notes(self) -> None:
        for bridge in self._bridges:
            while bridge.notes:
                self._output.say(self._wall_s, bridge.notes.popleft())

"""Outputs for other programs, by open standards: OpenMetrics, MQTT, HTTP."""

from collections import deque

from groundbox.advice.result import SessionAdvice
from groundbox.link.clock import Moment
from groundbox.model import WarningChange


class Bridge:
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

"""What the recorder's loop shows to a person."""

from collections.abc import Sequence
from typing import Protocol

from groundbox.advice.result import SessionAdvice
from groundbox.link.clock import Moment
from groundbox.model import WarningChange


class Output(Protocol):
    """What a person sees and hears."""

    def say(self, wall_s: float, text: str) -> None:
        """One line that stays."""

    def warn(self, change: WarningChange) -> None:
        """A warning was raised, cleared or acknowledged."""

    def show(self, advice: SessionAdvice, moment: Moment) -> None:
        """The newest advice; called at every turn of the loop. New cues in it are to be spoken."""


class OutputList:
    """Several outputs as one."""

    def __init__(self, outputs: Sequence[Output]) -> None:
        self._outputs = outputs

    def say(self, wall_s: float, text: str) -> None:
        """One line that stays."""
        for output in self._outputs:
            output.say(wall_s, text)

    def warn(self, change: WarningChange) -> None:
        """A warning was raised, cleared or acknowledged."""
        for output in self._outputs:
            output.warn(change)

    def show(self, advice: SessionAdvice, moment: Moment) -> None:
        """The newest advice."""
        for output in self._outputs:
            output.show(advice, moment)

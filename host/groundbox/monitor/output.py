"""What the loop tells a person."""

from collections.abc import Sequence
from typing import Protocol

from groundbox.advice.warner import Active
from groundbox.link.clock import Moment
from groundbox.model import WarningChange
from groundbox.monitor.view import BoxView

EVENT_WORDS = {
    "output1_shed": "its board dropped output 1 to spare the battery",
    "output2_shed": "its board dropped output 2 to spare the battery",
    "output1_off": "its output 1 was switched off",
    "output2_off": "its output 2 was switched off",
    "output1_on": "its output 1 was switched on",
    "output2_on": "its output 2 was switched on",
    "settings_fallback": "its newest settings were damaged; the last good ones are in force",
    "link_restarted": "its link hung and was started again",
}


class Output(Protocol):
    """What a person sees and hears."""

    def say(self, wall_s: float, text: str) -> None:
        """One line that stays."""

    def warn(self, change: WarningChange) -> None:
        """A warning was raised, cleared or acknowledged."""

    def sound(self, active: Active) -> None:
        """A warning to be heard now."""

    def show(self, views: Sequence[BoxView], moment: Moment) -> None:
        """How things stand; called at every turn of the loop."""

"""The page as an Output: publishes the advice once a second, and lets the page speak new cues."""

from collections import deque

from groundbox.advice.result import SessionAdvice
from groundbox.link.clock import Moment
from groundbox.model import WarningChange
from groundbox.ui.page.serve import Page, Said

PUBLISH_S = 1.0
SPEAK_WITHIN_S = 10.0
KEPT_SAID = 30


class PageOutput:
    """An Output that publishes to a page."""

    def __init__(self, page: Page) -> None:
        self._page = page
        self._said: deque[Said] = deque(maxlen=KEPT_SAID)
        self._cues: dict[tuple[int, float], float] = {}  # number and time of a cue: real time at which it first came
        self._published_s = float("-inf")

    def say(self, wall_s: float, text: str) -> None:
        """One line that stays."""
        self._said.append(Said(wall_s=wall_s, text=text))

    def warn(self, change: WarningChange) -> None:
        """A warning was raised, cleared or acknowledged."""
        words = change.sentence if change.change == "raised" else change.warning.replace("_", " ")
        self.say(change.wall_s, f"{change.box}: {change.change}, {words}")

    def show(self, advice: SessionAdvice, moment: Moment) -> None:
        """The newest advice. A cue is spoken within 10 s of real time, whatever the pace of a simulated clock."""
        keys = [(cue.number, cue.at_s) for cue in advice.cues]
        self._cues = {key: self._cues.get(key, moment.real_s) for key in keys}
        if moment.real_s - self._published_s < PUBLISH_S:
            return
        self._published_s = moment.real_s
        speak = [number for (number, _), came_s in self._cues.items() if moment.real_s - came_s <= SPEAK_WITHIN_S]
        self._page.publish(advice, said=tuple(self._said), speak=speak)

"""Screen and page together: an Output that tells both."""

from collections import deque
from collections.abc import Sequence

from groundbox.advice.warner import Active
from groundbox.link.clock import Moment
from groundbox.model import WarningChange
from groundbox.monitor.view import BoxView
from groundbox.settings import Settings
from groundbox.ui.answer import Countdown, aloud, answer, due_now, verdict, withdrawn_after_s
from groundbox.ui.page.serve import Page
from groundbox.ui.page.state import box_state, sheddable
from groundbox.ui.screen import Screen

PUBLISH_S = 1.0
MOST_SAID, MOST_HEARD = 30, 8


class ScreenAndPage:
    """Tells the screen everything as before, and the page once a second."""

    def __init__(self, screen: Screen, page: Page, settings: Settings) -> None:
        self._screen, self._page, self._settings = screen, page, settings
        self._countdown = Countdown()
        self._said: deque[dict[str, object]] = deque(maxlen=MOST_SAID)
        self._heard: deque[dict[str, object]] = deque(maxlen=MOST_HEARD)
        self._unheard: list[Active] = []
        self._sounds = 0
        self._published_s = float("-inf")

    def say(self, wall_s: float, text: str) -> None:
        """One line that stays."""
        self._screen.say(wall_s, text)
        self._said.append({"wall_s": wall_s, "text": text})

    def warn(self, change: WarningChange) -> None:
        """A warning was raised, cleared or acknowledged."""
        self._screen.warn(change)
        told = change.sentence if change.change == "raised" else change.warning.replace("_", " ")
        self._said.append({"wall_s": change.wall_s, "text": f"{change.box}: {change.change}, {told}"})

    def sound(self, active: Active) -> None:
        """A warning to be heard, once it is known how things stand with it."""
        self._screen.sound(active)
        self._unheard.append(active)

    def show(self, views: Sequence[BoxView], moment: Moment) -> None:
        """How things stand."""
        self._screen.show(views, moment)
        by_box = {view.state.box: view for view in views}
        for active in self._unheard:
            if active.kind != "turn_back":  # the page counts down by itself
                self._hear(f"{active.box}. {aloud(active, by_box.get(active.box))}", active.severity)
        self._unheard.clear()
        self._count_down(views, moment.wall_s)
        if moment.real_s - self._published_s >= PUBLISH_S:
            self._published_s = moment.real_s
            boxes = {view.state.box for view in views}
            heard = [view for view in views if (view.state.silent_s or 0.0) <= withdrawn_after_s(view.state)]
            known = [(view.battery, view.estimate.soc) for view in heard if view.estimate]
            charges = {battery: soc for battery, soc in known if battery is not None and soc is not None}
            state = self._state(views, moment)
            self._page.publish(state, boxes, charges, {view.state.box: sheddable(view) for view in views})

    def _count_down(self, views: Sequence[BoxView], wall_s: float) -> None:
        due = due_now(self._countdown, views, wall_s)
        if due is not None:
            self._hear(due, "stop" if due.startswith("Turn back now") else "urgent")

    def _hear(self, sentence: str, severity: str) -> None:
        self._sounds += 1
        self._heard.append({"number": self._sounds, "sentence": sentence, "severity": severity})

    def _state(self, views: Sequence[BoxView], moment: Moment) -> dict[str, object]:
        state = next((view.state for view in views), None)
        day, minute = self._page.day_now(moment.wall_s)
        told = [(view, answer(view, day, minute)) for view in views]
        whole = verdict(told)
        return {
            "verdict": {"words": whole.words, "because": whole.because, "tone": whole.tone},
            "wall_s": moment.wall_s,
            "in_flight": state.in_flight if state else False,
            "landing_in_s": state.landing_in_s if state else None,
            "length_s": state.next_flight_s if state else None,
            "batteries": list(self._settings.batteries),
            "boxes": [box_state(view, found, self._settings.boxes.get(view.state.box)) for view, found in told],
            "said": list(self._said),
            "heard": list(self._heard),
        }

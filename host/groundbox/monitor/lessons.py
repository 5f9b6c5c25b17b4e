"""Fits beside the recorder's loop: batteries by their discharges, filters by their sessions."""

from collections.abc import Callable
from functools import partial

from groundbox.errors import GroundboxError
from groundbox.monitor.background import Background
from groundbox.monitor.case_logs import case_of, watch_filter
from groundbox.monitor.discharge import Discharge
from groundbox.monitor.follower import Follower
from groundbox.monitor.learn import LearnedProfile, learn, sentence
from groundbox.monitor.start import battery_in, catch_up
from groundbox.monitor.tracker import Tracker
from groundbox.settings import Settings
from groundbox.store import Store

UNLIKE = ("wrong battery?", "bad connector")  # a discharge with these findings is not used for a fit


class Lessons:
    """Fits in one thread.

    Args:
        settings, store: the recorder's.
        say: shows a person one line.

    Attributes:
        background: the thread; `poll` it in the loop.
    """

    def __init__(self, settings: Settings, store: Store, say: Callable[[str], None]) -> None:
        self._settings, self._store, self._say = settings, store, say
        self.background = Background(lambda error: say(f"{error}"))

    def watch_filter(self, follower: Follower, wall_s: float) -> None:
        """Checks the filter by the sessions since, where the box's case is fitted."""
        path, case = self._settings.case_path(follower.name), case_of(self._settings, follower.name)
        if isinstance(case, str):
            self._say(f"{follower.name}: heat is predicted by an assumed case: {case}")
        elif path is not None:
            self.background.submit(
                partial(watch_filter, self._settings, follower.name, path, wall_s),
                partial(setattr, follower, "filter_notice"),
            )

    def discharge(self, follower: Follower, discharge: Discharge | None) -> None:
        """Fits the battery with a discharge, unless its findings show another battery or a bad connector."""
        tracker, box = follower.tracker, follower.name
        if discharge is None or tracker is None:
            return
        doubts = tracker.estimate.findings if tracker.estimate else ()
        if strange := next((one.sentence for one in doubts if one.kind in UNLIKE), None):
            self._say(f"{box}: the discharge is not used for a fit: {strange}")
            return
        inside = battery_in(self._store, self._settings, box)
        self.background.submit(
            partial(learn, self._settings, box, tracker.battery, discharge, inside.since_s if inside else 0.0),
            partial(self._take, follower, tracker),
        )

    def _take(self, follower: Follower, tracker: Tracker, learned: LearnedProfile | None) -> None:
        if learned is None:
            return
        if learned.row:
            self._say(f"{follower.name}: {sentence(learned, learned.row)}")
        if follower.tracker is not tracker:  # swapped meanwhile
            return
        follower.set_tracker(learned.tracker)
        try:
            catch_up(self._store, follower, learned.tracker)
        except GroundboxError as error:
            self._say(f"{error}")

"""What the service learns on the way, beside its loop: batteries from their discharges, filters from their sessions."""

from collections.abc import Callable
from functools import partial

from groundbox.errors import GroundboxError
from groundbox.monitor.background import Background
from groundbox.monitor.box import Follower
from groundbox.monitor.case_logs import case_of, watch_filter
from groundbox.monitor.discharge import Discharge
from groundbox.monitor.learn import Learnt, learn, sentence
from groundbox.monitor.start import battery_in, catch_up
from groundbox.monitor.tracker import Tracker
from groundbox.settings import Settings
from groundbox.store import Store

UNLIKE = ("wrong battery?", "bad connector")  # a discharge that shows these says nothing true of the battery


class Lessons:
    """Learns in one thread.

    Args:
        settings, store: the service's.
        say: tells a person one line.

    Attributes:
        background: the thread; `poll` it in the loop.
    """

    def __init__(self, settings: Settings, store: Store, say: Callable[[str], None]) -> None:
        self._settings, self._store, self._say = settings, store, say
        self.background = Background(lambda error: say(f"{error}"))

    def watch_filter(self, follower: Follower, wall_s: float) -> None:
        """Looks, where the box's case was fitted, at the sessions since."""
        path, case = self._settings.case_path(follower.name), case_of(self._settings, follower.name)
        if isinstance(case, str):
            self._say(f"{follower.name}: heat is foretold by an assumed case, {case}")
        elif path is not None:
            self.background.submit(
                partial(watch_filter, self._settings, follower.name, path, wall_s),
                partial(setattr, follower, "filter_notice"),
            )

    def discharge(self, follower: Follower, discharge: Discharge | None) -> None:
        """Lets a discharge teach what its battery is, unless it did not behave like that battery at all."""
        tracker, box = follower.tracker, follower.name
        if discharge is None or tracker is None:
            return
        doubts = tracker.estimate.findings if tracker.estimate else ()
        if strange := next((one.sentence for one in doubts if one.kind in UNLIKE), None):
            self._say(f"{box}: the discharge is not learnt: {strange}")
            return
        inside = battery_in(self._store, self._settings, box)
        self.background.submit(
            partial(learn, self._settings, box, tracker.battery, discharge, inside.since_s if inside else 0.0),
            partial(self._take, follower, tracker),
        )

    def _take(self, follower: Follower, tracker: Tracker, learnt: Learnt | None) -> None:
        if learnt is None:
            return
        if learnt.row:
            self._say(f"{follower.name}: {sentence(learnt, learnt.row)}")
        if follower.tracker is not tracker:  # swapped meanwhile
            return
        follower.set_tracker(learnt.tracker)
        try:
            catch_up(self._store, follower, learnt.tracker)
        except GroundboxError as error:
            self._say(f"{error}")

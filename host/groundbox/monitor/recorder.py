"""The loop of `groundbox log`: takes what boards send, keeps it, tells boards what is kept, estimates, warns, shows."""

from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import replace
from typing import TypeVar

from groundbox.advice.alarm import Alarm
from groundbox.advice.state import SILENT_AFTER_S
from groundbox.advice.warner import Warner
from groundbox.advice.words import span
from groundbox.errors import StoreError
from groundbox.link.clock import Clocks, Moment
from groundbox.link.source import Arrivals, Source
from groundbox.model import (
    Acknowledge,
    Answer,
    BatteryFitted,
    Event,
    Health,
    Hello,
    Item,
    KnownBattery,
    LinkNote,
    Mark,
    Reading,
    Stored,
    WarningChange,
)
from groundbox.monitor.board_limits import BoardLimits
from groundbox.monitor.box import Follower
from groundbox.monitor.flight import Flight
from groundbox.monitor.lessons import Lessons
from groundbox.monitor.output import EVENT_WORDS, Output
from groundbox.monitor.start import battery_in, boxes_to_follow, flight_now, follower_for, tracker_for
from groundbox.monitor.view import BoxView
from groundbox.settings import Settings
from groundbox.store import Store

COMMIT_EVERY_S = 1.0
ESTIMATE_EVERY_S = 1.0
SAVE_EVERY_S = 60.0
SETTLE_S = 10.0  # so long may a board and this program differ on whether the aircraft is out
TAKE_S = 0.1
BY_COMMAND = 1  # value of a mark's event
_Record = TypeVar("_Record", Reading, Event)


class Recorder:
    """Joins the stages.

    Args:
        settings, store, clocks: as made by the command.
        arrivals: the queue the `sources` fill.
        output: what a person sees and hears.
        commit_every_s: real seconds between commits.
        silent_after_s: see BoxState.

    Attributes:
        flight: whether the aircraft is out.
        followers: every box, by name.
        views: how every box stood at the last turn.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        arrivals: Arrivals,
        sources: Sequence[Source],
        clocks: Clocks,
        output: Output,
        *,
        commit_every_s: float = COMMIT_EVERY_S,
        silent_after_s: float = SILENT_AFTER_S,
    ) -> None:
        self.settings, self.store, self.output = settings, store, output
        self._arrivals, self._sources, self._clocks = arrivals, list(sources), clocks
        self._commit_every_s, self.silent_after_s = commit_every_s, silent_after_s
        self.views: list[BoxView] = []
        self._warner, self._alarm = Warner(), Alarm()
        self.lessons = Lessons(settings, store, lambda text: output.say(clocks.now().wall_s, text))
        self._limits = BoardLimits(
            lambda box, setting: self.command(box, "get", setting=setting),
            lambda box, name, value: store.add_board_setting(box, name, value, clocks.now().wall_s),
        )
        self._committed_s = self._estimated_s = self._saved_s = float("-inf")
        self._complaint: str | None = None
        self._lost: dict[tuple[str, int], int] = {}  # summaries, of each start
        self._differs_s: dict[str, float] = {}  # box: since when (real time) its board believes otherwise
        now = clocks.now()
        self.flight = flight_now(store, settings, now.wall_s)
        self.followers: dict[str, Follower] = {}
        for box in self._at_first(now):
            self._follow(box, now)
        self._warner.restore(change for change in store.open_warnings() if change.box in self.followers)

    # --- the loop ---

    def start(self) -> None:
        """Starts the sources."""
        for source in self._sources:
            source.start()

    def turn(self) -> None:
        """One turn of the loop: waits a moment for items, and does all that is due."""
        room = self.store.waiting < self.store.MAX_WAITING
        items = self._arrivals.take(wait_s=TAKE_S) if room else []
        now = self._clocks.now()
        self.store.add(items)
        for item in items:
            self._route(item, now)
        self.lessons.background.poll()
        self._estimate(now)
        if now.real_s - self._committed_s >= self._commit_every_s:
            self._commit(now)
        self._judge(now)
        self._agree_on_place(now)
        self._limits.turn(now.real_s)

    def stop(self) -> None:
        """Ends the sources, and keeps all that came and the estimators' states."""
        for source in self._sources:
            source.stop()
        now = self._clocks.now()
        while items := self._arrivals.take():
            self.store.add(items)
            for item in items:
                self._route(item, now)
        for follower in self.followers.values():
            follower.finish()
        self._saved_s = float("-inf")
        self._commit(now)

    def command(self, box: str, name: str, **fields: int | str | None) -> list[Future[Answer]]:
        """Sends a command by the first way there is to `box`, from any thread. One way or none answers."""
        tried = []
        for source in self._sources:
            tried.append(source.command(box, name, **fields))
            if not tried[-1].done() or tried[-1].exception() is None:
                break  # a box on a cable and a radio would do it twice
        return tried

    # --- in ---

    def _at_first(self, now: Moment) -> list[str]:
        """The boxes to follow from the start."""
        return boxes_to_follow(self.store, self.settings, now.wall_s)

    def _follow(self, box: str, now: Moment) -> Follower:
        follower = follower_for(self.store, self.settings, box, now.monotonic_s, now.wall_s)
        self.followers[box] = follower
        self._limits.restore(box, follower.limits)
        self.lessons.watch_filter(follower, now.wall_s)
        inside = battery_in(self.store, self.settings, box)
        if inside and inside.name and inside.from_settings:
            self.store.add_fitted(BatteryFitted(box=box, battery=inside.name, from_wall_s=now.wall_s))
        for name, battery in self.settings.batteries.items():
            if inside and name == inside.name:
                self.store.add_battery(KnownBattery(name=name, profile=battery.profile))
        return follower

    def _route(self, item: Item, now: Moment) -> None:
        match item:
            case Reading():
                follower = self.followers.get(item.box) or self._follow(item.box, now)
                follower.take_reading(self._numbered(item), now.monotonic_s)
            case Event():
                follower = self.followers.get(item.box) or self._follow(item.box, now)
                follower.take_event(self._numbered(item), now.wall_s)
                self._on_event(item, now)
            case Health():
                self._on_health(item, now)
            case Hello():
                self._limits.met(item.box)
            case LinkNote():
                self.output.say(now.wall_s, item.sentence)

    def _numbered(self, record: _Record) -> _Record:
        """The record with the number of its start that the store has for it: one that is never used twice."""
        boot = self.store.start_number(record.box, record.boot)
        return record if boot == record.boot else replace(record, boot=boot)

    def _on_event(self, event: Event, now: Moment) -> None:
        at_s = now.wall_s if event.wall_s is None else event.wall_s
        if self._flight_of(event.box).note(event.kind, at_s):
            where = "by command, told by" if event.value == BY_COMMAND else "at the button of"
            self.output.say(at_s, f"{event.kind} marked {where} {event.box}")
            self._spread(event.kind, event.box, heard=True)
        elif event.kind == "silenced":
            self._acknowledge(Acknowledge(box=event.box, warning=None, wall_s=now.wall_s), stored=False)
        elif event.kind == "settings_changed":
            self._limits.met(event.box)
        elif event.kind in EVENT_WORDS:
            self.output.say(now.wall_s, f"{event.box}: {EVENT_WORDS[event.kind]}")

    def _on_health(self, health: Health, now: Moment) -> None:
        lost, start = health.lost_summaries or 0, (health.box, health.boot)
        more, self._lost[start] = lost - self._lost.get(start, 0), lost
        if more > 0:
            words = f"its board overwrote {span(10 * more)} of summaries before any host had them; that time is lost"
            self.output.say(now.wall_s, f"{health.box}: {words}")

    def _on_mark(self, mark: Mark) -> None:
        follower = self.followers.get(mark.box)
        if follower:
            follower.take_mark(mark)
            if mark.kind == "swap":
                self.lessons.discharge(follower, follower.tracker.discharge.finish() if follower.tracker else None)
                made = tracker_for(self.settings, mark.box, mark.name)
                follower.set_tracker(*((None, made) if isinstance(made, str) else (made, "")))
                if isinstance(made, str):
                    self.output.say(mark.wall_s, f"{mark.box}: runtime unknown, {made}")
        new = True
        if mark.kind in ("launch", "landing") and (new := self._flight_of(mark.box).note(mark.kind, mark.wall_s)):
            self._spread(mark.kind, mark.box, heard=False)
        name = f", {mark.name}" if mark.name else ""
        self.output.say(mark.wall_s, f"{mark.box}: {mark.kind} marked{name}{'' if new else ' (known already)'}")

    def _acknowledge(self, request: Acknowledge, stored: bool) -> None:
        for change in self._warner.acknowledge(request.box, request.warning, request.wall_s):
            if not stored:
                self.store.add_warning(change)
            self.output.warn(change)

    # --- what is due ---

    def _estimate(self, now: Moment) -> None:
        due = now.real_s - self._estimated_s >= ESTIMATE_EVERY_S
        if due:
            self._estimated_s = now.real_s
        for follower in self.followers.values():
            follower.advance(now.monotonic_s)
            if follower.tracker and follower.tracker.ended:
                ended, follower.tracker.ended = follower.tracker.ended, None
                self.lessons.discharge(follower, ended)
            if due:
                follower.refresh(now.wall_s, self._flight_of(follower.name))

    def _commit(self, now: Moment) -> None:
        self._committed_s = now.real_s
        if now.real_s - self._saved_s >= SAVE_EVERY_S:
            self._saved_s = now.real_s
            for follower in self.followers.values():
                saved = follower.tracker.saved() if follower.tracker else None
                if saved:
                    self.store.save_estimator(saved)
        try:
            done = self.store.commit()
        except StoreError as error:
            self._complain(now, f"{error}; nothing is lost yet, it is tried again")
            return
        self._complain(now, None)
        self._arrivals.committed()
        self._acknowledge_stored(done.stored)
        for notice in done.notices:
            self.output.say(now.wall_s, notice)
        for box in done.renumbered:
            self._follow(box, now)
        for handed in done.handed:
            if isinstance(handed, Mark):
                self._on_mark(handed)
            else:
                self._acknowledge(handed, stored=True)

    def _acknowledge_stored(self, stored: Sequence[Stored]) -> None:
        for source in self._sources:
            source.acknowledge_stored(stored)

    def _judge(self, now: Moment) -> None:
        self.views = []
        for box, follower in self.followers.items():
            flight = self._flight_of(box)
            state = follower.state(now.monotonic_s, now.wall_s, flight, self.silent_after_s)
            for change in self._warner.update(now.monotonic_s, state):
                self._log(change)
            follower.limits = self._limits.of(box)
            self.views.append(follower.view(state, flight, tuple(self._warner.active(box))))
        for active in self._alarm.due(now.real_s, self._warner.active()):
            self.output.sound(active)
        self.output.show(self.views, now)

    def _agree_on_place(self, now: Moment) -> None:
        """A board that goes on differing is told whether the aircraft is out; with no history it is believed."""
        for box, follower in self.followers.items():
            flight = self._flight_of(box)
            wanted, kind = ("flight", "launch") if flight.launched_s is not None else ("ground", "landing")
            if follower.place in (None, wanted):
                self._differs_s.pop(box, None)
            elif now.real_s - self._differs_s.setdefault(box, now.real_s) >= SETTLE_S:
                del self._differs_s[box]
                if flight.known:
                    self._tell(box, kind)
                elif flight.note("launch", now.wall_s):
                    self.output.say(now.wall_s, f"{box} says that the aircraft is out: counted as launched now")

    def _tell(self, box: str, kind: str) -> None:
        self.command(box, "mark", kind=kind)

    def _flight_of(self, box: str) -> Flight:
        """The flight that concerns `box`."""
        return self.flight

    def _spread(self, kind: str, box: str, heard: bool) -> None:
        """A launch or landing was marked at `box`: tells every board, but for that one where it was `heard` from it."""
        for other, follower in self.followers.items():
            if not (heard and other == box) and follower.place is not None:
                self._tell(other, kind)

    def _log(self, change: WarningChange) -> None:
        self.store.add_warning(change)
        self.output.warn(change)

    def _complain(self, now: Moment, complaint: str | None) -> None:
        """One line for one trouble, however often it is tried; one more when it is over."""
        if complaint == self._complaint:
            return
        self._complaint = complaint
        self.output.say(now.wall_s, complaint or "the database can be written again")

"""The loop of `groundbox log`: takes records, stores them, confirms them to boards, estimates, advises, shows."""

import time
from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import replace
from typing import TypeVar

import msgspec

from groundbox.advice.judge import Judge
from groundbox.advice.limits import CLOCK_STEP_S, SILENT_AFTER_S
from groundbox.advice.result import FlightShown, SessionAdvice
from groundbox.advice.words import age
from groundbox.errors import StoreError
from groundbox.link.clock import Clocks, Moment
from groundbox.link.source import Arrivals, Source
from groundbox.model import (
    Acknowledge,
    AdviceMinute,
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
)
from groundbox.monitor.board_settings import BoardSettings
from groundbox.monitor.budgets import FIELDS, Budgets
from groundbox.monitor.follower import Follower
from groundbox.monitor.from_store import (
    battery_in,
    boxes_to_follow,
    flight_now,
    follower_for,
    habit_saved,
    newest_advice,
)
from groundbox.monitor.learn import Lessons
from groundbox.monitor.marks import MarkHandling
from groundbox.monitor.shown import Output
from groundbox.settings import Settings
from groundbox.store import Store

COMMIT_EVERY_S = 1.0
ESTIMATE_EVERY_S = 1.0
SAVE_EVERY_S = 60.0
ADVISE_EVERY_S = 1.0
TAKE_S = 0.1
_Record = TypeVar("_Record", Reading, Event)


class Recorder(MarkHandling):
    """Joins the stages.

    Args:
        settings, store, clocks: as made by the command.
        arrivals: the queue the `sources` fill.
        output: what a person sees and hears.
        commit_every_s: real seconds between commits.
        silent_after_s: see BoxState.

    Attributes:
        advice: the newest advice; None before the first turn.
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
        lessons = Lessons(settings, store, lambda text: output.say(clocks.now().wall_s, text))
        super().__init__(settings, store, output, lessons)
        self._arrivals, self._sources, self._clocks = arrivals, list(sources), clocks
        self._commit_every_s, self.silent_after_s = commit_every_s, silent_after_s
        self.advice: SessionAdvice | None = None
        self._judge = Judge()
        self._board_settings = BoardSettings(
            lambda box, setting: self.command(box, "get", setting=setting),
            lambda box, name, value: store.add_board_setting(box, name, value, clocks.now().wall_s),
        )
        self._budgets = Budgets(
            lambda box, budget: self.command(box, "budget", **dict(zip(FIELDS, budget or [None] * 4, strict=True)))
        )
        self._committed_s = self._estimated_s = self._saved_s = float("-inf")
        self._advised_s = float("-inf")
        self._trouble: str | None = None
        self._lost: dict[tuple[str, int], int] = {}  # summaries, of each start
        now = clocks.now()
        self._clock_offset_s = now.wall_s - now.monotonic_s
        self._check_clock(now)
        self.flight = flight_now(store, settings, now.monotonic_s, now.wall_s)
        for box in self._at_first(now):
            self._follow(box, now)
        warnings = [change for change in store.open_warnings() if change.box in self.followers]
        self._judge.restore(warnings, newest_advice(store, self.name), now.monotonic_s)

    @property
    def name(self) -> str:
        """Name under which this recorder stores its advice."""
        return ""

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
        self._watch_clock(now)
        self._estimate(now)
        if now.real_s - self._committed_s >= self._commit_every_s:
            self._commit(now)
        self._advise(now)
        self._agree_on_place(now)
        self._board_settings.turn(now.real_s)

    def stop(self) -> None:
        """Stops the sources; stores all that arrived and the estimators' states."""
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
        self._board_settings.restore(box, follower.limits)
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
                self._note_uptime(item, now)
                follower = self.followers.get(item.box) or self._follow(item.box, now)
                follower.take_reading(self._numbered(item), now.monotonic_s)
            case Event():
                follower = self.followers.get(item.box) or self._follow(item.box, now)
                follower.take_event(self._numbered(item), now.monotonic_s, now.wall_s)
                self._on_event(item, now)
            case Health():
                self._on_health(item, now)
            case Hello():
                self._note_uptime(item, now)
                self._board_settings.ask_again(item.box)
            case LinkNote():
                self.output.say(now.wall_s, item.sentence)

    def _numbered(self, record: _Record) -> _Record:
        """The record with the boot number that the store has for its start: a number that is never used twice."""
        boot = self.store.start_number(record.box, record.boot)
        return record if boot == record.boot else replace(record, boot=boot)

    def _on_health(self, health: Health, now: Moment) -> None:
        lost, start = health.lost_summaries or 0, (health.box, health.boot)
        more, self._lost[start] = lost - self._lost.get(start, 0), lost
        if more > 0:
            words = f"its board overwrote {age(10 * more)} of summaries before any host had them; that time is lost"
            self.output.say(now.wall_s, f"{health.box}: {words}")

    def _acknowledge(self, request: Acknowledge, stored: bool, stops_too: bool = True) -> None:
        for change in self._judge.acknowledge(request.box, request.warning, request.wall_s, stops_too=stops_too):
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
                follower.refresh(now.monotonic_s, now.wall_s, self._flight_of(follower.name))

    def _commit(self, now: Moment) -> None:
        self._committed_s = now.real_s
        if now.real_s - self._saved_s >= SAVE_EVERY_S:
            self._saved_s = now.real_s
            for follower in self.followers.values():
                self.lessons.watch_profile(follower, now.wall_s)
                saved = follower.tracker.saved() if follower.tracker else None
                for state in (saved, habit_saved(follower, now.wall_s)):
                    if state:
                        self.store.save_estimator(state)
        try:
            done = self.store.commit()
        except StoreError as error:
            self._report_trouble(now, f"{error}; nothing is lost yet, it is tried again")
            return
        self._report_trouble(now, None)
        self._arrivals.committed()
        self._acknowledge_stored(done.stored)
        for notice in done.notices:
            self.output.say(now.wall_s, notice)
        for box in done.renumbered:
            self._follow(box, now)
        for handed in done.handed:
            if isinstance(handed, Mark):
                self._on_mark(handed, now)
            else:
                self._acknowledge(handed, stored=True)

    def _acknowledge_stored(self, stored: Sequence[Stored]) -> None:
        for source in self._sources:
            source.acknowledge_stored(stored)

    def _advise(self, now: Moment) -> None:
        """Judges all boxes, shows the advice and stores it."""
        states, flight = {}, None
        for box, follower in self.followers.items():
            follower.limits = self._board_settings.of(box)
            flight = self._flight_of(box)
            states[box] = follower.state(now.monotonic_s, now.wall_s, flight, self.silent_after_s)
        shown = self._flight_shown(now)
        advice, changes = self._judge.update(now.monotonic_s, now.wall_s, list(states.values()), shown)
        boxes = tuple(self.followers[one.box].completed(one, states[one.box]) for one in advice.boxes)
        self.advice = msgspec.structs.replace(advice, boxes=boxes)
        for one in boxes:
            reading, tracker = self.followers[one.box].reading, self.followers[one.box].tracker
            held_s, amps = reading.turn_back_s if reading else None, tracker.amps_ahead if tracker else None
            self._budgets.turn(now.monotonic_s, one, states[one.box], held_s, amps)
        for change in changes:
            self.store.add_warning(change)
            self.output.warn(change)
        if now.real_s - self._advised_s >= ADVISE_EVERY_S:
            self._advised_s = now.real_s
            self._store_advice(self.advice)
        self.output.show(self.advice, now)

    def _store_advice(self, advice: SessionAdvice) -> None:
        """For viewers, with the computer's own time: a simulated session has another."""
        self.store.save_advice(time.time(), msgspec.json.encode(advice).decode(), self.name)
        for box in advice.boxes:
            self.store.add_advice_minute(
                AdviceMinute(
                    box=box.box,
                    wall_s=advice.made_at_s,
                    verdict=box.verdict,
                    runtime_low_s=box.runtime_low_s,
                    runtime_expected_s=box.runtime_expected_s,
                    runtime_high_s=box.runtime_high_s,
                    soc=box.soc,
                )
            )

    def _flight_shown(self, now: Moment) -> FlightShown:
        return self.flight.shown(now.monotonic_s, now.wall_s)

    def _check_clock(self, now: Moment) -> None:
        """Reports a wall clock that is older than the newest stored row, or that was set back."""
        newest = [row.wall_s for box in self.store.boxes() if (row := self.store.latest(box)) and row.wall_s]
        newest += [mark.wall_s for mark in self.store.marks()]
        if newest and max(newest) - now.wall_s > CLOCK_STEP_S:
            words = f"this computer's clock is {age(max(newest) - now.wall_s)} behind the newest stored row: set it"
            self.output.say(now.wall_s, words)

    def _watch_clock(self, now: Moment) -> None:
        offset_s = now.wall_s - now.monotonic_s
        back_s, self._clock_offset_s = self._clock_offset_s - offset_s, offset_s
        if back_s > CLOCK_STEP_S:
            words = f"this computer's clock was set back by {age(back_s)}: flights are kept in order by uptime"
            self.output.say(now.wall_s, words)

    def _report_trouble(self, now: Moment, trouble: str | None) -> None:
        """One line for one trouble, however often it is tried; one more when it is over."""
        if trouble == self._trouble:
            return
        self._trouble = trouble
        self.output.say(now.wall_s, trouble or "the database can be written again")

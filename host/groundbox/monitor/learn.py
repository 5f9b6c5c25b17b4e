"""Fits beside the recorder's loop: a battery's profile by its discharges, a case's filter by its sessions.

A fit takes seconds to a minute, so one thread does one after the other. Needs NumPy."""

import queue
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from groundbox.battery.limits import END_VOLTS_PER_CELL, RuntimeLimits
from groundbox.battery.profile import BatteryProfile, HistoryRow, load_profile, save_profile
from groundbox.battery.values import Sample
from groundbox.errors import BadInput, GroundboxError
from groundbox.model import Reading
from groundbox.monitor.case_logs import case_of, watch_filter
from groundbox.monitor.follower import Follower
from groundbox.monitor.from_store import battery_in, catch_up
from groundbox.monitor.reading_order import Timeline
from groundbox.monitor.tracker import BOARD_AMPS, MIN_DEPTH, Discharge, Tracker, estimator_class, sample_of
from groundbox.settings import BoxSettings, Settings
from groundbox.store import Reader, Store

Job = tuple[Callable[[], Any], Callable[[Any], None]]


class Background:
    """Runs jobs one at a time in a daemon thread; the loop takes their results.

    Args:
        trouble: called in the loop with the error of a job that failed.
    """

    def __init__(self, trouble: Callable[[GroundboxError], None]) -> None:
        self._trouble = trouble
        self._waiting: queue.Queue[Job] = queue.Queue()
        self._done: queue.Queue[Callable[[], None]] = queue.Queue()
        self._thread: threading.Thread | None = None

    def submit(self, job: Callable[[], Any], then: Callable[[Any], None]) -> None:
        """Runs `job` later in the thread, and `then` with its result in the loop (by `poll`)."""
        self._waiting.put((job, then))
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name="groundbox sums", daemon=True)
            self._thread.start()

    def poll(self) -> None:
        """Calls `then` of each finished job; called in the loop."""
        while not self._done.empty():
            self._done.get()()

    def wait(self) -> None:
        """Waits until all jobs submitted so far are done, and takes their results."""
        self._waiting.join()
        self.poll()

    def _work(self) -> None:
        while True:
            job, then = self._waiting.get()
            try:
                result = job()
            except GroundboxError as error:
                self._done.put(lambda error=error: self._trouble(error))  # type: ignore[misc]
            else:
                self._done.put(lambda then=then, result=result: then(result))  # type: ignore[misc]
            finally:
                self._waiting.task_done()


MAX_MISFIT_VOLTS = 0.02  # per cell, of a day in the field (assumed; good fits of recordings have 0.006 to 0.012)
MIN_GAIN = 0.10  # less is not worth an evening (assumed)
MAX_LEFT_S = 900.0  # by the low number, at a brown-out (assumed)
SESSION_S = 12 * 3600.0  # earlier readings are not used for the present estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedProfile:
    """The profile now, the row that was added (None: the profile had it already), and a tracker with that profile."""

    file: Path
    profile: BatteryProfile
    row: HistoryRow | None
    verdict: str
    tracker: Tracker


def source_name(box: str, discharge: Discharge) -> str:
    """Names a discharge in a battery's history, so that none is fitted twice."""
    return f"{box} {datetime.fromtimestamp(discharge.from_wall_s):%Y-%m-%d %H:%M}"


def learn(
    settings: Settings, box: str, battery: str, discharge: Discharge, since_wall_s: float
) -> LearnedProfile | None:
    """Fits the battery's profile with `discharge` and writes it, unless that was done before; None: too shallow.

    `since_wall_s`: since when the battery is in the box.

    Raises:
        BadInput: the profile cannot be read or written.
        StoreError: the store cannot be read.
    """
    path, entry = settings.profile_path(battery), settings.boxes.get(box)
    if path is None or entry is None:
        return None
    with Reader(settings.store) as reader:
        readings = list(reader.readings(box, discharge.from_wall_s - 1.0, discharge.to_wall_s + 1.0))
        profile, source, row = load_profile(path), source_name(box, discharge), None
        if all(row.source != source for row in profile.history):
            limits = RuntimeLimits(cutoff_volts=entry.cutoff_volts, lead_ohm=entry.lead_ohm)
            learned = learned_from(profile, samples(entry, readings), source, discharge, limits)
            if learned is None:
                return None
            save_profile(path, learned)
            profile, row = load_profile(path), learned.history[-1]  # as rounded there
        tracker = _tracker(
            reader, Tracker(box, entry, battery, profile), max(discharge.to_wall_s - SESSION_S, since_wall_s)
        )
    return LearnedProfile(file=path, profile=profile, row=row, verdict=verdict(profile), tracker=tracker)


def _tracker(reader: Reader, tracker: Tracker, since_wall_s: float) -> Tracker:
    """The tracker after the stored readings since then; what ended among them was fitted or refused before."""
    for reading in reader.readings(tracker.name, since_wall_s):
        t_s = tracker.timeline.at(reading.boot, reading.uptime_ms, reading.wall_s)
        if t_s is not None:
            tracker.take(t_s, reading)
    tracker.ended = None
    return tracker


def reload(settings: Settings, old: Tracker, path: Path, since_wall_s: float) -> LearnedProfile | None:
    """A tracker with the profile that a person has written, confirmed or taken back; None: it is what it was.

    Raises:
        BadInput: the profile cannot be read.
        StoreError: the store cannot be read.
    """
    profile = load_profile(path)
    if profile == old.profile:
        return None
    with Reader(settings.store) as reader:
        tracker = _tracker(reader, Tracker(old.name, old.box, old.battery, profile), since_wall_s)
    return LearnedProfile(file=path, profile=profile, row=None, verdict=verdict(profile), tracker=tracker)


def learned_from(
    profile: BatteryProfile,
    rows: list[Sample],
    source: str,
    discharge: Discharge,
    limits: RuntimeLimits,
    *,
    confirmed: bool = False,
) -> BatteryProfile | None:
    """The profile with that discharge; None where it has it already, or the discharge is too shallow.

    confirmed: a person watched over it; False for a day in the field.

    Raises:
        BadInput: it cannot be this battery's, or the fit does not explain its own log.
    """
    from groundbox.battery.fit import fitted_profile, refusal
    from groundbox.battery.logs import discharges

    if any(row.source == source for row in profile.history):
        return None
    runs = discharges(_usable(rows, profile), profile, source, MIN_DEPTH)
    if not runs:
        return None
    deepest = max(runs, key=lambda run: run.depth)
    on = datetime.fromtimestamp(discharge.to_wall_s).date()
    learned = fitted_profile(profile, [deepest], on, confirmed=confirmed)
    if why := refusal(learned, [deepest]) or _unexplained(learned, rows, discharge, limits):
        raise BadInput(f"the discharge {source}", "", f"is not used for a fit: it {why}")
    return learned


def _unexplained(
    learned: BatteryProfile, rows: list[Sample], discharge: Discharge, limits: RuntimeLimits
) -> str | None:
    """What the fit does not explain of the log that it was made from; None where it explains it."""
    assert learned.fitted is not None
    off_mv = 1000 * learned.fitted.error_volts * learned.cells
    if learned.fitted.error_volts > MAX_MISFIT_VOLTS:
        return f"is off its own fit by {off_mv:.0f} mV: was a battery swapped, charged or loaded without a mark?"
    kind = estimator_class()
    assert kind is not None
    replayed = kind(learned, limits)
    for row in rows:
        replayed.update(row)
    found = replayed.estimate()
    strange = next((one.sentence for one in found.findings), None)
    if strange is not None:
        return f"contradicts its own fit: {strange}"
    low_s = found.runtime_low_s
    if discharge.over and low_s is not None and low_s > MAX_LEFT_S:
        return f"ended at a brown-out or a shed load, where its fit leaves {low_s / 60:.0f} min"
    return None


def _usable(rows: list[Sample], profile: BatteryProfile) -> Iterator[Sample]:
    """The rows without those under the end voltage, where no curve holds; the board's own current counts as rest."""
    end_volts = END_VOLTS_PER_CELL * profile.cells
    for row in rows:
        amps = row.declared_amps if row.amps is None else row.amps
        if amps is not None and 0 <= amps < BOARD_AMPS:
            yield replace(row, amps=0.0)
        elif amps is None or amps < 0 or row.volts >= end_volts:
            yield row


def samples(entry: BoxSettings, readings: list[Reading]) -> list[Sample]:
    """The readings as the estimator takes them."""
    timeline, found = Timeline(), []
    for reading in readings:
        t_s = timeline.at(reading.boot, reading.uptime_ms, reading.wall_s)
        sample = None if t_s is None else sample_of(entry, t_s, reading)
        if sample is not None:
            found.append(sample)
    return found


def improvement(profile: BatteryProfile, file: Path, amps: float | None) -> str | None:
    """What would make the runtime of this battery better known; None where nothing would by much.

    amps: the load of the box, None: a tenth of its capacity an hour.
    """
    from groundbox.battery.capacity_test import narrowing

    if any(not row.confirmed for row in profile.history):
        return f"learned, not confirmed: groundbox battery confirm {file}"
    gain = narrowing(profile, amps or profile.c20_ah / 10)
    return f"an evening's capacity test narrows this by {gain:.0%}" if gain >= MIN_GAIN else None


def verdict(profile: BatteryProfile) -> str:
    """The battery's state of health, in one sentence."""
    from groundbox.battery.health import health

    return health(profile).verdict


def sentence(learned: LearnedProfile, row: HistoryRow) -> str:
    """The line for the person."""
    from groundbox.battery.fit import resistance_sd_mohm

    rated_ah, profile = learned.profile.c20_ah, learned.profile
    assert profile.fitted is not None
    at = "" if row.temp_c is None else f" at {row.temp_c:.0f} °C"
    return (
        f"battery {profile.label or learned.file.stem}: learned, not confirmed: a discharge of "
        f"{row.depth:.0%} of rated{at} shows {row.capacity_ah:.1f} ± {2 * row.capacity_sd_ah:.1f} Ah, "
        f"{row.capacity_ah / rated_ah:.0%} ± {2 * row.capacity_sd_ah / rated_ah:.0%} of rated, "
        f"{row.resistance_mohm:.0f} ± {2 * resistance_sd_mohm(profile):.0f} mΩ, off by "
        f"{1000 * profile.fitted.error_volts * profile.cells:.0f} mV; {learned.verdict}. "
        f"Type: groundbox battery confirm {learned.file}, or: groundbox battery undo {learned.file}"
    )


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
        self._written: dict[Path, int] = {}  # when each profile was written, as last seen
        self._judged: dict[str, Tracker] = {}  # box -> whose battery `trust_improves` is of

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

    def watch_profile(self, follower: Follower, wall_s: float) -> None:
        """Takes the profile of the battery in the box again where its file was written since the last call."""
        tracker = follower.tracker
        path = self._settings.profile_path(tracker.battery) if tracker else None
        if tracker is None or path is None or not path.exists():
            return
        written = path.stat().st_mtime_ns
        if self._judged.get(follower.name) is not tracker:
            self._judged[follower.name] = tracker
            self.background.submit(
                partial(improvement, tracker.profile, path, follower.usual_flight_amps),
                partial(self._improves, follower, tracker),
            )
        if self._written.setdefault(path, written) == written:
            return
        self._written[path] = written
        inside = battery_in(self._store, self._settings, follower.name)
        since_s = max(wall_s - SESSION_S, inside.since_s if inside else 0.0)
        self.background.submit(
            partial(reload, self._settings, tracker, path, since_s), partial(self._take, follower, tracker)
        )

    def _improves(self, follower: Follower, tracker: Tracker, words: str | None) -> None:
        if follower.tracker is tracker:
            follower.trust_improves = words

    def discharge(self, follower: Follower, discharge: Discharge | None) -> None:
        """Fits the battery with a discharge, unless its findings show another battery or a bad connector."""
        tracker, box = follower.tracker, follower.name
        if discharge is None or tracker is None:
            return
        doubts = tracker.estimate.findings if tracker.estimate else ()
        if strange := next((one.sentence for one in doubts if one.kind in UNLIKE), None):
            self._say(f"{box}: the discharge is not used for a fit: {strange}")
            return
        if follower.in_doubt:
            words = "a swap or charge was not marked: mark it, then fit the log by hand"
            self._say(f"{box}: the discharge is not used for a fit: {words}")
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
            self._written[learned.file] = learned.file.stat().st_mtime_ns
        elif learned.profile != tracker.profile:
            self._say(f"{follower.name}: the profile {learned.file} was changed and is used from now on")
        if follower.tracker is not tracker:  # swapped meanwhile
            return
        follower.set_tracker(learned.tracker)
        try:
            catch_up(self._store, follower, learned.tracker)
        except GroundboxError as error:
            self._say(f"{error}")

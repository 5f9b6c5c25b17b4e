"""State from the store: the battery in each box, its estimator, where the aircraft is, and the newest advice.

Viewers make no advice: they show the stored one and count its age."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TypeVar

import msgspec
from msgspec import structs

from groundbox.advice.glance import silent_glance
from groundbox.advice.judge import judge_session
from groundbox.advice.limits import DATA_WITHDRAWN_S, RECORDER_STALE_S
from groundbox.advice.marks import FOR_AIRCRAFT
from groundbox.advice.result import BoxAdvice, FlightShown, IfSilent, SessionAdvice
from groundbox.advice.words import age
from groundbox.battery.limits import cutoff_mismatch
from groundbox.battery.profile import BatteryProfile, load_profile
from groundbox.errors import BadInput
from groundbox.model import BY_COMMAND, EstimatorState, Event, Mark, Reading, in_force
from groundbox.monitor.case_logs import case_of
from groundbox.monitor.flight import Flight
from groundbox.monitor.follower import NO_SETTINGS, Follower
from groundbox.monitor.tracker import Tracker, estimator_class
from groundbox.plan.day import Day
from groundbox.plan.standing import Flown
from groundbox.settings import Settings
from groundbox.store import Reader

_Advice = TypeVar("_Advice", BoxAdvice, SessionAdvice)
SESSION_S = 12 * 3600.0  # a session is one day: older rows do not count as the present
RECENT_S = 3600.0
LOOK_BACK = 60  # records
WARM_UP_S = 1800.0  # the heat of a case's walls lasts about so long


OF_BOX = ""  # in place of a battery's name: the state of the box itself, its habit


def habit_saved(follower: Follower, wall_s: float) -> EstimatorState | None:
    """The habit of a box, to be saved beside the estimators; None before its first reading."""
    reading = follower.reading
    if reading is None:
        return None
    return EstimatorState(
        box=follower.name,
        battery=OF_BOX,
        wall_s=reading.wall_s or wall_s,
        boot=reading.boot,
        sequence=reading.sequence,
        state=follower.habit.state(),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class InBox:
    """The battery in a box; `name` None when it was swapped for one without a name."""

    name: str | None
    since_s: float
    from_settings: bool = False


def battery_in(reader: Reader, settings: Settings, box: str) -> InBox | None:
    """The battery marked last, else the one of the settings; None when neither names one."""
    fitted = reader.fitted(box)
    since_s = fitted.from_wall_s if fitted else float("-inf")
    swaps = [mark for mark in in_force(reader.marks(box)) if mark.kind == "swap"]
    nameless = [mark for mark in swaps if mark.name is None and mark.wall_s > since_s]
    if nameless:
        return InBox(name=None, since_s=nameless[-1].wall_s)
    entry = settings.boxes.get(box)
    declared = entry.battery if entry else None
    marked = any(mark.wall_s >= since_s - 0.001 for mark in swaps)
    if fitted and (marked or declared in (None, fitted.battery)):
        return InBox(name=fitted.battery, since_s=since_s)
    return InBox(name=declared, since_s=float("-inf"), from_settings=True) if declared else None


def batteries_in(reader: Reader, settings: Settings) -> dict[str, str]:
    """Box -> name of the battery in it, as far as known."""
    inside = {box: battery_in(reader, settings, box) for box in {*settings.boxes, *reader.boxes()}}
    return {box: found.name for box, found in inside.items() if found and found.name}


def profile_of(settings: Settings, battery: str) -> BatteryProfile | str:
    """A battery's profile, or why there is none."""
    path = settings.profile_path(battery)
    if path is None:
        return f"no profile for battery {battery}: add [batteries.{battery}] to groundbox.toml"
    try:
        return load_profile(path)
    except BadInput as error:
        return str(error)


def tracker_for(
    settings: Settings, box: str, battery: str | None, saved: EstimatorState | None = None
) -> Tracker | str:
    """An estimator for `battery` in `box`, resumed from `saved` where that fits, or why there is none."""
    entry = settings.boxes.get(box)
    if entry is None:
        return NO_SETTINGS
    if battery is None:
        return f"no battery is named for this box: groundbox mark swap {box} BATTERY"
    profile = profile_of(settings, battery)
    if isinstance(profile, str):
        return profile
    if wrong := cutoff_mismatch(entry.cutoff_volts, profile.cells, battery):
        return f"the cutoff of box {box}, {wrong}"
    if saved is not None:
        try:
            return Tracker(box, entry, battery, profile, saved)
        except (BadInput, KeyError, TypeError, ValueError):  # saved by another version
            pass
    return Tracker(box, entry, battery, profile)


def day_of(settings: Settings) -> Day | None:
    """The day's plan that the settings name.

    Raises:
        BadInput: it is not right.
    """
    path = settings.day_path
    return None if path is None or estimator_class() is None else _day(path, path.stat().st_mtime_ns)


@lru_cache(maxsize=1)
def _day(path: Path, changed_ns: int) -> Day:
    from groundbox.plan.day_file import load_day  # needs NumPy, as plans do

    return load_day(path)


def follower_for(reader: Reader, settings: Settings, box: str, now_s: float, wall_s: float) -> Follower:
    """A follower of `box`, with its battery, marks and readings from the store."""
    inside = battery_in(reader, settings, box)
    saved = reader.estimator(box, inside.name) if inside and inside.name else None
    if saved and inside and saved.wall_s < inside.since_s:
        saved = None
    made = tracker_for(settings, box, inside.name if inside else None, saved)
    tracker, why_not = (None, made) if isinstance(made, str) else (made, "")
    case = case_of(settings, box)
    fitted = None if case is None or isinstance(case, str) else case.fit
    habit = reader.estimator(box, OF_BOX)
    follower = Follower(
        box, settings.boxes.get(box), tracker, why_not, now_s, fitted, None if habit is None else habit.state
    )
    follower.limits = reader.board_settings(box)
    follower.day = day_of(settings)
    marks: list[Mark | Event] = [*in_force(reader.marks(box, wall_s - SESSION_S))]
    if tracker and tracker.sequence is not None:
        charges_s = [mark.wall_s or wall_s for mark in marks if mark.kind == "charge"]  # did they end well?
        follower.warm_up(reader.readings(box, min([wall_s - WARM_UP_S, *charges_s]), tracker.wall_s))
        catch_up(reader, follower, tracker)
    elif tracker:
        follower.prime(reader.readings(box, max(wall_s - SESSION_S, inside.since_s if inside else 0.0)))
    else:
        follower.prime(reader.readings(box, wall_s - WARM_UP_S))
    launches = [event for event in reader.events(box, wall_s - SESSION_S) if event.kind == "launch"]
    for one in in_force([*marks, *launches]):
        if isinstance(one, Mark):
            follower.take_mark(one, now_s, wall_s)
        else:
            follower.launched()
    return follower


def catch_up(reader: Reader, follower: Follower, tracker: Tracker) -> None:
    """Primes with the readings after the tracker's last one, by number and not by clock, and a few before it: the
    follower remembers recent voltages outside the tracker.
    """
    follower.prime(reader.readings_after(tracker.name, tracker.boot or 0, (tracker.sequence or 0) - LOOK_BACK))


def boxes_to_follow(reader: Reader, settings: Settings, wall_s: float) -> list[str]:
    """Boxes of the settings, and those heard within the last hour."""
    names = list(settings.boxes)
    for box in reader.boxes():
        latest = reader.latest(box)
        recent = latest is not None and latest.wall_s is not None and wall_s - latest.wall_s < RECENT_S
        if recent and box not in names:
            names.append(box)
    return names


def flight_now(reader: Reader, settings: Settings, now_s: float, wall_s: float, box: str | None = None) -> Flight:
    """The flight by the marks and buttons of this session, those of `box` alone or (None) of all."""
    length, home = settings.flight.length_min, settings.flight.time_home_min
    flight = Flight(None if length is None else 60 * length, None if home is None else 60 * home)
    for change, age_s in _changes(reader, wall_s, box):
        if age_s <= SESSION_S:
            flight.note(change.kind, now_s - age_s)
    return flight


def flights_flown(reader: Reader, wall_s: float, advice: SessionAdvice | None = None) -> Sequence[Flown]:
    """The flights of the session: as `advice` has them, else by the store.

    Args:
        advice: the newest; None where there is none.
    """
    if advice is not None and advice.flight.flights is not None:
        return advice.flight.flights
    return flight_now(reader, Settings(), 0.0, wall_s).by_wall(0.0, wall_s)


def change_to_undo(reader: Reader, wall_s: float, box: str | None = None) -> Mark | Event:
    """What an undo takes back: the newest mark in force, or the press of a button that changed the flight after it.

    Raises:
        BadInput: there is none.
    """
    flight = Flight(None, None)
    found: list[Mark | Event] = [*in_force(reader.marks(box))[-1:]]
    for change, age_s in _changes(reader, wall_s, box):
        if flight.note(change.kind, -age_s) and isinstance(change, Event) and age_s <= SESSION_S:
            found = [change] if in_force([*found, change])[-1] is change else found
    if not found:
        raise BadInput("undo", "", "there is no mark to undo")
    return found[0]


def _changes(reader: Reader, wall_s: float, box: str | None = None) -> list[tuple[Mark | Event, float]]:
    """Marks in force and presses of buttons that concern the flight, in the order stored, with their age in seconds.

    The age of a row is by the uptime of a board, else by wall clock. A mark is stored when it is made, so it is
    newer than every row before it. A row in the future was stored before the clock was set back: its age is unknown,
    and that of the oldest row after it is taken.
    """
    newest = {name: reader.latest(name) for name in reader.boxes()}
    stored: list[Mark | Event] = [*reader.marks(box), *reader.events(box, wall_s - 4 * SESSION_S)]
    rows = in_force(stored)
    ages: list[float] = []
    after_s = marked_s = 0.0
    for row in reversed(rows):
        age_s = _age_s(row, newest, wall_s)
        age_s = after_s if age_s is None else age_s
        if isinstance(row, Mark):
            age_s = marked_s = max(age_s, marked_s)
        after_s = max(after_s, age_s)
        ages.append(age_s)
    found, before_s = [], float("inf")
    for row, age_s in zip(rows, reversed(ages), strict=True):
        age_s = min(age_s, before_s) if isinstance(row, Mark) else age_s
        before_s = min(before_s, age_s)
        pressed = isinstance(row, Mark) or row.value != BY_COMMAND
        if row.kind in FOR_AIRCRAFT and pressed:
            found.append((row, age_s))
    return found


def _age_s(row: Mark | Event, newest: Mapping[str, Reading | None], wall_s: float) -> float | None:
    """Seconds since a row was made; None: unknown."""
    box, boot, uptime_ms = (row.box, row.boot, row.uptime_ms) if isinstance(row, Event) else row.heard or ("", 0, 0)
    heard = newest.get(box)
    if heard is not None and heard.boot == boot:
        since_s = 0.0 if heard.wall_s is None else max(wall_s - heard.wall_s, 0.0)
        return max((heard.uptime_ms - uptime_ms) / 1000, 0.0) + since_s
    return None if row.wall_s is None or row.wall_s > wall_s else wall_s - row.wall_s


def newest_advice(reader: Reader, recorder: str) -> SessionAdvice | None:
    """The advice that `recorder` stored last; None where there is none of this version."""
    found = reader.advice(recorder)
    try:
        return None if found is None else msgspec.json.decode(found[1], type=SessionAdvice)
    except msgspec.MsgspecError:
        return None


def latest_advice(reader: Reader, real_s: float) -> tuple[SessionAdvice, float] | None:
    """The newest advice of all recorders of this session, and its age in seconds; None where there is none.

    Args:
        real_s: this computer's time, seconds since 1970.
    """
    found = []
    for made_s, text in reader.all_advice():
        try:
            advice = msgspec.json.decode(text, type=SessionAdvice)
        except msgspec.MsgspecError:  # of another version
            continue
        age_s = max(real_s - made_s, 0.0)
        if age_s <= SESSION_S:
            found.append((aged(advice, age_s), age_s))
    if not found:
        return None
    newest, age_s = min(found, key=lambda one: one[1])
    return (newest if len(found) == 1 else _joined(newest, [advice for advice, _ in found])), age_s


def advice_now(reader: Reader, real_s: float) -> tuple[SessionAdvice | None, float]:
    """The newest advice (None: none), and the time by its recorder's clock: a simulated session has its own.

    The time is this computer's, `real_s`, where the advice is stale or there is none.
    """
    latest = latest_advice(reader, real_s)
    if latest is None:
        return None, real_s
    advice, age_s = latest
    return advice, real_s if age_s > RECORDER_STALE_S else advice.made_at_s + age_s


def aged(advice: SessionAdvice, age_s: float) -> SessionAdvice:
    """The advice to show at age `age_s`: its own `if_silent` rows replace the verdict when they are due."""
    row = _row(advice.if_silent, age_s)
    if row is None and age_s <= RECORDER_STALE_S:
        return advice
    boxes = tuple(_aged_box(box, age_s) for box in advice.boxes)
    marked_since = structs.replace(advice.flight, flights=None)  # perhaps: nobody reads marks now
    advice = structs.replace(advice, boxes=boxes, flight=marked_since)
    if row is None:
        return advice
    glance = silent_glance(row, advice.limiting_box or "any box", advice.turn_back_at_s)
    return structs.replace(_silent(advice, row, "No data", age_s), cues=(), glance=glance)


def _aged_box(box: BoxAdvice, age_s: float) -> BoxAdvice:
    readings = box.readings
    if readings.age_s is not None:
        readings = structs.replace(readings, age_s=readings.age_s + age_s)
    row, box = _row(box.if_silent, age_s), structs.replace(box, readings=readings)
    if readings.age_s is not None and readings.age_s > DATA_WITHDRAWN_S:
        withdrawn = dict.fromkeys(("runtime_low_s", "runtime_expected_s", "runtime_high_s", "trust", "soc"))
        box = structs.replace(box, **withdrawn, runtime_unknown_because="no data")
    return box if row is None else _silent(box, row, f"{box.box}: no data", age_s)


def _silent(advice: _Advice, row: IfSilent, no_data: str, age_s: float) -> _Advice:
    """The advice with the verdict of a row that is due."""
    return structs.replace(
        advice,
        verdict=row.verdict,
        severity=row.severity,
        headline=row.headline,
        sentence=f"{no_data} from the recorder for {age(age_s)}. {row.action}.",
        spoken=row.spoken,
        action=row.action,
        turn_back_stale=True,
    )


def _row(rows: tuple[IfSilent, ...], age_s: float) -> IfSilent | None:
    """The last row whose time has come."""
    return next((row for row in reversed(rows) if age_s >= row.after_s), None)


def _joined(newest: SessionAdvice, parts: list[SessionAdvice]) -> SessionAdvice:
    """Joins the advice of several recorders: each box by its newest reading; the worst verdict counts."""
    boxes: dict[str, BoxAdvice] = {}
    for part in parts:
        for box in part.boxes:
            known = boxes.get(box.box)
            if known is None or _age_of(box) < _age_of(known):
                boxes[box.box] = box
    flight = FlightShown(in_flight=any(part.flight.in_flight for part in parts))
    return judge_session(newest.made_at_s, list(boxes.values()), flight)


def _age_of(box: BoxAdvice) -> float:
    return float("inf") if box.readings.age_s is None else box.readings.age_s

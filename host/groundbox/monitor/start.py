"""Takes up where the store left off: which battery is in which box, its estimator, and whether the aircraft is out."""

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from groundbox.battery.limits import cutoff_mismatch
from groundbox.battery.profile import BatteryProfile, load_profile
from groundbox.errors import BadInput
from groundbox.model import EstimatorState, Event, Mark
from groundbox.monitor.box import NO_SETTINGS, Follower
from groundbox.monitor.case_logs import case_of
from groundbox.monitor.flight import Flight
from groundbox.monitor.tracker import Tracker, estimator_class
from groundbox.plan.day import Day
from groundbox.settings import Settings
from groundbox.store import Reader

SESSION_S = 12 * 3600.0  # an session is one day: what is older does not count as the present
RECENT_S = 3600.0
LOOK_BACK = 60  # records
WARM_UP_S = 1800.0  # the walls of a case remember about so long


@dataclass(frozen=True, slots=True, kw_only=True)
class InBox:
    """The battery in a box; `name` None when it was swapped for one without a name."""

    name: str | None
    since_s: float
    from_settings: bool = False


def battery_in(reader: Reader, settings: Settings, box: str) -> InBox | None:
    """What was marked last, else what the settings say now; None when nobody said."""
    fitted = reader.fitted(box)
    since_s = fitted.from_wall_s if fitted else float("-inf")
    nameless = [m for m in reader.marks(box) if m.kind == "swap" and m.name is None and m.wall_s > since_s]
    if nameless:
        return InBox(name=None, since_s=nameless[-1].wall_s)
    entry = settings.boxes.get(box)
    told = entry.battery if entry else None
    marked = any(m.kind == "swap" and m.wall_s >= since_s - 0.001 for m in reader.marks(box))
    if fitted and (marked or told in (None, fitted.battery)):
        return InBox(name=fitted.battery, since_s=since_s)
    return InBox(name=told, since_s=float("-inf"), from_settings=True) if told else None


def profile_of(settings: Settings, battery: str) -> BatteryProfile | str:
    """A battery's profile, or why there are none."""
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
        return f"nobody said which battery is in: groundbox mark swap {box} BATTERY"
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
    """A follower of `box` that knows what the store knows."""
    inside = battery_in(reader, settings, box)
    saved = reader.estimator(box, inside.name) if inside and inside.name else None
    if saved and inside and saved.wall_s < inside.since_s:
        saved = None
    made = tracker_for(settings, box, inside.name if inside else None, saved)
    tracker, why_not = (None, made) if isinstance(made, str) else (made, "")
    case = case_of(settings, box)
    fitted = None if case is None or isinstance(case, str) else case.fit
    follower = Follower(box, settings.boxes.get(box), tracker, why_not, now_s, fitted)
    follower.limits = reader.board_settings(box)
    follower.day = day_of(settings)
    if tracker and tracker.sequence is not None:
        follower.warm_up(reader.readings(box, wall_s - WARM_UP_S, tracker.wall_s))
        catch_up(reader, follower, tracker)
    elif tracker:
        follower.prime(reader.readings(box, max(wall_s - SESSION_S, inside.since_s if inside else 0.0)))
    else:
        follower.prime(reader.readings(box, wall_s - WARM_UP_S))
    for mark in reader.marks(box, wall_s - SESSION_S):
        follower.take_mark(mark)
    return follower


def catch_up(reader: Reader, follower: Follower, tracker: Tracker) -> None:
    """Primes with what was measured after the tracker's last reading, whatever the clocks said since, and a little of
    what was before: voltages of late are remembered outside the tracker.
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


def flight_now(reader: Reader, settings: Settings, wall_s: float, box: str | None = None) -> Flight:
    """The flight as marks and buttons of this session left it, those of `box` alone or (None) of all."""
    length, home = settings.flight.length_min, settings.flight.time_home_min
    flight = Flight(None if length is None else 60 * length, None if home is None else 60 * home)
    since_s = wall_s - SESSION_S
    told: list[Mark | Event] = [*reader.marks(box, since_s), *reader.events(box, since_s)]
    for one in sorted(told, key=lambda one: one.wall_s or 0.0):
        flight.note(one.kind, one.wall_s or 0.0)
    return flight

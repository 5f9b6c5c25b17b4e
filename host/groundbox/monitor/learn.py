"""Fits a battery's profile to one logged discharge and writes it.

Runs beside the recorder's loop, since a fit takes seconds. Needs NumPy.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from groundbox.battery.limits import END_VOLTS_PER_CELL
from groundbox.battery.profile import BatteryProfile, HistoryRow, load_profile, save_profile
from groundbox.battery.values import Sample
from groundbox.errors import BadInput
from groundbox.model import Reading
from groundbox.monitor.discharge import BOARD_AMPS, Discharge
from groundbox.monitor.timeline import Timeline
from groundbox.monitor.tracker import Tracker, sample_of
from groundbox.settings import BoxSettings, Settings
from groundbox.store import Reader

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
            learned = learned_from(profile, samples(entry, readings), source, discharge)
            if learned is None:
                return None
            save_profile(path, learned)
            profile, row = load_profile(path), learned.history[-1]  # as rounded there
        tracker = Tracker(box, entry, battery, profile)
        for reading in reader.readings(box, max(discharge.to_wall_s - SESSION_S, since_wall_s)):
            t_s = tracker.timeline.at(reading.boot, reading.uptime_ms, reading.wall_s)
            if t_s is not None:
                tracker.take(t_s, reading)
    tracker.ended = None  # just fitted
    return LearnedProfile(file=path, profile=profile, row=row, verdict=verdict(profile), tracker=tracker)


def learned_from(
    profile: BatteryProfile, rows: list[Sample], source: str, discharge: Discharge
) -> BatteryProfile | None:
    """The profile with that discharge; None where it has it already, or the discharge is too shallow.

    Raises:
        BadInput: it cannot be this battery's.
    """
    from groundbox.battery.fit import fitted_profile, refusal
    from groundbox.battery.logs import discharges

    if any(row.source == source for row in profile.history):
        return None
    runs = discharges(_usable(rows, profile), profile, source)
    if not runs:
        return None
    deepest = max(runs, key=lambda run: run.depth)
    learned = fitted_profile(profile, [deepest], datetime.fromtimestamp(discharge.to_wall_s).date())
    if why := refusal(learned, [deepest]):
        raise BadInput(f"the discharge {source}", "", f"is not used for a fit: it {why}")
    return learned


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


def verdict(profile: BatteryProfile) -> str:
    """The battery's state of health, in one sentence."""
    from groundbox.battery.health import health

    return health(profile).verdict


def sentence(learned: LearnedProfile, row: HistoryRow) -> str:
    """The line for the person."""
    fraction = row.capacity_ah / learned.profile.c20_ah
    at = "" if row.temp_c is None else f" at {row.temp_c:.0f} °C"
    return (
        f"battery {learned.profile.label or learned.file.stem}: {learned.file} is fitted with a discharge of "
        f"{row.depth:.0%} of rated{at}: {row.capacity_ah:.1f} ± {2 * row.capacity_sd_ah:.1f} Ah, {fraction:.0%} of "
        f"rated, {row.resistance_mohm:.0f} mΩ; {learned.verdict}"
    )

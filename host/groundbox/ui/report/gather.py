"""Everything the report says about one box, read from the store and estimated again as it was live."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from groundbox.battery.profile import BatteryProfile
from groundbox.monitor.start import battery_in, tracker_for
from groundbox.monitor.tracker import Tracker
from groundbox.settings import Settings
from groundbox.store import Reader
from groundbox.store.rollups import NAMES
from groundbox.ui.page.past import happened
from groundbox.ui.report.follow import Follower
from groundbox.ui.report.measure import FlightTold, Raised, Sums, flights_told
from groundbox.ui.report.runs import Run

POINTS = 700


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxReport:
    """One box in one session; `rows` are store.Reader.summed's, by `names`."""

    box: str
    battery: str | None
    c20_ah: float | None
    cells: int
    max_charge_amps: float | None
    last_battery_c: float | None
    unknown_because: str | None
    sums: Sums
    names: Sequence[str]
    rows: Sequence[tuple[Any, ...]]
    filled_s: float  # of the rows, from summaries in place of readings that never came
    happened: Sequence[dict[str, object]]
    runs: Sequence[Run]
    after_ah: float  # drawn since the last of the runs ended
    end_volts: float | None
    flights: Sequence[FlightTold]
    warnings: Sequence[Raised]
    findings: Sequence[str]
    health: str | None
    limits: Mapping[str, int]  # its board's own settings at the end of the session, as far as it told them


def gather(
    reader: Reader, settings: Settings, box: str, since_s: float, until_s: float, tick: Callable[[], object]
) -> BoxReport:
    """Reads and estimates one box; `tick` is called with each reading."""
    entry = settings.boxes.get(box)
    loads = entry.loads if entry else ()
    sums = Sums(loads=loads)
    trackers, why_not = batteries(reader, settings, box, since_s, until_s)
    follower = Follower(trackers, loads, until_s - since_s)
    last_battery_c = None
    for reading in reader.readings(box, since_s, until_s):
        sums.take(reading)
        follower.take(reading)
        last_battery_c = reading.battery_c if reading.battery_c is not None else last_battery_c
        tick()
    follower.close()
    events = happened(reader, box, since_s, until_s)
    marks = [(float(str(one["wall_s"])), str(one["what"])) for one in events if one["what"] in ("launch", "landing")]
    tracker = follower.tracker
    estimate = tracker.estimate if tracker else None
    profile = tracker.profile if tracker else None
    reserve_s = 60 * entry.reserve_min if entry else 0.0
    return BoxReport(
        box=box,
        battery=tracker.battery if tracker else None,
        c20_ah=profile.c20_ah if profile else None,
        cells=profile.cells if profile else 6,
        max_charge_amps=profile.max_charge_amps if profile else None,
        last_battery_c=last_battery_c,
        unknown_because=why_not,
        sums=sums,
        names=NAMES,
        rows=reader.summed(box, since_s, until_s, POINTS),
        filled_s=reader.filled_s(box, since_s, until_s),
        happened=events,
        runs=follower.runs,
        after_ah=follower.after_ah,
        end_volts=tracker.end_volts if tracker else None,
        flights=flights_told(marks, follower.points, reserve_s),
        warnings=warnings(reader, box, since_s, until_s),
        findings=[finding.sentence for finding in estimate.findings] if estimate else [],
        health=health_words(profile) if profile else None,
        limits=reader.board_settings(box, until_s),
    )


def batteries(
    reader: Reader, settings: Settings, box: str, since_s: float, until_s: float
) -> tuple[list[tuple[float, Tracker | None]], str | None]:
    """(from wall time, its estimator) of each battery that was in the box in that time; and why one has none."""
    swaps = [mark for mark in reader.marks(box, since_s) if mark.kind == "swap" and mark.wall_s < until_s]
    first = reader.fitted(box, since_s) if swaps else None
    inside = battery_in(reader, settings, box)
    entry = settings.boxes.get(box)
    told = entry.battery if entry else None
    names = [(since_s, first.battery if first else told if swaps else inside.name if inside else None)]
    names += [(mark.wall_s, mark.name) for mark in swaps]
    found: list[tuple[float, Tracker | None]] = []
    why_not = None
    for from_s, name in names:
        made = tracker_for(settings, box, name)
        found.append((from_s, None if isinstance(made, str) else made))
        why_not = made if isinstance(made, str) else why_not
    return found, why_not


def health_words(profile: BatteryProfile) -> str | None:
    """The battery's health with its trend and what to do; None on a computer without NumPy."""
    try:
        from groundbox.battery.health import health
    except ImportError:
        return None
    found = health(profile)
    share = "" if found.share is None else f"{found.share:.0%} of rated capacity; "
    trend = "" if found.per_year is None else f"{found.per_year:+.0%} a year; "
    return f"{share}{trend}{found.verdict}"


def warnings(reader: Reader, box: str, since_s: float, until_s: float) -> list[Raised]:
    """Warnings raised in that time, and when each was cleared."""
    found: list[Raised] = []
    changes = [change for change in reader.warnings(box, since_s) if change.wall_s < until_s]
    for number, change in enumerate(changes):
        if change.change != "raised":
            continue
        later = (
            one.wall_s for one in changes[number + 1 :] if one.warning == change.warning and one.change == "cleared"
        )
        found.append(
            Raised(
                sentence=change.sentence,
                severity=change.severity,
                raised_s=change.wall_s,
                cleared_s=next(later, None),
            )
        )
    return found

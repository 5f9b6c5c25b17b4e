"""Everything the report says about one box, read from the store and estimated again as it was live."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from groundbox.battery.papers import Papers
from groundbox.model import Reading
from groundbox.service.start import battery_in, tracker_for
from groundbox.service.tracker import Tracker
from groundbox.settings import Settings
from groundbox.show.page.past import happened
from groundbox.show.report.measure import FlightTold, Judged, Point, Raised, Sums, flights_told, judged
from groundbox.store import Reader
from groundbox.store.rollups import NAMES

POINTS = 700
ESTIMATE_EVERY_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxReport:
    """One box in one outing; `rows` are store.Reader.summed's, by `names`."""

    box: str
    battery: str | None
    c20_ah: float | None
    unknown_because: str | None
    sums: Sums
    names: Sequence[str]
    rows: Sequence[tuple[Any, ...]]
    happened: Sequence[dict[str, object]]
    points: Sequence[Point]
    flights: Sequence[FlightTold]
    warnings: Sequence[Raised]
    judged: Sequence[Judged]
    findings: Sequence[str]
    health: str | None


def gather(
    reader: Reader, settings: Settings, box: str, since_s: float, until_s: float, tick: Callable[[], object]
) -> BoxReport:
    """Reads and estimates one box; `tick` is called with each reading."""
    inside = battery_in(reader, settings, box)
    made = tracker_for(settings, box, inside.name if inside else None)
    tracker = None if isinstance(made, str) else made
    entry = settings.boxes.get(box)
    sums = Sums(loads=entry.loads if entry else ())
    follower = _Follower(tracker, entry.cutoff_volts if entry else None, entry.lead_ohm if entry else 0.0)
    for reading in reader.readings(box, since_s, until_s):
        sums.take(reading)
        follower.take(reading)
        tick()
    events = happened(reader, box, since_s, until_s)
    marks = [(float(str(one["wall_s"])), str(one["what"])) for one in events if one["what"] in ("launch", "landing")]
    estimate = tracker.estimate if tracker else None
    return BoxReport(
        box=box,
        battery=tracker.battery if tracker else None,
        c20_ah=tracker.papers.c20_ah if tracker else None,
        unknown_because=made if isinstance(made, str) else None,
        sums=sums,
        names=NAMES,
        rows=reader.summed(box, since_s, until_s, POINTS),
        happened=events,
        points=follower.points,
        flights=flights_told(marks, follower.points),
        warnings=warnings(reader, box, since_s, until_s),
        judged=judged(follower.points, follower.ended_s),
        findings=[finding.sentence for finding in estimate.findings] if estimate else [],
        health=health_words(tracker.papers) if tracker else None,
    )


def health_words(papers: Papers) -> str | None:
    """The battery's health with its trend and what to do; None on a computer without NumPy."""
    try:
        from groundbox.battery.health import health
    except ImportError:
        return None
    found = health(papers)
    share = "" if found.share is None else f"{found.share:.0%} of rated capacity; "
    trend = "" if found.per_year is None else f"{found.per_year:+.0%} a year; "
    return f"{share}{trend}{found.verdict}"


class _Follower:
    """Runs the estimator over the readings, as it ran live; notes when the equipment fell under its cutoff."""

    def __init__(self, tracker: Tracker | None, cutoff_volts: float | None, lead_ohm: float) -> None:
        self.points: list[Point] = []
        self.ended_s: float | None = None
        self._tracker, self._cutoff_volts, self._lead_ohm = tracker, cutoff_volts, lead_ohm
        self._told_s = float("-inf")

    def take(self, reading: Reading) -> None:
        if self._tracker is None or reading.wall_s is None:
            return
        t_s = self._tracker.timeline.at(reading.boot, reading.uptime_ms, reading.wall_s)
        if t_s is None:
            return
        self._tracker.take(t_s, reading)
        volts, cutoff = reading.battery_volts, self._cutoff_volts
        if self.ended_s is None and volts is not None and cutoff is not None:
            equipment_volts = volts - (reading.battery_amps or 0.0) * self._lead_ohm
            self.ended_s = reading.wall_s if equipment_volts < cutoff else None
        if reading.wall_s - self._told_s >= ESTIMATE_EVERY_S:
            self._told_s = reading.wall_s
            self._tracker.refresh(reading)
            self._note(reading.wall_s)

    def _note(self, wall_s: float) -> None:
        found = self._tracker.estimate if self._tracker else None
        if found is None:
            return
        low, high = found.soc_low, found.soc_high
        soc = None if found.soc is None or low is None or high is None else (low, found.soc, high)
        left = found.runtime_early_s
        runtime_s = None if left is None else (left, found.runtime_likely_s or 0.0, found.runtime_late_s or 0.0)
        self.points.append(Point(wall_s=wall_s, soc=soc, runtime_s=runtime_s))


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

"""What the report shows about one box: sums, flights, warnings, and estimates repeated from stored readings."""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from groundbox.battery.profile import BatteryProfile
from groundbox.model import AdviceMinute, Reading, in_force
from groundbox.monitor.from_store import battery_in, tracker_for
from groundbox.monitor.loads import declared_amps, fans_run, is_on
from groundbox.monitor.tracker import Tracker
from groundbox.settings import LoadSettings, Settings
from groundbox.store import Reader
from groundbox.store.rollups import NAMES
from groundbox.ui.page.past import happened
from groundbox.ui.report.runs import LONGEST_STEP_S, ReportFollower, RunPoint, SessionRun, at

POINTS = 700


@dataclass(slots=True)
class SessionSums:
    """Sums over the readings of one box; Wh and Ah by measured current, else by the declared loads."""

    loads: Sequence[LoadSettings] = ()
    readings: int = 0
    first_s: float | None = None
    last_s: float | None = None
    watched_s: float = 0.0
    drawn_wh: float = 0.0
    drawn_ah: float = 0.0
    charged_ah: float = 0.0
    by_load_wh: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    lowest: tuple[float, float] | None = None  # volts, wall time
    hottest: tuple[float, float] | None = None  # °C, wall time
    sag: tuple[float, float, float | None] | None = (
        None  # volts under the mean of its second, wall time, amperes at that time
    )
    fan_starts: int = 0
    fans_s: float = 0.0
    on_c: list[float] = field(default_factory=list)  # case temperature at each start and each stop of the fans
    off_c: list[float] = field(default_factory=list)
    _before: Reading | None = None
    _ran: bool = False

    def take(self, reading: Reading) -> None:
        """Adds the next reading."""
        if reading.wall_s is None:
            return
        self.readings += 1
        self.first_s = reading.wall_s if self.first_s is None else self.first_s
        self.last_s = reading.wall_s
        self._extremes(reading, reading.wall_s)
        before, self._before = self._before, reading
        if before is None or before.wall_s is None:
            self._ran = fans_run(reading)
            return
        running, ran = fans_run(reading), self._ran
        self._ran = running
        self.fan_starts += running and not ran
        if running != ran and reading.case_c is not None:
            (self.on_c if running else self.off_c).append(reading.case_c)
        step_s = reading.wall_s - before.wall_s
        if 0 < step_s <= LONGEST_STEP_S:
            self._add(reading, step_s, running)

    def _extremes(self, reading: Reading, wall_s: float) -> None:
        low = reading.battery_min_volts if reading.battery_min_volts is not None else reading.battery_volts
        if low is not None and (self.lowest is None or low < self.lowest[0]):
            self.lowest = low, wall_s
        if low is not None and reading.battery_volts is not None:
            under = reading.battery_volts - low
            if self.sag is None or under > self.sag[0]:
                self.sag = under, wall_s, reading.battery_max_amps
        if reading.case_c is not None and (self.hottest is None or reading.case_c > self.hottest[0]):
            self.hottest = reading.case_c, wall_s

    def _add(self, reading: Reading, step_s: float, fans: bool) -> None:
        self.watched_s += step_s
        self.fans_s += step_s if fans else 0.0
        volts = reading.battery_volts
        if volts is None:
            return
        declared = declared_amps(self.loads, volts, reading)
        amps = reading.battery_amps if reading.battery_amps is not None else declared
        if amps is None:
            return
        hours = step_s / 3600
        self.charged_ah += max(-amps, 0.0) * hours
        drawn_ah = max(amps, 0.0) * hours
        self.drawn_ah += drawn_ah
        self.drawn_wh += drawn_ah * volts
        if not declared:
            return
        for load in self.loads:
            if is_on(load, reading):
                part = load.mean_amps(volts) * load.fraction / declared
                self.by_load_wh[load.name] += part * drawn_ah * volts


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportedFlight:
    """A flight and the runtime at its landing; `margin_s` is the low runtime minus the reserve."""

    launched_s: float
    landed_s: float | None
    runtime_s: tuple[float, float, float] | None
    margin_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportedWarning:
    """One warning, when it was raised and cleared (None: not cleared)."""

    sentence: str
    severity: str
    raised_s: float
    cleared_s: float | None


def flights_of(
    marks: Sequence[tuple[float, str]], points: Sequence[RunPoint], reserve_s: float = 0.0
) -> list[ReportedFlight]:
    """Flights from (wall time, "launch" or "landing") in order."""
    found: list[ReportedFlight] = []
    launched_s: float | None = None
    for wall_s, kind in marks:
        if kind == "launch":
            launched_s = wall_s
        elif kind == "landing" and launched_s is not None:
            point = at(points, wall_s)
            left = point.runtime_s if point else None
            margin_s = None if left is None else left[0] - reserve_s
            found.append(ReportedFlight(launched_s=launched_s, landed_s=wall_s, runtime_s=left, margin_s=margin_s))
            launched_s = None
    if launched_s is not None:
        found.append(ReportedFlight(launched_s=launched_s, landed_s=None, runtime_s=None))
    return found


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
    sums: SessionSums
    names: Sequence[str]
    rows: Sequence[tuple[Any, ...]]
    filled_s: float  # of the rows, from summaries in place of lost readings
    happened: Sequence[dict[str, object]]
    runs: Sequence[SessionRun]
    after_ah: float  # drawn since the last run ended
    end_volts: float | None
    flights: Sequence[ReportedFlight]
    warnings: Sequence[ReportedWarning]
    findings: Sequence[str]
    health: str | None
    limits: Mapping[str, int]  # known settings of its board at the end of the session
    verdicts: Sequence[AdviceMinute]  # the minutes at which the recorder's verdict changed


def gather(
    reader: Reader, settings: Settings, box: str, since_s: float, until_s: float, tick: Callable[[], object]
) -> BoxReport:
    """Reads and estimates one box; `tick` is called after each reading."""
    entry = settings.boxes.get(box)
    loads = entry.loads if entry else ()
    sums = SessionSums(loads=loads)
    trackers, why_not = batteries(reader, settings, box, since_s, until_s)
    follower = ReportFollower(trackers, loads, until_s - since_s)
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
        flights=flights_of(marks, follower.points, reserve_s),
        warnings=warnings(reader, box, since_s, until_s),
        findings=[finding.sentence for finding in estimate.findings] if estimate else [],
        health=health_words(profile) if profile else None,
        limits=reader.board_settings(box, until_s),
        verdicts=verdict_changes(reader.advice_minutes(box, since_s, until_s)),
    )


def verdict_changes(minutes: Sequence[AdviceMinute]) -> list[AdviceMinute]:
    """The first minute of each verdict, in order."""
    before: list[AdviceMinute | None] = [None, *minutes]
    return [one for last, one in zip(before, minutes, strict=False) if last is None or last.verdict != one.verdict]


def batteries(
    reader: Reader, settings: Settings, box: str, since_s: float, until_s: float
) -> tuple[list[tuple[float, Tracker | None]], str | None]:
    """(from wall time, its estimator) of each battery in the box during the session; and why a battery has none."""
    marks = in_force(reader.marks(box, since_s))
    swaps = [mark for mark in marks if mark.kind == "swap" and mark.wall_s < until_s]
    first = reader.fitted(box, since_s) if swaps else None
    inside = battery_in(reader, settings, box)
    entry = settings.boxes.get(box)
    set_battery = entry.battery if entry else None
    names = [(since_s, first.battery if first else set_battery if swaps else inside.name if inside else None)]
    names += [(mark.wall_s, mark.name) for mark in swaps]
    found: list[tuple[float, Tracker | None]] = []
    why_not = None
    for from_s, name in names:
        made = tracker_for(settings, box, name)
        found.append((from_s, None if isinstance(made, str) else made))
        why_not = made if isinstance(made, str) else why_not
    return found, why_not


def health_words(profile: BatteryProfile) -> str | None:
    """The health of the battery, its trend and an instruction; None on a computer without NumPy."""
    try:
        from groundbox.battery.health import health
    except ImportError:
        return None
    found = health(profile)
    depth = "" if found.fraction is None else f"{found.fraction:.0%} of rated capacity; "
    trend = "" if found.per_year is None else f"{found.per_year:+.0%} a year; "
    return f"{depth}{trend}{found.verdict}"


def warnings(reader: Reader, box: str, since_s: float, until_s: float) -> list[ReportedWarning]:
    """Warnings raised in the session, and when each was cleared."""
    found: list[ReportedWarning] = []
    changes = [change for change in reader.warnings(box, since_s) if change.wall_s < until_s]
    for number, change in enumerate(changes):
        if change.change != "raised":
            continue
        later = (
            one.wall_s for one in changes[number + 1 :] if one.warning == change.warning and one.change == "cleared"
        )
        found.append(
            ReportedWarning(
                sentence=change.sentence,
                severity=change.severity,
                raised_s=change.wall_s,
                cleared_s=next(later, None),
            )
        )
    return found

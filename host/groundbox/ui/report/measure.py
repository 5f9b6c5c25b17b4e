"""What one box did in an session, summed up reading by reading. Pure."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

from groundbox.model import Reading
from groundbox.monitor.loads import declared_amps, fans_run, is_on
from groundbox.settings import LoadSettings
from groundbox.ui.report.runs import Point, at

LONGEST_STEP_S = 5.0  # a longer silence is not added up


@dataclass(slots=True)
class Sums:
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
    hottest: tuple[float, float] | None = None  # celsius, wall time
    sag: tuple[float, float, float | None] | None = None  # volts under the mean of its second, wall time, amps then
    fan_starts: int = 0
    fans_s: float = 0.0
    on_c: list[float] = field(default_factory=list)  # case at each start and each stop of the fans
    off_c: list[float] = field(default_factory=list)
    _before: Reading | None = None
    _ran: bool = False

    def take(self, reading: Reading) -> None:
        """Takes in the next reading."""
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
class FlightTold:
    """A flight, and what was left at its landing; `margin_s` is that, on the low number, over the reserve."""

    launched_s: float
    landed_s: float | None
    runtime_s: tuple[float, float, float] | None
    margin_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Raised:
    """One warning from its raising to its clearing (None: never)."""

    sentence: str
    severity: str
    raised_s: float
    cleared_s: float | None


def flights_told(
    marks: Sequence[tuple[float, str]], points: Sequence[Point], reserve_s: float = 0.0
) -> list[FlightTold]:
    """Flights from (wall time, "launch" or "landing") in order."""
    found: list[FlightTold] = []
    launched_s: float | None = None
    for wall_s, kind in marks:
        if kind == "launch":
            launched_s = wall_s
        elif kind == "landing" and launched_s is not None:
            point = at(points, wall_s)
            left = point.runtime_s if point else None
            margin_s = None if left is None else left[0] - reserve_s
            found.append(FlightTold(launched_s=launched_s, landed_s=wall_s, runtime_s=left, margin_s=margin_s))
            launched_s = None
    if launched_s is not None:
        found.append(FlightTold(launched_s=launched_s, landed_s=None, runtime_s=None))
    return found

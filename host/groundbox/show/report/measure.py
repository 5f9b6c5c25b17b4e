"""What one box did in an outing, summed up reading by reading. Pure."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

from groundbox.model import Reading
from groundbox.service.loads import declared_amps, fans_run, is_on
from groundbox.settings import Load

LONGEST_STEP_S = 5.0  # a longer silence is not added up


@dataclass(slots=True)
class Sums:
    """Sums over the readings of one box; Wh and Ah by measured current, else by the declared loads."""

    loads: Sequence[Load] = ()
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
    fan_starts: int = 0
    fans_s: float = 0.0
    _before: Reading | None = None

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
            return
        if fans_run(reading) and not fans_run(before):
            self.fan_starts += 1
        step_s = reading.wall_s - before.wall_s
        if 0 < step_s <= LONGEST_STEP_S:
            self._add(reading, step_s)

    def _extremes(self, reading: Reading, wall_s: float) -> None:
        low = reading.battery_min_volts if reading.battery_min_volts is not None else reading.battery_volts
        if low is not None and (self.lowest is None or low < self.lowest[0]):
            self.lowest = low, wall_s
        if reading.case_c is not None and (self.hottest is None or reading.case_c > self.hottest[0]):
            self.hottest = reading.case_c, wall_s

    def _add(self, reading: Reading, step_s: float) -> None:
        self.watched_s += step_s
        self.fans_s += step_s if fans_run(reading) else 0.0
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
                part = load.mean_amps(volts) * load.share / declared
                self.by_load_wh[load.name] += part * drawn_ah * volts


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """The estimate at one moment; wall times and seconds; None while unknown."""

    wall_s: float
    soc: tuple[float, float, float] | None  # low, likely, high
    runtime_s: tuple[float, float, float] | None  # early, likely, late


@dataclass(frozen=True, slots=True, kw_only=True)
class FlightTold:
    """A flight, and what was left at its landing."""

    launched_s: float
    landed_s: float | None
    runtime_s: tuple[float, float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Raised:
    """One warning from its raising to its clearing (None: never)."""

    sentence: str
    severity: str
    raised_s: float
    cleared_s: float | None


def at(points: Sequence[Point], wall_s: float) -> Point | None:
    """The last point not after `wall_s`."""
    return next((point for point in reversed(points) if point.wall_s <= wall_s), None)


def flights_told(marks: Sequence[tuple[float, str]], points: Sequence[Point]) -> list[FlightTold]:
    """Flights from (wall time, "launch" or "landing") in order."""
    found: list[FlightTold] = []
    launched_s: float | None = None
    for wall_s, kind in marks:
        if kind == "launch":
            launched_s = wall_s
        elif kind == "landing" and launched_s is not None:
            point = at(points, wall_s)
            left = point.runtime_s if point else None
            found.append(FlightTold(launched_s=launched_s, landed_s=wall_s, runtime_s=left))
            launched_s = None
    if launched_s is not None:
        found.append(FlightTold(launched_s=launched_s, landed_s=None, runtime_s=None))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One prediction against what came: seconds that were left, and whether the band held it."""

    wall_s: float
    runtime_s: tuple[float, float, float]
    true_s: float

    @property
    def held(self) -> bool:
        """True when the truth lay within early and late."""
        return self.runtime_s[0] <= self.true_s <= self.runtime_s[2]


def judged(points: Sequence[Point], ended_s: float | None, shares: Sequence[float] = (0.25, 0.5, 0.75)) -> list[Judged]:
    """Predictions at shares of the run that ended at the limit at `ended_s`; none when it did not end."""
    told = [point for point in points if point.runtime_s is not None and (ended_s or 0.0) > point.wall_s]
    if ended_s is None or not told:
        return []
    began_s = told[0].wall_s
    found = []
    for share in shares:
        point = at(told, began_s + share * (ended_s - began_s))
        if point is not None and point.runtime_s is not None:
            found.append(Judged(wall_s=point.wall_s, runtime_s=point.runtime_s, true_s=ended_s - point.wall_s))
    return found

"""Predictions and the measured actual runtime, for each run on one charge. Pure.

A run that ended at its limit gives the actual runtime: the time until the equipment fell under its cutoff voltage, or
the battery under its end voltage, and the ampere-hours counted until then. A run that ended with a charge, a swap or
the session proves only a minimum runtime.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from groundbox.model import Reading
from groundbox.monitor.loads import declared_amps
from groundbox.monitor.tracker import Tracker
from groundbox.settings import LoadSettings

LONGEST_STEP_S = 5.0  # a longer gap between readings is not counted
ESTIMATE_EVERY_S, ESTIMATES = 60.0, 240  # at least this far apart; about so many in a session
LIMIT_S = 10.0  # the voltage is under the limit for this time without a break, so that a peak does not count
MAX_UNSEEN_FRACTION = 0.01  # of a run without readings; above it the ampere-hours are not counted
MIN_JUDGED_S = 600.0

Three = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPoint:
    """The estimate at one moment; wall times and seconds; None while unknown.

    drawn_ah: counted since the run began, charge subtracted; unseen_s: seconds of the run without readings.
    """

    wall_s: float
    soc: Three | None  # low, expected, high
    runtime_s: Three | None  # low, expected, high
    drawn_ah: float = 0.0
    unseen_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionRun:
    """A run on one charge; `ended_by` is "limit", "charge", "swap" or "session".

    capacity_ah: the estimated capacity at its end.
    """

    battery: str | None
    points: Sequence[RunPoint]
    ended_s: float
    ended_by: str
    drawn_ah: float = 0.0
    unseen_s: float = 0.0
    capacity_ah: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedPrediction:
    """One prediction and the seconds that remained; with `at_least`, a minimum of them."""

    wall_s: float
    runtime_s: Three
    actual_s: float
    at_least: bool = False

    @property
    def held(self) -> bool | None:
        """True when the actual runtime is between low and high; None when that is possible but not proven."""
        if self.at_least:
            return None if self.actual_s <= self.runtime_s[2] else False
        return self.runtime_s[0] <= self.actual_s <= self.runtime_s[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictionQuality:
    """The quality of all `count` predictions of a session; fractions, 0 to 1.

    held: of the bands that contain the actual runtime; low_held: of the low values that were not too long.
    errors: median and maximum of |expected - actual| divided by the runtime of the whole run.
    """

    count: int
    held: float
    low_held: float
    errors: tuple[float, float]


def at(points: Sequence[RunPoint], wall_s: float) -> RunPoint | None:
    """The last point at or before `wall_s`; None without one."""
    return next((point for point in reversed(points) if point.wall_s <= wall_s), None)


def judged(run: SessionRun, fractions: Sequence[float] = (0.0, 0.25, 0.5, 0.75)) -> list[JudgedPrediction]:
    """Predictions at fractions of a run."""
    every = judged_all(run)
    if not every:
        return []
    began_s, whole_s = every[0].wall_s, run.ended_s - every[0].wall_s
    found = [
        max((one for one in every if one.wall_s <= began_s + fraction * whole_s), key=_when) for fraction in fractions
    ]
    return list(dict.fromkeys(found))


def _when(one: JudgedPrediction) -> float:
    return one.wall_s


def judged_all(run: SessionRun) -> list[JudgedPrediction]:
    """Every prediction of a run. For a run that did not end at its limit, only what it proves."""
    at_least = run.ended_by != "limit"
    known = [point for point in run.points if point.runtime_s is not None and point.wall_s < run.ended_s]
    if not known or (at_least and run.ended_s - known[0].wall_s < MIN_JUDGED_S):
        return []
    return [
        JudgedPrediction(wall_s=p.wall_s, runtime_s=p.runtime_s, actual_s=run.ended_s - p.wall_s, at_least=at_least)
        for p in known
        if p.runtime_s is not None
    ]


def quality(runs: Sequence[SessionRun]) -> PredictionQuality | None:
    """Over all predictions whose actual runtime is known; None without one."""
    errors, held, low_held = [], 0, 0
    for run in runs:
        every = judged_all(run) if run.ended_by == "limit" else []
        for one in every:
            errors.append(abs(one.runtime_s[1] - one.actual_s) / every[0].actual_s)
            held += bool(one.held)
            low_held += one.runtime_s[0] <= one.actual_s
    if not errors:
        return None
    ordered = sorted(errors)
    count = len(errors)
    return PredictionQuality(
        count=count,
        held=held / count,
        low_held=low_held / count,
        errors=(ordered[count // 2], ordered[-1]),
    )


def counted_back(run: SessionRun) -> list[tuple[float, float]]:
    """(wall time, actual state of charge): counted back from the limit by the measured ampere-hours.

    The state of charge at the limit and the capacity are those of the last estimate; the rest is measured.
    Empty if the run did not end at its limit, or too much of it has no readings.
    """
    last = run.points[-1] if run.points else None
    if run.ended_by != "limit" or last is None or last.soc is None or not run.capacity_ah:
        return []
    if run.unseen_s > MAX_UNSEEN_FRACTION * (run.ended_s - run.points[0].wall_s):
        return []
    return [(p.wall_s, last.soc[1] + (last.drawn_ah - p.drawn_ah) / run.capacity_ah) for p in run.points]


def actual_fraction_in_band(run: SessionRun) -> float | None:
    """Fraction of the points whose band contains the actual state of charge; None where that is unknown."""
    pairs = [(p.soc, actual) for p, (_, actual) in zip(run.points, counted_back(run), strict=False) if p.soc]
    return sum(soc[0] <= actual <= soc[2] for soc, actual in pairs) / len(pairs) if pairs else None


class ReportFollower:
    """Estimates in the same way as live, each battery from its first reading in this session.

    It stores no file.

    Args:
        trackers: (from wall time, estimator or None) of each battery that was in the box, oldest first.
        loads: declared, for a box whose current is not measured.
        whole_s: length of the session in seconds; a long one gives fewer points.
    """

    def __init__(
        self, trackers: Sequence[tuple[float, Tracker | None]], loads: Sequence[LoadSettings], whole_s: float
    ) -> None:
        self.runs: list[SessionRun] = []
        self.after_ah = 0.0  # drawn since the last run ended
        self._coming = list(trackers)
        self._loads = loads
        self._every_s = max(ESTIMATE_EVERY_S, whole_s / ESTIMATES)
        self.tracker: Tracker | None = None
        self._points: list[RunPoint] = []
        self._drawn_ah = self._unseen_s = 0.0
        self._estimated_s = float("-inf")
        self._before: Reading | None = None
        self._under_since_s: float | None = None
        self._over = False  # the limit was reached: no more predictions before the next charge

    def take(self, reading: Reading) -> None:
        """Takes the next reading."""
        if reading.wall_s is None:
            return
        while self._coming and self._coming[0][0] <= reading.wall_s:
            self._end("swap", reading.wall_s)
            self.tracker, self._before = self._coming.pop(0)[1], None
        if self.tracker is None:
            return
        t_s = self.tracker.timeline.at(reading.boot, reading.uptime_ms, reading.wall_s)
        if t_s is None:
            return
        self.tracker.take(t_s, reading)
        if reading.charging not in (None, "no"):
            self._end("charge", reading.wall_s)
        self._count(reading, reading.wall_s)
        if not self._over:
            self._estimate(self.tracker, reading, reading.wall_s)
            self._watch_limit(self.tracker, reading, reading.wall_s)

    def close(self) -> None:
        """Ends the last run with the session."""
        if self._before is not None and self._before.wall_s is not None:
            self.after_ah = 0.0 if self._points else self._drawn_ah
            self._end("session", self._before.wall_s)

    @property
    def points(self) -> list[RunPoint]:
        """The points of all runs, in order."""
        return [point for run in self.runs for point in run.points]

    def _count(self, reading: Reading, wall_s: float) -> None:
        before, self._before = self._before, reading
        if before is None or before.wall_s is None:
            return
        step_s, volts = wall_s - before.wall_s, reading.battery_volts
        amps = reading.battery_amps
        if amps is None and volts is not None:
            amps = declared_amps(self._loads, volts, reading)
        if amps is None or step_s > LONGEST_STEP_S:
            self._unseen_s += step_s
        elif step_s > 0:
            self._drawn_ah += amps * step_s / 3600

    def _estimate(self, tracker: Tracker, reading: Reading, wall_s: float, *, now: bool = False) -> None:
        if wall_s - self._estimated_s < self._every_s and not now:
            return
        self._estimated_s = wall_s
        tracker.refresh(reading)
        found = tracker.estimate
        if found is None:
            return
        low, high, left_s = found.soc_low, found.soc_high, found.runtime_low_s
        self._points.append(
            RunPoint(
                wall_s=wall_s,
                soc=None if found.soc is None or low is None or high is None else (low, found.soc, high),
                runtime_s=None
                if left_s is None
                else (left_s, found.runtime_expected_s or 0.0, found.runtime_high_s or 0.0),
                drawn_ah=self._drawn_ah,
                unseen_s=self._unseen_s,
            )
        )

    def _watch_limit(self, tracker: Tracker, reading: Reading, wall_s: float) -> None:
        volts = reading.battery_volts
        if volts is None:
            return
        limit_volts = tracker.box.cutoff_volts + max(reading.battery_amps or 0.0, 0.0) * tracker.box.lead_ohm
        if volts >= max(limit_volts, tracker.end_volts):
            self._under_since_s = None
            return
        since_s = self._under_since_s = wall_s if self._under_since_s is None else self._under_since_s
        if wall_s - since_s >= LIMIT_S:
            self._estimate(tracker, reading, wall_s, now=True)
            self._end("limit", since_s)
            self._over = True

    def _end(self, by: str, wall_s: float) -> None:
        if self._points and self.tracker:
            self.runs.append(
                SessionRun(
                    battery=self.tracker.battery,
                    points=self._points,
                    ended_s=wall_s,
                    ended_by=by,
                    drawn_ah=self._drawn_ah,
                    unseen_s=self._unseen_s,
                    capacity_ah=self.tracker.capacity_ah,
                )
            )
        self._points, self._drawn_ah, self._unseen_s = [], 0.0, 0.0
        self._under_since_s, self._over = None, False

"""Runs the estimator over an session's readings again, stretch by stretch. No files."""

from collections.abc import Sequence

from groundbox.model import Reading
from groundbox.monitor.loads import declared_amps
from groundbox.monitor.tracker import Tracker
from groundbox.settings import LoadSettings
from groundbox.ui.report.measure import LONGEST_STEP_S
from groundbox.ui.report.runs import LIMIT_S, Point, Run

LEAST_EVERY_S, POINTS = 60.0, 240


class Follower:
    """Estimates as it was done live, each battery from its first reading in this session on.

    Args:
        trackers: (from wall time, estimator or None) of each battery that was in the box, oldest first.
        loads: declared, for a box whose current is not measured.
        whole_s: length of the session; long ones are asked for fewer answers.
    """

    def __init__(
        self, trackers: Sequence[tuple[float, Tracker | None]], loads: Sequence[LoadSettings], whole_s: float
    ) -> None:
        self.runs: list[Run] = []
        self.after_ah = 0.0  # drawn since the last of them ended
        self._coming = list(trackers)
        self._loads = loads
        self._every_s = max(LEAST_EVERY_S, whole_s / POINTS)
        self.tracker: Tracker | None = None
        self._points: list[Point] = []
        self._drawn_ah = self._unseen_s = 0.0
        self._told_s = float("-inf")
        self._before: Reading | None = None
        self._under_since_s: float | None = None
        self._over = False  # the limit was met: nothing more is judged before the next charge

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
            self._tell(self.tracker, reading, reading.wall_s)
            self._watch_limit(self.tracker, reading, reading.wall_s)

    def close(self) -> None:
        """The session is over."""
        if self._before is not None and self._before.wall_s is not None:
            self.after_ah = 0.0 if self._points else self._drawn_ah
            self._end("session", self._before.wall_s)

    @property
    def points(self) -> list[Point]:
        """All of them, in order."""
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

    def _tell(self, tracker: Tracker, reading: Reading, wall_s: float, *, now: bool = False) -> None:
        if wall_s - self._told_s < self._every_s and not now:
            return
        self._told_s = wall_s
        tracker.refresh(reading)
        found = tracker.estimate
        if found is None:
            return
        low, high, left_s = found.soc_low, found.soc_high, found.runtime_low_s
        self._points.append(
            Point(
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
            self._tell(tracker, reading, wall_s, now=True)
            self._end("limit", since_s)
            self._over = True

    def _end(self, by: str, wall_s: float) -> None:
        if self._points and self.tracker:
            self.runs.append(
                Run(
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

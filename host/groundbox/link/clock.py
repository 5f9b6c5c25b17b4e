"""The host's clocks, and board uptime to wall time for each box.

A board's uptime never steps within one start. One clock request and its answer show the host's wall clock at one
uptime, to within half the round trip. Before and after it the two clocks drift apart by at most DRIFT. When a later
answer gives another wall time for the same start, the host's clock was set: the newest answer is valid for all of it.
When the start is later on the host's monotonic clock too, it is another start under the same number: the board was
installed again.

A board that is only listened to answers nothing. Each of its messages shows that the start was no later than the
arrival less the uptime. The minimum of these, on the monotonic clock, is the start. A broker delivers kept messages
late and in a burst, so that the minimum falls from message to message. Once it falls no more, the start is reported
again.
"""

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypedDict

from groundbox.model import StartTime, Stored

READ_CLOCKS = 3
DRIFT = 1e-4  # assumed: crystals of 50 ppm on both sides
RESOLUTION_S = 0.001  # uptime is sent in whole milliseconds
SET_S = 0.5  # assumed: a smaller step is a clock that is steered, a larger one a clock that was set
RESTART_S = 2.0  # assumed: no board restarts faster
ARRIVAL_UNCERTAINTY_S = 2.0  # assumed for messages without a request: their delay is not known
MAX_UPTIME_S = 10 * 365.25 * 86400  # assumed: no board runs longer; a message with more gets no time
SETTLED_S = 3.0  # the minimum delay has not fallen for so long
_FALL_S = 0.1
_ROUND_TRIPS = 32
_ARRIVALS = 60
_STARTS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """One moment on the host's three clocks, in seconds.

    Attributes:
        wall_s: seconds since 1970 UTC; injected, and set by a person or the network at any time.
        monotonic_s: a clock that never steps; injected, so that a demo can run it faster.
        real_s: real seconds, for waiting.
    """

    wall_s: float
    monotonic_s: float
    real_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Clocks:
    """The host's clocks, injected: wall seconds since 1970, and one that never steps. Both at the demo's speed."""

    wall_s: Callable[[], float]
    monotonic_s: Callable[[], float]

    def now(self) -> Moment:
        """This moment; waiting is measured in real seconds at any speed.

        The two clocks are read several times and the closest pair counts: at a demo's speed a short delay is long.
        """
        readings = [(self.monotonic_s(), self.wall_s(), self.monotonic_s()) for _ in range(READ_CLOCKS)]
        before, wall_s, after = min(readings, key=lambda reading: reading[2] - reading[0])
        return Moment(wall_s=wall_s, monotonic_s=(before + after) / 2, real_s=time.monotonic())


@dataclass(frozen=True, slots=True, kw_only=True)
class WallTime:
    """A wall time with its uncertainty (half width) in seconds, and its source ("exchange" or "arrival")."""

    wall_s: float
    uncertainty_s: float
    source: str


class WallFields(TypedDict, total=False):
    """A wall time as the fields of a value; empty while unknown."""

    wall_s: float
    wall_uncertainty_s: float
    wall_source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _RoundTrip:
    """One clock request with its answer, and the start that follows from it on both host clocks."""

    uptime_s: float
    start_wall_s: float
    start_monotonic_s: float
    half_width_s: float

    def uncertainty_s(self, uptime_s: float) -> float:
        return self.half_width_s + DRIFT * abs(uptime_s - self.uptime_s)

    def tolerance_s(self, other: "_RoundTrip") -> float:
        return self.half_width_s + other.uncertainty_s(self.uptime_s)


class _BoardStart:
    """What is known of one start of a board."""

    def __init__(self) -> None:
        self.round_trips: deque[_RoundTrip] = deque(maxlen=_ROUND_TRIPS)
        self.arrivals: deque[float] = deque(maxlen=_ARRIVALS)  # monotonic arrival less uptime: not before the start
        self.wall_less_monotonic_s = 0.0  # of the host, at the newest arrival
        self.fell_s = 0.0  # monotonic time at which the minimum arrival last fell
        self.reported_s: float | None = None  # wall time of the start by which older records were dated

    def wall_s(self) -> float:
        """Wall time of the start by its arrivals."""
        return min(self.arrivals) + self.wall_less_monotonic_s


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockUpdate:
    """What one clock answer changes.

    Attributes:
        again: another start under a boot number that was used before.
        start: corrects the times of records that are stored already; None when they are right.
    """

    again: bool
    start: StartTime | None


class BoardClock:
    """Uptime to wall time of one box, for its last few starts."""

    def __init__(self, box: str) -> None:
        self._box = box
        self._starts: dict[int, _BoardStart] = {}

    def exchange(
        self, boot: int, uptime_ms: int, *, received_wall_s: float, received_monotonic_s: float, round_trip_s: float
    ) -> ClockUpdate:
        """Adds one round trip, timed by the monotonic clock.

        Args:
            boot, uptime_ms: from the board's answer.
            received_wall_s, received_monotonic_s: the host's clocks when the answer arrived.
            round_trip_s: monotonic seconds between request and answer.
        """
        uptime_s = uptime_ms / 1000
        new = _RoundTrip(
            uptime_s=uptime_s,
            start_wall_s=received_wall_s - round_trip_s / 2 - uptime_s,
            start_monotonic_s=received_monotonic_s - round_trip_s / 2 - uptime_s,
            half_width_s=round_trip_s / 2 + RESOLUTION_S,
        )
        last = self._last(boot)
        again = last is not None and new.start_monotonic_s - last.start_monotonic_s > new.tolerance_s(last) + RESTART_S
        if again:
            del self._starts[boot]
        moved = last is None or again or abs(new.start_wall_s - last.start_wall_s) > new.tolerance_s(last) + SET_S
        if moved:
            self._start(boot).round_trips.clear()
        self._start(boot).round_trips.append(new)
        start = StartTime(
            box=self._box, boot=boot, wall_s=new.start_wall_s, uncertainty_s=new.half_width_s, source="exchange"
        )
        return ClockUpdate(again=again, start=start if moved else None)

    def heard(
        self, boot: int, uptime_ms: int, *, received_wall_s: float, received_monotonic_s: float
    ) -> StartTime | None:
        """Adds a message without a request: it was sent no later than it arrived.

        Returns:
            The start as it is known now, where records with earlier dates must be dated again.
        """
        if uptime_ms / 1000 > MAX_UPTIME_S:
            return None
        start, arrival_s = self._start(boot), received_monotonic_s - uptime_ms / 1000
        if arrival_s < min(start.arrivals, default=float("inf")) - _FALL_S:
            start.fell_s = received_monotonic_s
        start.arrivals.append(arrival_s)
        before_s, start.wall_less_monotonic_s = start.wall_less_monotonic_s, received_wall_s - received_monotonic_s
        now_s = start.wall_s()
        if start.reported_s is None:
            start.reported_s = now_s
        if start.round_trips or abs(now_s - start.reported_s) <= ARRIVAL_UNCERTAINTY_S:
            return None
        clock_was_set = abs(start.wall_less_monotonic_s - before_s) > SET_S
        if not clock_was_set and received_monotonic_s - start.fell_s < SETTLED_S:
            return None
        start.reported_s = now_s
        return StartTime(box=self._box, boot=boot, wall_s=now_s, uncertainty_s=ARRIVAL_UNCERTAINTY_S, source="arrival")

    def wall(self, boot: int, uptime_ms: int) -> WallTime | None:
        """The wall time of `uptime_ms` in start `boot`; None while nothing is known of that start."""
        start, uptime_s = self._starts.get(boot), uptime_ms / 1000
        if start is None or uptime_s > MAX_UPTIME_S:
            return None
        if start.round_trips:
            best = min(start.round_trips, key=lambda trip: trip.uncertainty_s(uptime_s))
            return WallTime(
                wall_s=best.start_wall_s + uptime_s, uncertainty_s=best.uncertainty_s(uptime_s), source="exchange"
            )
        return WallTime(wall_s=start.wall_s() + uptime_s, uncertainty_s=ARRIVAL_UNCERTAINTY_S, source="arrival")

    def _last(self, boot: int) -> _RoundTrip | None:
        start = self._starts.get(boot)
        return start.round_trips[-1] if start and start.round_trips else None

    def _start(self, boot: int) -> _BoardStart:
        if boot not in self._starts:
            while len(self._starts) >= _STARTS:
                del self._starts[next(iter(self._starts))]
            self._starts[boot] = _BoardStart()
        return self._starts[boot]


class BoardMemory:
    """What a link keeps from one connection to the next: each box's clock, and its acknowledged records."""

    def __init__(self) -> None:
        self._clocks: dict[str, BoardClock] = {}
        self._acknowledged: dict[tuple[str, int], int] = {}

    def clock(self, box: str) -> BoardClock:
        """The clock of `box`."""
        return self._clocks.setdefault(box, BoardClock(box))

    def heard(self, box: str, boot: int, uptime_ms: int, now: Moment) -> StartTime | None:
        """A message arrived without a request: see BoardClock.heard."""
        return self.clock(box).heard(boot, uptime_ms, received_wall_s=now.wall_s, received_monotonic_s=now.monotonic_s)

    def wall_fields(self, box: str, boot: int, uptime_ms: int) -> WallFields:
        """The wall time of an uptime; {} while unknown."""
        wall = self.clock(box).wall(boot, uptime_ms)
        if wall is None:
            return {}
        return {"wall_s": wall.wall_s, "wall_uncertainty_s": wall.uncertainty_s, "wall_source": wall.source}

    def acknowledge(self, stored: Stored) -> None:
        """The host acknowledges to a board that records are stored."""
        self._acknowledged[stored.box, stored.boot] = stored.sequence

    def acknowledged(self, box: str, boot: int) -> int:
        """Number of the last acknowledged record of a start; 0 for none."""
        return self._acknowledged.get((box, boot), 0)

    def forget(self, box: str, boot: int) -> None:
        """Forgets the acknowledgements of a boot number that belongs to another start now."""
        self._acknowledged.pop((box, boot), None)

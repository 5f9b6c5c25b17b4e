"""Board uptime to wall time, one box: pure.

The board's uptime is the steady clock: it never steps within a start. Each exchange (ask, answer) says what the host's
wall clock showed at one uptime, give or take half the round trip; away from it both clocks drift apart by at most
DRIFT. When an exchange shows that a start happened at another wall time than the last exchange said, the host's clock
was set, and its newest word holds for all that was recorded in this run. When the host's monotonic clock, too, says
that the start happened later, it is another start under the same number: the board was installed anew.

Where a board is only listened to, each message says that its start was no later than the message's coming less its
uptime. The least of these, on the monotonic clock, is the start. What a broker has kept comes late and in haste, so
that the least falls from message to message: once it falls no more, what was dated meanwhile is dated anew.
"""

from collections import deque
from dataclasses import dataclass

from groundbox.model import StartTime

DRIFT = 1e-4  # assumed: crystals of 50 ppm on both sides
RESOLUTION_S = 0.001  # uptime comes in whole milliseconds
SET_S = 0.5  # assumed: smaller steps are a clock being steered, larger ones a clock being set
AGAIN_S = 2.0  # assumed: no board restarts faster
ARRIVAL_UNCERTAINTY_S = 2.0  # assumed for messages that come by themselves: their delay is not known
MOST_UPTIME_S = 10 * 365.25 * 86400  # assumed: what tells more is no board of ours; it has no time
SETTLED_S = 3.0  # no message came sooner after its sending, for so long
_FALL_S = 0.1
_EXCHANGES = 32
_ARRIVALS = 60
_STARTS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class WallTime:
    """A wall time with its uncertainty (half width) in seconds and where it comes from ("exchange" or "arrival")."""

    wall_s: float
    uncertainty_s: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Exchange:
    uptime_s: float
    start_wall_s: float
    start_monotonic_s: float
    half_width_s: float

    def uncertainty_s(self, uptime_s: float) -> float:
        return self.half_width_s + DRIFT * abs(uptime_s - self.uptime_s)

    def tolerance_s(self, other: "_Exchange") -> float:
        return self.half_width_s + other.uncertainty_s(self.uptime_s)


class _Start:
    """What is known of one start."""

    def __init__(self) -> None:
        self.exchanges: deque[_Exchange] = deque(maxlen=_EXCHANGES)
        self.arrivals: deque[float] = deque(maxlen=_ARRIVALS)  # monotonic time come less uptime: not before the start
        self.ahead_s = 0.0  # the wall clock of the monotonic one, when the newest came
        self.fell_s = 0.0  # monotonic time when the least of them last fell
        self.dated_s: float | None = None  # wall time of the start that older records were dated by

    def wall_s(self) -> float:
        """The start by arrivals."""
        return min(self.arrivals) + self.ahead_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchanged:
    """What one exchange told besides the time."""

    again: bool  # another start under a number that was used before
    start: StartTime | None  # to bring what is stored already into line


class BoardClock:
    """The time mapping of one box over its last few starts."""

    def __init__(self, box: str) -> None:
        self._box = box
        self._starts: dict[int, _Start] = {}

    def exchange(
        self, boot: int, uptime_ms: int, *, received_wall_s: float, received_monotonic_s: float, round_trip_s: float
    ) -> Exchanged:
        """Takes in one round trip, timed by the monotonic clock.

        Args:
            boot, uptime_ms: from the board's answer.
            received_wall_s, received_monotonic_s: the host's clocks when the answer came.
            round_trip_s: monotonic seconds between question and answer.
        """
        uptime_s = uptime_ms / 1000
        new = _Exchange(
            uptime_s=uptime_s,
            start_wall_s=received_wall_s - round_trip_s / 2 - uptime_s,
            start_monotonic_s=received_monotonic_s - round_trip_s / 2 - uptime_s,
            half_width_s=round_trip_s / 2 + RESOLUTION_S,
        )
        last = self._last(boot)
        again = last is not None and new.start_monotonic_s - last.start_monotonic_s > new.tolerance_s(last) + AGAIN_S
        if again:
            del self._starts[boot]
        moved = last is None or again or abs(new.start_wall_s - last.start_wall_s) > new.tolerance_s(last) + SET_S
        if moved:
            self._start(boot).exchanges.clear()
        self._start(boot).exchanges.append(new)
        start = StartTime(
            box=self._box, boot=boot, wall_s=new.start_wall_s, uncertainty_s=new.half_width_s, source="exchange"
        )
        return Exchanged(again=again, start=start if moved else None)

    def heard(
        self, boot: int, uptime_ms: int, *, received_wall_s: float, received_monotonic_s: float
    ) -> StartTime | None:
        """Takes in a message that came by itself: it was sent no later than it came.

        Returns:
            The start as it is known now, where what was dated before must be dated anew.
        """
        if uptime_ms / 1000 > MOST_UPTIME_S:
            return None
        start, came_s = self._start(boot), received_monotonic_s - uptime_ms / 1000
        if came_s < min(start.arrivals, default=float("inf")) - _FALL_S:
            start.fell_s = received_monotonic_s
        start.arrivals.append(came_s)
        before_s, start.ahead_s = start.ahead_s, received_wall_s - received_monotonic_s
        now_s = start.wall_s()
        if start.dated_s is None:
            start.dated_s = now_s
        if start.exchanges or abs(now_s - start.dated_s) <= ARRIVAL_UNCERTAINTY_S:
            return None
        if abs(start.ahead_s - before_s) <= SET_S and received_monotonic_s - start.fell_s < SETTLED_S:
            return None
        start.dated_s = now_s
        return StartTime(box=self._box, boot=boot, wall_s=now_s, uncertainty_s=ARRIVAL_UNCERTAINTY_S, source="arrival")

    def wall(self, boot: int, uptime_ms: int) -> WallTime | None:
        """The wall time of `uptime_ms` in start `boot`; None while nothing is known of that start."""
        start, uptime_s = self._starts.get(boot), uptime_ms / 1000
        if start is None or uptime_s > MOST_UPTIME_S:
            return None
        if start.exchanges:
            best = min(start.exchanges, key=lambda exchange: exchange.uncertainty_s(uptime_s))
            return WallTime(
                wall_s=best.start_wall_s + uptime_s, uncertainty_s=best.uncertainty_s(uptime_s), source="exchange"
            )
        return WallTime(wall_s=start.wall_s() + uptime_s, uncertainty_s=ARRIVAL_UNCERTAINTY_S, source="arrival")

    def _last(self, boot: int) -> _Exchange | None:
        start = self._starts.get(boot)
        return start.exchanges[-1] if start and start.exchanges else None

    def _start(self, boot: int) -> _Start:
        if boot not in self._starts:
            while len(self._starts) >= _STARTS:
                del self._starts[next(iter(self._starts))]
            self._starts[boot] = _Start()
        return self._starts[boot]

"""The turn-back time as it is shown: rounded to the safe side, held so that it does not swing, and counted down. Pure.

Times are seconds of a clock that never steps back; wall times are only shown.
"""

from dataclasses import dataclass

from groundbox.advice import limits
from groundbox.advice.rules_battery import Finding
from groundbox.advice.state import BoxState
from groundbox.advice.words import age, clock, needed, span


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldTime:
    """The turn-back time of one box as it is shown.

    Attributes:
        at_s: wall time, rounded.
        stale: it rests on data that are no longer fresh.
        moved: "3 min earlier than at 12:30" while a move is recent, else "".
    """

    at_s: float
    stale: bool
    moved: str


class TurnBackHold:
    """Holds one box's turn-back time: earlier at once, later only after it was later for two minutes."""

    def __init__(self) -> None:
        self._due_s: float | None = None  # as shown, on the clock that never steps back
        self._offset_s = 0.0
        self._exact_s = self._exact_when_set_s = 0.0  # not rounded: now, and when the shown time was set
        self._later_since_s: float | None = None
        self._later_s = 0.0  # the earliest of the later times seen since
        self._shown_since = (0.0, 0.0)  # (monotonic, wall) since when it is shown so
        self._moved: tuple[float, str] | None = None
        self._moved_from = (0.0, 0.0)  # the time shown before a recent move, and the wall time since when it was
        self._stale = False

    def clear(self) -> None:
        """The aircraft is on the ground: nothing is held."""
        self.__init__()  # type: ignore[misc]

    def restore(self, at_s: float, now_s: float, wall_s: float) -> None:
        """Takes over a time that an earlier program showed; it counts as stale until an estimate confirms it."""
        self._set(at_s - wall_s + now_s, now_s, wall_s)
        self._stale = True

    def update(self, now_s: float, wall_s: float, left_s: float | None) -> HeldTime | None:
        """The time to show at `now_s`.

        Args:
            left_s: seconds until the turn-back time by the newest estimate, not rounded; None: not known, the last time
                stays and counts as stale.
        """
        if self._due_s is not None and abs(wall_s - now_s - self._offset_s) > 1.0:
            self._round_again(now_s, wall_s)
        if left_s is not None:
            self._exact_s = now_s + left_s
            back_s = now_s - wall_s
            surely_s = rounded(wall_s, left_s - limits.LATER_BY_S) + back_s
            self._take(rounded(wall_s, left_s) + back_s, surely_s, now_s, wall_s)
        self._stale = left_s is None
        if self._due_s is None:
            return None
        moved = self._moved[1] if self._moved and now_s - self._moved[0] <= limits.MOVED_SHOWN_S else ""
        return HeldTime(at_s=round(self._due_s + self._offset_s), stale=self._stale, moved=moved)

    def _take(self, due_s: float, surely_s: float, now_s: float, wall_s: float) -> None:
        if self._due_s is None or due_s < self._due_s - 0.5:
            self._move(due_s, now_s, wall_s)
        elif surely_s < self._due_s + 0.5:
            self._later_since_s = None
        elif self._later_since_s is None:
            self._later_since_s, self._later_s = now_s, due_s
        else:
            self._later_s = min(self._later_s, due_s)
            if now_s - self._later_since_s >= limits.LATER_AFTER_S:
                self._move(self._later_s, now_s, wall_s)

    def _move(self, due_s: float, now_s: float, wall_s: float) -> None:
        if self._due_s is not None and abs(self._exact_s - self._exact_when_set_s) >= 60.0:  # else only a finer step
            recent = self._moved is not None and now_s - self._moved[0] <= limits.MOVED_SHOWN_S
            from_s, from_wall_s = self._moved_from if recent else (self._due_s, self._shown_since[1])
            minutes = round(abs(due_s - from_s) / 60)
            way = "earlier" if due_s < from_s else "later"
            if minutes:
                self._moved = (now_s, f"{minutes} min {way} than at {clock(from_wall_s)}")
                self._moved_from = (from_s, from_wall_s)
        self._set(due_s, now_s, wall_s)

    def _set(self, due_s: float, now_s: float, wall_s: float) -> None:
        self._due_s, self._offset_s, self._later_since_s = due_s, wall_s - now_s, None
        self._shown_since, self._exact_when_set_s = (now_s, wall_s), self._exact_s

    def _round_again(self, now_s: float, wall_s: float) -> None:
        """The wall clock was set: the same moment has another clock time."""
        assert self._due_s is not None
        self._due_s, self._offset_s = rounded(wall_s, self._due_s - now_s) - wall_s + now_s, wall_s - now_s


def rounded(wall_s: float, left_s: float) -> float:
    """Wall time `left_s` seconds after `wall_s`, rounded down: to 5 min above 30 min, else to 1 min."""
    step_s = limits.COARSE_STEP_S if left_s > limits.COARSE_ABOVE_S else limits.FINE_STEP_S
    return (wall_s + left_s) // step_s * step_s


def passed(state: BoxState, raised: bool) -> Finding:
    """The turn-back time is now or was, and nobody is on the way home yet.

    A runtime that falls at once puts that time before the launch: then the runtime is the fact, not the clock time.
    """
    if not state.in_flight or state.returning:
        return False
    if state.turn_back_in_s is None:
        return None
    if state.turn_back_in_s > 0:
        return False
    needs_s = None if state.time_home_s is None else state.time_home_s + state.reserve_s
    short = state.runtime_low_s is not None and needs_s is not None and state.runtime_low_s < needs_s
    if short and state.turn_back_in_s < -limits.PASSED_LONG_S:
        return (
            f"runtime {span(state.runtime_low_s or 0.0)}, the way home with its reserve needs {needed(needs_s or 0.0)}"
        )
    return f"turn-back time {clock(state.wall_s + state.turn_back_in_s)} passed {age(-state.turn_back_in_s)} ago"


class Countdown:
    """Gives each spoken step once as the turn-back time comes: 10, 5 and 2 minutes before."""

    def __init__(self) -> None:
        self._given_s = float("inf")  # the smallest step given since the launch

    def due_s(self, left_s: float | None, counting: bool) -> float | None:
        """The step to speak now, seconds before the turn-back time; None for nothing.

        Args:
            left_s: seconds until the earliest turn-back time; None: not known.
            counting: in flight, and nobody is on the way home yet.
        """
        if not counting:
            self._given_s = float("inf")
            return None
        if left_s is None or left_s <= 0:
            return None
        if left_s > limits.COUNTDOWN_S[0] + limits.CLEAR_MARGIN_S:
            self._given_s = float("inf")
        reached = [step for step in limits.COUNTDOWN_S if left_s <= step]
        if not reached or reached[-1] >= self._given_s:
            return None
        self._given_s = reached[-1]
        return self._given_s

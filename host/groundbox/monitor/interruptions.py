"""Interruptions of one box: restarts of its board, and what looks like a swap or charge that nobody marked. Pure."""

from collections import deque
from dataclasses import dataclass
from statistics import median

from groundbox.advice.words import age
from groundbox.model import Event, Reading
from groundbox.wire.messages import RESET_CAUSES

GAP_S = 60.0
SETTLED = 10  # readings looked at before and after a gap
SAME_AMPS = 0.4
JUMP_VOLTS = 0.4  # more than recovery at about the same load brings back
JUMP_VOLTS_BLIND = 0.7  # the same where no current is measured
CHARGING_S = 60.0
ASKED_S = 1800.0
KNOWN_BEFORE_S = 600.0  # a board heard less long ago than this has restarted if it starts again

_Row = tuple[float, float | None]


class Unmarked:
    """Follows one box; all times are the estimator's (forward only).

    Attributes:
        question: what to ask a person, or None; a mark ends it.
        in_doubt: the question is whether another battery is in, or the same one was charged.
    """

    def __init__(self) -> None:
        self.question: str | None = None
        self.in_doubt = False
        self._asked_s = 0.0
        self._recent: deque[_Row] = deque(maxlen=SETTLED)
        self._before: list[_Row] | None = None
        self._gap_s = 0.0
        self._last_s: float | None = None
        self._charging_since_s: float | None = None
        self._charge_known = False

    def marked(self, kind: str) -> None:
        """A person marked `kind`: nothing to ask any more."""
        if kind in ("charge", "swap"):
            self.question, self._before = None, None
            self._charge_known = True
        if kind == "swap":
            self._recent.clear()
        if kind == "launch" and self._charging_since_s is None:  # the charge that was marked did not begin
            self._charge_known = False

    def take(self, t_s: float, reading: Reading) -> None:
        """Takes one reading at `t_s`."""
        if self.question and t_s - self._asked_s > ASKED_S:
            self.question = None
        self._watch_charge(t_s, reading.charging)
        if reading.battery_volts is None:
            return
        if self._last_s is not None and t_s - self._last_s > GAP_S and len(self._recent) == SETTLED:
            self._before, self._gap_s = list(self._recent), t_s - self._last_s
            self._recent.clear()
        self._last_s = t_s
        self._recent.append((reading.battery_volts, reading.battery_amps))
        if self._before and len(self._recent) == SETTLED:
            self._compare(t_s, self._before, list(self._recent))
            self._before = None

    def _watch_charge(self, t_s: float, charging: str | None) -> None:
        if charging == "no":
            if self._charging_since_s is not None:  # it has ended, and so has its mark
                self._charging_since_s, self._charge_known = None, False
        elif charging is not None:
            if self._charging_since_s is None:
                self._charging_since_s = t_s
            if not self._charge_known and t_s - self._charging_since_s >= CHARGING_S:
                self._charge_known = True
                self._ask(t_s, "charging, and no charge is marked", in_doubt=False)

    def _compare(self, t_s: float, before: list[_Row], after: list[_Row]) -> None:
        volts_before, volts_after = median(v for v, _ in before), median(v for v, _ in after)
        amps = [[a for _, a in rows if a is not None] for rows in (before, after)]
        limit_volts = JUMP_VOLTS_BLIND
        if all(amps):
            if abs(median(amps[0]) - median(amps[1])) > SAME_AMPS:
                return
            limit_volts = JUMP_VOLTS
        if abs(volts_after - volts_before) > limit_volts:
            words = f"{volts_before:.1f} V before a gap of {age(self._gap_s)}, {volts_after:.1f} V after it"
            self._ask(t_s, f"{words}, swapped or charged", in_doubt=True)

    def _ask(self, t_s: float, question: str, *, in_doubt: bool) -> None:
        self.question, self.in_doubt, self._asked_s = question, in_doubt, t_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Restart:
    """A restart at `at_s` of the steady clock; `cause` is one of RESET_CAUSES, else "other"."""

    at_s: float
    cause: str


class Restarts:
    """Notices restarts of one board that no person intended.

    Attributes:
        newest: the newest of them; None before the first.
        swapped_s: when a person marked a swap, by the steady clock: a start near it is intended.
    """

    def __init__(self) -> None:
        self.newest: Restart | None = None
        self.swapped_s = float("-inf")
        self._earlier: Reading | None = None

    def new_start(self, last: Reading) -> None:
        """The first reading of a new start arrived; `last` is the last one of the start before."""
        self._earlier = last

    def take(self, event: Event, newest: Reading | None, now_s: float, wall_s: float) -> None:
        """Takes the event of a start; `newest` is the newest reading of the box."""
        cause = RESET_CAUSES[event.value] if event.value is not None and event.value < len(RESET_CAUSES) else "other"
        at_wall_s = event.wall_s if event.wall_s is not None else wall_s
        at_s = now_s - max(wall_s - at_wall_s, 0.0)
        before_s = self._last_before(event.boot, newest)
        was_heard = before_s is not None and 0 <= at_wall_s - before_s < KNOWN_BEFORE_S
        intended = cause == "maintenance" or abs(at_s - self.swapped_s) < KNOWN_BEFORE_S
        if not intended and (was_heard or cause == "watchdog"):
            self.newest = Restart(at_s=at_s, cause=cause)

    def _last_before(self, boot: int, newest: Reading | None) -> float | None:
        """Wall time of the last reading of an earlier start than `boot`."""
        if newest is not None and newest.boot < boot:
            return newest.wall_s
        return self._earlier.wall_s if self._earlier is not None and self._earlier.boot < boot else None

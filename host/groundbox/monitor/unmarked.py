"""Notices what looks like a swap or charge that nobody marked, and asks. Pure."""

from collections import deque
from statistics import median

from groundbox.advice.words import age
from groundbox.model import Reading

GAP_S = 60.0
SETTLED = 10  # readings looked at before and after a gap
SAME_AMPS = 0.4
JUMP_VOLTS = 0.4  # more than recovery at about the same load brings back
JUMP_VOLTS_BLIND = 0.7  # the same where no current is measured
CHARGING_S = 60.0
ASKED_S = 1800.0

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
        if kind == "launch" and self._charging_since_s is None:  # what was marked before did not come
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
        most = JUMP_VOLTS_BLIND
        if all(amps):
            if abs(median(amps[0]) - median(amps[1])) > SAME_AMPS:
                return
            most = JUMP_VOLTS
        if abs(volts_after - volts_before) > most:
            words = f"{volts_before:.1f} V before a gap of {age(self._gap_s)}, {volts_after:.1f} V after it"
            self._ask(t_s, f"{words}, swapped or charged", in_doubt=True)

    def _ask(self, t_s: float, question: str, *, in_doubt: bool) -> None:
        self.question, self.in_doubt, self._asked_s = question, in_doubt, t_s

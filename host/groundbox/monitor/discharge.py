"""Detects the end of a discharge that is deep enough for a fit. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass

MIN_DEPTH = 0.4  # of rated capacity, as for `groundbox battery fit`
LOAD_RATE = 0.004  # units of C20 per hour: less is rest, under its negative is charging
BOARD_AMPS = 0.08  # the board's own current is rest too, however small the battery
REST_S = 1800.0  # a longer rest or silence ends a discharge


@dataclass(frozen=True, slots=True, kw_only=True)
class Discharge:
    """A discharge that ended: wall times of its first and last loaded reading, and the charge drawn."""

    from_wall_s: float
    to_wall_s: float
    amp_hours: float


class Discharging:
    """Follows one battery of `c20_ah`; `saved` is the state of an earlier program."""

    def __init__(self, c20_ah: float, saved: Mapping[str, float | None] | None = None) -> None:
        self._c20_ah, self._load_amps = c20_ah, max(LOAD_RATE * c20_ah, BOARD_AMPS)
        kept = saved or {}
        self._from_s, self._to_s = kept.get("from_s"), kept.get("to_s")
        self._amp_hours = kept.get("amp_hours") or 0.0
        self._loaded_s = kept.get("loaded_s")  # time of the last loaded reading, on the estimator's clock
        self._last_s = kept.get("last_s")

    def take(self, t_s: float, wall_s: float | None, amps: float | None) -> Discharge | None:
        """Takes one reading, at `t_s` of a monotonic clock; returns a discharge that has ended."""
        before_s, ended = self._last_s, None
        if amps is None or (before_s is not None and t_s <= before_s):
            return None
        self._last_s = t_s
        if amps < -LOAD_RATE * self._c20_ah or (self._loaded_s is not None and t_s - self._loaded_s > REST_S):
            ended = self.finish()
        if amps >= self._load_amps and wall_s is not None:
            if self._from_s is None:
                self._from_s = wall_s
            elif before_s is not None:
                self._amp_hours += amps * (t_s - before_s) / 3600
            self._to_s, self._loaded_s = wall_s, t_s
        return ended

    def finish(self) -> Discharge | None:
        """Ends the present discharge; returns it if it is deep enough."""
        from_s, to_s, amp_hours = self._from_s, self._to_s, self._amp_hours
        self._from_s = self._to_s = self._loaded_s = None
        self._amp_hours = 0.0
        if from_s is None or to_s is None or amp_hours < MIN_DEPTH * self._c20_ah:
            return None
        return Discharge(from_wall_s=from_s, to_wall_s=to_s, amp_hours=amp_hours)

    def state(self) -> dict[str, float | None]:
        """The state, to continue after a restart."""
        return {
            "from_s": self._from_s,
            "to_s": self._to_s,
            "amp_hours": self._amp_hours,
            "loaded_s": self._loaded_s,
            "last_s": self._last_s,
        }

"""Where the aircraft is, from marks and buttons. Pure.

A launch or landing concerns the aircraft and so every box, whichever box it was marked at. All times are of the steady
clock, which never steps back; they become wall times when they are shown.
"""

from dataclasses import dataclass, replace

from groundbox.advice.marks import FOR_AIRCRAFT
from groundbox.advice.result import FlightShown
from groundbox.plan.standing import Flown


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """Where the aircraft is since a change."""

    launched_s: float | None = None  # None on the ground
    returning: bool = False
    flown: int = 0


class Flight:
    """The present flight, if any.

    Args:
        length_s: planned seconds from launch to landing; None: not set.
        time_home_s: seconds from turn-back to landing; None: not set.

    Attributes:
        flights: launch and landing of each flight, in order; None: not landed yet.
        grounded_s: when the host last recorded that the aircraft is on the ground; None: never.
    """

    def __init__(self, length_s: float | None, time_home_s: float | None) -> None:
        self.length_s, self.time_home_s = length_s, time_home_s
        self._place = _Place()
        self._changed_s = float("-inf")
        self.grounded_s: float | None = None
        self.flights: list[tuple[float, float | None]] = []

    def note(self, kind: str, now_s: float) -> bool:
        """Takes a launch, landing or return.

        Args:
            kind: one of FOR_AIRCRAFT; anything else changes nothing.
            now_s: when it happened; older than the newest change: ignored.

        Returns:
            True when it changed something; False for an echo, or for one older than what is known.
        """
        place = self._place
        flying = place.launched_s is not None
        if kind == "launch":
            self._date_back(now_s)
        if now_s < self._changed_s or kind not in FOR_AIRCRAFT or flying == (kind == "launch"):
            return False
        if kind == "returning" and place.returning:
            return False
        self._changed_s = now_s
        if kind == "launch":
            self._place = _Place(launched_s=now_s, flown=place.flown)
            self.flights.append((now_s, None))
        elif kind == "landing":
            self._place = _Place(flown=place.flown + 1)
            self.flights[-1] = (self.flights[-1][0], now_s)
            self.grounded_s = now_s
        else:
            self._place = replace(place, returning=True)
        return True

    def _date_back(self, now_s: float) -> None:
        """A launch that is known late, after the landing before and before the launch noted: the flight began then."""
        launched_s = self._place.launched_s
        landed_s = float("-inf") if self.grounded_s is None else self.grounded_s
        if launched_s is not None and self._changed_s == launched_s and landed_s < now_s < launched_s:
            self._changed_s = now_s
            self._place = replace(self._place, launched_s=now_s)
            self.flights[-1] = (now_s, None)

    @property
    def in_flight(self) -> bool:
        """True from launch to landing."""
        return self._place.launched_s is not None

    @property
    def returning(self) -> bool:
        """True once a person marked that the pilot is on the way home."""
        return self._place.returning

    @property
    def flown(self) -> int:
        """Flights landed so far."""
        return self._place.flown

    def landing_in_s(self, now_s: float) -> float | None:
        """Seconds to the planned landing, below 0 when it is overdue; None on the ground or with no length set."""
        if self._place.launched_s is None or self.length_s is None:
            return None
        return self._place.launched_s + self.length_s - now_s

    def by_wall(self, now_s: float, wall_s: float) -> tuple[Flown, ...]:
        """Launch and landing of each flight by the wall clock, as it is set now."""
        back_s = wall_s - now_s
        return tuple((up_s + back_s, None if down_s is None else down_s + back_s) for up_s, down_s in self.flights)

    def shown(self, now_s: float, wall_s: float) -> FlightShown:
        """The flight as viewers get it."""
        landing_in_s = self.landing_in_s(now_s)
        return FlightShown(
            in_flight=self.in_flight,
            returning=self.returning,
            launched_at_s=self.by_wall(now_s, wall_s)[-1][0] if self.in_flight else None,
            landing_at_s=None if landing_in_s is None else wall_s + landing_in_s,
            length_s=self.length_s,
            flown=self.flown,
            flights=self.by_wall(now_s, wall_s),
        )

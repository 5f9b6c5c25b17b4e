"""The load to come by the day's plan, for one box at a wall time. Pure; the rules are in `groundbox.plan`."""

from dataclasses import dataclass

from groundbox.monitor.flight import Flight
from groundbox.plan.day import Day
from groundbox.plan.demand import LoadAhead, load_ahead
from groundbox.plan.standing import standing_at


@dataclass(frozen=True, slots=True, kw_only=True)
class DayLook:
    """Whether a box lasts the day's plan, by the low number; wall times. `empty_s` None: it is not known."""

    last_landing_s: float
    empty_s: float | None
    reserve_s: float

    @property
    def enough(self) -> bool | None:
        """True when its reserve is left at the last landing."""
        return None if self.empty_s is None else self.empty_s - self.reserve_s >= self.last_landing_s


def ahead(day: Day, box: str, flight: Flight, wall_s: float) -> LoadAhead | None:
    """The load of `box` from `wall_s` on; None where the day does not have it, is of another date, or has ended.

    Flights count in the day's order: those landed so far are the first ones.
    """
    standing = standing_at(day, wall_s, landed=flight.flown, launched_s=flight.launched_s)
    return None if standing is None else load_ahead(day, box, standing)

"""The load to come by the day's plan, for one box at a wall time. Pure; the rules are in `groundbox.plan`."""

from groundbox.advice.result import DayShown
from groundbox.monitor.flight import Flight
from groundbox.plan.day import Day
from groundbox.plan.demand import LoadAhead, load_ahead
from groundbox.plan.standing import standing_at


def day_shown(last_landing_s: float, empty_s: float | None, reserve_s: float) -> DayShown:
    """Whether a box lasts the day's plan: its reserve is left at the last landing, by the low runtime.

    Args:
        last_landing_s: wall time of the last planned landing.
        empty_s: wall time at which the low runtime ends under the day's plan; None: unknown.
    """
    enough = None if empty_s is None else empty_s - reserve_s >= last_landing_s
    return DayShown(last_landing_at_s=last_landing_s, empty_at_s=empty_s, enough=enough)


def ahead(day: Day, box: str, flight: Flight, wall_s: float) -> LoadAhead | None:
    """The load of `box` from `wall_s` on; None where the day does not have it, is of another date, or has ended.

    Flights count in the day's order: those landed so far are the first ones.
    """
    standing = standing_at(day, wall_s, landed=flight.flown, launched_s=flight.launched_s)
    return None if standing is None else load_ahead(day, box, standing)

"""The day's standing: flights done, in the air and next, for page, terminal and monitor alike."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from datetime import datetime

from msgspec.structs import replace as struct_replace

from groundbox.plan.day import Day, PlannedFlight, since

Flown = tuple[float, float | None]  # wall times of launch and landing; None: in the air
OVERDUE_MIN = 5.0  # an overdue flight is expected to land within these minutes


@dataclass(frozen=True, slots=True, kw_only=True)
class DayStanding:
    """Flights of a day at one moment. Flights are flown in the day's order.

    minute: minutes since the day's start; negative before it.
    done: names of the flights that have landed or were given up.
    flying: name of the flight in the air; None on the ground.
    launched_min: its launch, in minutes of the day; None on the ground.
    over: the last flight can no longer be flown, by the day's longest wait, and none is in the air.
    unplanned: launches beyond the day's flights.
    """

    minute: float
    done: tuple[str, ...] = ()
    flying: str | None = None
    launched_min: float | None = None
    over: bool = False
    unplanned: int = 0

    @property
    def plan_min(self) -> float:
        """The minute from which the day is planned: now, or the day's start before it."""
        return max(0.0, self.minute)


def minute_of(day: Day, wall_s: float) -> float:
    """Minutes since the day's start at a wall time, by the local clock; negative before the start."""
    now = datetime.fromtimestamp(wall_s)
    return since(day.start_clock_min, 60 * now.hour + now.minute + now.second / 60)


def is_past(day: Day, wall_s: float) -> bool:
    """True when the day has a date and that date is before the one at `wall_s`."""
    return day.date is not None and _date_offset(day, wall_s) > 0


def since_start(day: Day, wall_s: float, flights: Iterable[Flown]) -> list[Flown]:
    """The flights that were launched since the day's start."""
    began_s = wall_s - 60 * max(0.0, minute_of(day, wall_s))
    return [flight for flight in flights if flight[0] >= began_s]


def standing_at(
    day: Day, wall_s: float, flights: Iterable[Flown] = (), given_up: Collection[str] = ()
) -> DayStanding | None:
    """The standing of `day` at a wall time; None when the day is of another date.

    Flights count in the day's order: those since its start are its first ones.

    Args:
        flights: of the session so far.
        given_up: names of flights that are not to be flown.
    """
    if day.date is not None and _date_offset(day, wall_s) != 0:
        return None
    flown, minute = since_start(day, wall_s, flights), minute_of(day, wall_s)
    landed = sum(landed_s is not None for _, landed_s in flown)
    launched_s = next((launched_s for launched_s, landed_s in flown if landed_s is None), None)
    names = [flight.name for flight in day.flights if flight.name not in given_up]
    in_air = launched_s is not None and landed < len(names)
    return DayStanding(
        minute=minute,
        done=(*names[:landed], *(flight.name for flight in day.flights if flight.name in given_up)),
        flying=names[landed] if in_air else None,
        launched_min=minute - (wall_s - launched_s) / 60 if launched_s is not None and in_air else None,
        over=launched_s is None and minute > _last_min(day),
        unplanned=max(0, landed + (launched_s is not None) - len(names)),
    )


def remaining_flights(day: Day, standing: DayStanding) -> tuple[PlannedFlight, ...]:
    """The flight in the air with the time left of it, then every flight to come; none once the day is over.

    A flight to come launches as planned, but not before now, nor before the landing and turnaround of the one before.
    An overdue flight is expected to land within `OVERDUE_MIN`.
    """
    flights, free, now_min = [], standing.plan_min, standing.plan_min
    for flight in () if standing.over else day.flights:
        if flight.name in standing.done:
            continue
        if flight.name == standing.flying and standing.launched_min is not None:
            flight = _rest_of(flight, now_min, standing.launched_min)
        else:
            launch = max(flight.launch_min, free)
            flight = replace(flight, launch_min=launch, gap_min=min(flight.gap_min, launch - now_min))
        flights.append(flight)
        free = flight.landing_min + day.turnaround_min
    return tuple(flights)


def next_flight(day: Day, standing: DayStanding) -> PlannedFlight | None:
    """The next flight to launch, with its earliest launch; None when no flight is left."""
    return next((flight for flight in remaining_flights(day, standing) if not flight.in_air), None)


def _rest_of(flight: PlannedFlight, minute: float, launched_min: float) -> PlannedFlight:
    """What is left of the flight in the air."""
    left = max(OVERDUE_MIN, launched_min + flight.flight.length_min - minute)
    rest = struct_replace(flight.flight, length_min=left, time_home_min=min(flight.flight.time_home_min, left))
    return replace(flight, flight=rest, launch_min=minute, gap_min=0.0, in_air=True)


def _last_min(day: Day) -> float:
    """The last minute at which the day's last flight may land, every launch at its longest wait."""
    return day.flights[-1].landing_min + day.longest_wait_min * len(day.flights)


def _date_offset(day: Day, wall_s: float) -> int:
    """Days from the date in the day file to the date on which the day of `wall_s` began."""
    began = datetime.fromtimestamp(wall_s - 60 * max(0.0, minute_of(day, wall_s))).date()
    return 0 if day.date is None else (began - day.date).days

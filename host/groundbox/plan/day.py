"""The day for the planner: minutes since its start, profiles read, names resolved."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import inf

from msgspec import structs

from groundbox.battery.profile import BatteryProfile
from groundbox.plan.day_keys import DayBattery, DayBox, DayCharger, DayFlight, DayLoad, DaySource, DayWeather

# Watts become amps at this voltage: a 12 V battery under load in the lower half, so the current is not understated.
LOADED_VOLTS = 11.8


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedFlight:
    """A flight with its requested launch, in minutes since the day's start, and the boxes it needs.

    in_air: it is in the air; `launch_min` is now and its length is the time left.
    """

    flight: DayFlight
    launch_min: float
    gap_min: float
    boxes: tuple[str, ...]
    in_air: bool = False

    @property
    def name(self) -> str:
        return self.flight.name

    @property
    def landing_min(self) -> float:
        return self.launch_min + self.flight.length_min


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryOfDay:
    """One battery of the day with its profile read."""

    battery: DayBattery
    profile: BatteryProfile

    @property
    def name(self) -> str:
        return self.battery.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """One session.

    start_clock_min: the local clock at minute 0, in minutes.
    file_start_min: the same as the file states it, where the day was moved; hours of weather and chargers follow it.
    off: (box, load) pairs that stay off.
    on_again: (flight, box, load) where such a load is on all the same.
    """

    name: str
    start_clock_min: float
    flights: tuple[PlannedFlight, ...]
    boxes: dict[str, DayBox]
    batteries: dict[str, BatteryOfDay]
    chargers: dict[str, DayCharger]
    sources: dict[str, DaySource]
    weather: DayWeather
    turnaround_min: float
    longest_wait_min: float
    night_c: float
    date: datetime.date | None = None
    file_start_min: float | None = None
    off: frozenset[tuple[str, str]] = field(default_factory=frozenset)
    on_again: frozenset[tuple[str, str, str]] = field(default_factory=frozenset)

    def clock(self, minute: float) -> str:
        """Minutes since the start as a clock time, rounded up to a minute."""
        return self._clock(int(-(-round(self.start_clock_min + minute, 6) // 1)))

    def clock_before(self, minute: float) -> str:
        """The same, rounded down: for the latest moment of something."""
        return self._clock(int(round(self.start_clock_min + minute, 6) // 1))

    def _clock(self, whole: int) -> str:
        days, rest = divmod(whole, 1440)
        return f"{rest // 60:02d}:{rest % 60:02d}" + (f" (+{days} d)" if days else "")

    def is_off(self, flight: str | None, box: str, load: str) -> bool:
        """True where a load stays off in a flight, or (None) while waiting."""
        return (box, load) in self.off and (flight, box, load) not in self.on_again

    def ambient_c(self, minute: float) -> float:
        """Outside air at a minute of the day, °C."""
        return self.at_hour(self.weather.ambient_c, minute)

    def sun(self, minute: float) -> float:
        """Fraction of full sun at a minute of the day."""
        return self.at_hour(self.weather.sun, minute)

    def at_hour(self, values: dict[str, float], minute: float) -> float:
        """Values by hour of the day file's clock, at a minute of the day."""
        return by_hour(values, self._file_start() + minute)

    def minute_at(self, clock_min: float) -> float:
        """Minutes of the day at a clock time of the day file."""
        return since(self._file_start(), clock_min)

    def _file_start(self) -> float:
        return self.start_clock_min if self.file_start_min is None else self.file_start_min

    def battery_c(self, minute: float) -> float:
        """Battery temperature, °C: outside air and what the case adds."""
        return self.ambient_c(minute) + self.weather.block_above_ambient_k


def since(start_clock_min: float, clock_min: float) -> float:
    """Minutes from the start to a clock time; one more than twelve hours back is taken as the next day."""
    minutes = clock_min - start_clock_min
    return minutes + 1440 if minutes < -720 else minutes


def open_minutes(day: Day, charger: DayCharger) -> tuple[float, float]:
    """(from, until) in minutes of the day that a charger and its source can be used."""
    source = day.sources.get(charger.source or "")
    begin, end = 0.0, inf
    for entry_from, entry_until in (
        (charger.open_from, charger.open_until),
        (source.on_from, source.on_until) if source else (None, None),
    ):
        if entry_from is not None:
            begin = max(begin, day.minute_at(entry_from.hour * 60 + entry_from.minute))
        if entry_until is not None:
            end = min(end, day.minute_at(entry_until.hour * 60 + entry_until.minute))
    return begin, end


def as_measured(day: Day, flight_amps: Mapping[str, float]) -> Day:
    """The day with the measured current of each box, amperes, in the flights that do not name its loads."""

    def measured(planned: PlannedFlight) -> PlannedFlight:
        entry = planned.flight
        amps = {box: one for box, one in flight_amps.items() if box not in entry.loads}
        return replace(planned, flight=structs.replace(entry, amps={**entry.amps, **amps}))

    return replace(day, flights=tuple(measured(planned) for planned in day.flights))


def by_hour(values: dict[str, float], clock_min: float) -> float:
    """Straight-line interpolation between hours of the clock; the nearest value outside them."""
    points = sorted((float(hour) * 60, value) for hour, value in values.items())
    if clock_min <= points[0][0]:
        return points[0][1]
    for (x0, y0), (x1, y1) in zip(points, points[1:], strict=False):
        if clock_min <= x1:
            return y0 + (y1 - y0) * (clock_min - x0) / (x1 - x0)
    return points[-1][1]


def mean_amps(load: DayLoad) -> float:
    """Mean current of a load over the time its box is on, amperes."""
    return load.mean_amps(LOADED_VOLTS) * load.fraction


def peak_amps(load: DayLoad) -> float:
    """Peak current of a load, amperes."""
    return load.largest_amps(LOADED_VOLTS)

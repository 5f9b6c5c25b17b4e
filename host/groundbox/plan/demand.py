"""What a box draws: in a flight, while it waits, and from now until a landing; its case's heat and its limits."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import inf

from groundbox.battery.limits import RuntimeLimits
from groundbox.battery.values import Phase
from groundbox.plan.day import LOADED_VOLTS, Day, PlannedFlight, mean_amps, peak_amps
from groundbox.plan.day_keys import DayBox, DayLoad
from groundbox.plan.standing import DayStanding, remaining_flights
from groundbox.thermal.model import CaseModel, Drive, steady

FANS_HOLD_K = 2.0  # the thermostat keeps the case about this much under where its fans start


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """One box in one flight. Amps at the battery; `case_c` settled."""

    flight_amps: float
    flight_peak_amps: float
    waiting_amps: float
    limits: RuntimeLimits
    case_c: float
    fan_amps: float


def case_model(box: DayBox) -> CaseModel:
    """The heat model of the case, with the numbers of the day file."""
    case = box.case
    return CaseModel(
        air_wall_w_per_k=case.air_wall_w_per_k,
        wall_outside_w_per_k=case.wall_outside_w_per_k,
        fan_one_w_per_k=case.fan_one_w_per_k,
        fan_two_w_per_k=case.fan_two_w_per_k,
        sun_watts=case.sun_watts,
    )


def _settled(box: DayBox, watts: float, ambient_c: float, sun: float, fraction: float) -> float:
    return steady(case_model(box), Drive(watts=watts, outside_c=ambient_c, fans=2 * fraction, sun=sun)).air_c


def case_and_fans(box: DayBox, watts: float, ambient_c: float, sun: float) -> tuple[float, float]:
    """(settled case temperature, fraction of the time the fans run) under the thermostat."""
    if not any(load.with_fans for load in box.load):
        return _settled(box, watts, ambient_c, sun, 0.0), 0.0
    if _settled(box, watts, ambient_c, sun, 0.0) <= box.case.fans_on_c:
        return _settled(box, watts, ambient_c, sun, 0.0), 0.0
    wanted = box.case.fans_on_c - FANS_HOLD_K
    if _settled(box, watts, ambient_c, sun, 1.0) >= wanted:
        return _settled(box, watts, ambient_c, sun, 1.0), 1.0
    low, high = 0.0, 1.0
    for _ in range(20):
        middle = (low + high) / 2
        low, high = (low, middle) if _settled(box, watts, ambient_c, sun, middle) < wanted else (middle, high)
    return wanted, high


def running(day: Day, box: DayBox, planned: PlannedFlight | None) -> list[DayLoad]:
    """Loads that are on: in a flight those it names (else all), between flights those that stay on; fans apart."""
    names = planned.flight.loads.get(box.name) if planned is not None else None
    return [
        load
        for load in box.load
        if not load.with_fans
        and not day.is_off(planned.name if planned is not None else None, box.name, load.name)
        and (load.between_flights if planned is None else names is None or load.name in names)
    ]


def demand(day: Day, box: DayBox, planned: PlannedFlight, minute: float) -> Demand:
    """Currents, limits and heat of `box` in a flight that starts at `minute`.

    Several loads' peaks are not added up: the largest step over the mean counts.
    """
    ambient, sun = day.ambient_c(minute), day.sun(minute)
    on, waiting = running(day, box, planned), running(day, box, None)
    mean, wait = sum(map(mean_amps, on)), sum(map(mean_amps, waiting))
    case_c, fraction = case_and_fans(box, mean * LOADED_VOLTS, ambient, sun)
    fan_mean = sum(mean_amps(load) for load in box.load if load.with_fans and (box.name, load.name) not in day.off)
    fan_wait = sum(mean_amps(load) for load in box.load if load.with_fans and load.between_flights)
    wait_fraction = case_and_fans(box, wait * LOADED_VOLTS, ambient, sun)[1] if fan_wait else 0.0
    flight_amps = planned.flight.amps.get(box.name, mean + fan_mean * fraction)
    step = max((peak_amps(load) - mean_amps(load) for load in on), default=0.0)
    cutoff = max([box.cutoff_volts, *(load.lowest_volts or 0.0 for load in on if not load.sheddable)])
    return Demand(
        flight_amps=flight_amps,
        flight_peak_amps=flight_amps + max(0.0, step),
        waiting_amps=wait + min(fan_mean, fan_wait) * wait_fraction,
        limits=RuntimeLimits(cutoff_volts=cutoff, lead_ohm=box.lead_ohm),
        case_c=case_c,
        fan_amps=fan_mean * fraction,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadAhead:
    """The load of one box from now on, by the day's plan.

    next_flight: the load of the next flight, without end; None in flight, where the present load is measured.
    as_now_s: the present load stays for so many seconds.
    phases: all that follows until the last landing, then the waiting load without end.
    landings: for each remaining flight in order, how many of `phases` end with its landing; 0 for the flight in the
        air, which lands at the end of `as_now_s` (or of the phase that an overdue flight has in `phases`).
    until_last_landing_s: seconds from now to the last landing.
    """

    next_flight: Phase | None
    as_now_s: float
    phases: tuple[Phase, ...]
    landings: tuple[int, ...]
    until_last_landing_s: float

    def all_phases(self, now: Phase) -> list[Phase]:
        """The rest of the day, `now` being the present load."""
        return [replace(now, seconds=self.as_now_s), *self.phases] if self.as_now_s > 0 else list(self.phases)


def load_ahead(day: Day, box: str, standing: DayStanding) -> LoadAhead | None:
    """The load of `box` from now on; None where the plan does not have the box, or no flight is left."""
    entry, left = day.boxes.get(box), remaining_flights(day, standing)
    if entry is None or not left:
        return None
    minute, as_now_min, first = standing.minute, 0.0, None
    phases, landings = list[Phase](), list[int]()
    at_min = minute
    for number, planned in enumerate(left):
        needed = demand(day, entry, planned, planned.launch_min)
        in_flight = _phase_in(needed, planned, box)
        if planned.in_air:
            assert standing.launched_min is not None
            length_min = planned_length(day, planned.name)
            as_now_min = max(0.0, standing.launched_min + length_min - minute)
            if as_now_min < planned.flight.length_min:  # overdue: it flies on
                phases.append(replace(in_flight, seconds=60 * (planned.flight.length_min - as_now_min)))
        else:
            if number == 0:
                as_now_min, first = planned.launch_min - minute, replace(in_flight, seconds=inf)
            else:
                phases.append(Phase(seconds=60 * (planned.launch_min - at_min), amps=needed.waiting_amps))
            phases.append(in_flight)
        phases = [phase for phase in phases if phase.seconds > 0]
        landings.append(len(phases))
        at_min = planned.landing_min
    waiting = demand(day, entry, left[-1], at_min).waiting_amps
    return LoadAhead(
        next_flight=first,
        as_now_s=60 * as_now_min,
        phases=(*phases, Phase(seconds=inf, amps=waiting)),
        landings=tuple(landings),
        until_last_landing_s=60 * (at_min - minute),
    )


def phases_until(ahead: LoadAhead, flights: int, now: Phase) -> list[Phase]:
    """The load from now through the landing of the n-th remaining flight, the gaps with the box on included.

    Args:
        ahead: of one box, from `load_ahead`.
        flights: how many of the remaining flights, 1 or more; the flight in the air counts as the first.
        now: the present load of the box; its seconds are set here.

    Raises:
        IndexError: the day has fewer flights left.
    """
    count = ahead.landings[flights - 1]
    before = [replace(now, seconds=ahead.as_now_s)] if ahead.as_now_s > 0 else []
    return [*before, *ahead.phases[:count]]


def flights_left(
    ahead: LoadAhead, now: Phase, runtime_low_s: Callable[[Sequence[Phase]], float | None], reserve_s: float
) -> int | None:
    """How many remaining flights in a row land with the reserve on the low number; None where that is unknown.

    The reserve is runtime at the load of the flight, as everywhere in the plan: `runtime_low_s` gets the last
    flight's load without end.

    Args:
        ahead: of one box, from `load_ahead`.
        now: the present load of the box.
        runtime_low_s: low runtime in seconds of given phases, the last of them without end; None while unknown.
        reserve_s: runtime that must remain at landing, seconds.
    """
    for flights in range(1, len(ahead.landings) + 1):
        phases = phases_until(ahead, flights, now)
        landing_s = sum(phase.seconds for phase in phases)
        low_s = runtime_low_s([*phases[:-1], replace(phases[-1], seconds=inf)])
        if low_s is None:
            return None
        if low_s < landing_s + reserve_s:
            return flights - 1
    return len(ahead.landings)


def planned_length(day: Day, flight: str) -> float:
    """Minutes from launch to landing as the day file states them."""
    return next(planned.flight.length_min for planned in day.flights if planned.name == flight)


def _phase_in(needed: Demand, planned: PlannedFlight, box: str) -> Phase:
    """The load of `box` in a flight; a box that the flight does not need waits."""
    seconds = 60 * planned.flight.length_min
    if box not in planned.boxes:
        return Phase(seconds=seconds, amps=needed.waiting_amps)
    return Phase(seconds=seconds, amps=needed.flight_amps, peak_amps=needed.flight_peak_amps)

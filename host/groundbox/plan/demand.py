"""What a box draws in a flight and while it waits, how warm its case gets, and which voltage ends it."""

from dataclasses import dataclass

from groundbox.battery.limits import RuntimeLimits
from groundbox.plan.day import LOADED_VOLTS, Day, PlannedFlight, mean_amps, peak_amps
from groundbox.plan.day_keys import DayBox, DayLoad
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
    """The case's heat as the day file tells it."""
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
    """(settled case temperature, share of the time the fans run) under the thermostat."""
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

"""Which charger may charge which battery when, at how many amperes, with what gain; limits of the sources."""

from collections.abc import Mapping
from math import inf

from groundbox.plan import charge_model
from groundbox.plan.battery_pool import CELSIUS_STEP, BatteryPool, battery_key, charged_battery
from groundbox.plan.charge_model import charger_of
from groundbox.plan.day import Day, open_minutes
from groundbox.plan.day_keys import DayCharger, DaySource
from groundbox.plan.demand import demand, running
from groundbox.plan.schedule.problem import Budget, Points, concave

CHARGE_VOLTS = 14.2  # mean of a charge, for what a source must give
GAIN_AT = (0.0, 0.5, 0.6, 0.7, 0.8, 0.87, 0.93, 0.97, 1.0)  # fractions of capacity at which a charge curve is read


def _running_amps(day: Day, battery: str, entry: DayCharger) -> float:
    """The maximum running load in amperes of a battery during its charge."""
    boxes = [day.boxes[name] for name in day.batteries[battery].battery.boxes]
    loads = [demand(day, box, day.flights[0], 0.0) for box in boxes]
    return max((max(load.waiting_amps, load.flight_amps if entry.in_flight else 0.0) for load in loads), default=0.0)


def _refusals(
    day: Day, pool: BatteryPool, battery: str, charger: str, minute: float
) -> tuple[float | None, tuple[str, ...]]:
    """(amps to set, sentences why not) of a charger for a battery at a minute."""
    charged, entry = charged_battery(day, pool, battery, minute), day.chargers[charger]
    boxes = [day.boxes[name] for name in day.batteries[battery].battery.boxes]
    if entry.boxes and not {box.name for box in boxes} & set(entry.boxes):
        return None, ("the charger does not reach this battery",)
    given = _source_amps(day, day.sources.get(entry.source or ""), minute)
    steps = tuple(step for step in entry.settable_amps or [entry.amps] if step <= given + 1e-9)
    if not steps and not _by_the_hour(day, entry):
        return None, (f"its source gives {given:.1f} A at most, less than the charger needs",)
    amps = charge_model.chosen_amps(charged, entry.amps, steps or tuple(entry.settable_amps))
    states = [None, *day.flights] if entry.in_flight else [None]
    on = [load for box in boxes for state in states for load in running(day, box, state)]
    maximum_volts = {load.name: load.highest_volts for load in on if load.highest_volts}
    rest_volts = day.batteries[battery].battery.rest_volts
    sentences = charge_model.refusals(
        charged,
        charger_of(entry, amps or min([entry.amps, *entry.settable_amps])),
        rest_volts=rest_volts,
        load_volts=maximum_volts,
    )
    return (None if sentences or amps is None else min(amps, given)), sentences


def _by_the_hour(day: Day, entry: DayCharger) -> bool:
    """True on a source with its own charge controller, as a solar source has."""
    source = day.sources.get(entry.source or "")
    return source is not None and bool(source.amps_by_hour)


def _curve(
    day: Day, pool: BatteryPool, battery: str, entry: DayCharger, amps: float, minutes: float, at_min: float
) -> Points:
    """Charge gained in a slot, by charge at its start; with the running load where that hides the taper."""
    charged = charged_battery(day, pool, battery, at_min)
    cold = charged.battery_c // CELSIUS_STEP * CELSIUS_STEP
    key = (*battery_key(day, pool, battery), entry.name, amps, round(minutes, 3), cold)
    if key not in pool.curves:
        charged = charge_model.ChargedBattery(
            c20_ah=charged.c20_ah, health=charged.health, cells=charged.cells, max_amps=charged.max_amps, battery_c=cold
        )
        charger = charger_of(entry, amps)
        if charge_model.stays_at_float(charger, _running_amps(day, battery, entry)):
            charger = charge_model.ChargerModel(
                amps=amps, absorption_volts=charger.float_volts, mv_per_k=charger.mv_per_k
            )
        points = []
        for fraction in GAIN_AT:
            missing = (1 - fraction) * charged.capacity_ah
            left = charge_model.charge(charged, charger, missing, minutes / 60).missing_ah
            points.append((fraction * charged.capacity_ah, max(0.0, missing - left)))
        pool.curves[key] = concave(tuple(points))
    return pool.curves[key]


def _source_amps(day: Day, source: DaySource | None, minute: float) -> float:
    """Charging current in amperes that a source gives a charger at a minute."""
    if source is None:
        return inf
    amps = day.at_hour(source.amps_by_hour, minute) if source.amps_by_hour else source.amps
    return min(amps, source.amps) * source.volts * source.charger_efficiency / CHARGE_VOLTS


def gains(
    day: Day, pool: BatteryPool, names: tuple[str, ...], bounds: tuple[float, ...]
) -> tuple[
    dict[tuple[int, int, int], Points], dict[tuple[str, str, int], float], dict[tuple[str, str], tuple[str, ...]]
]:
    """(gain curves by battery, charger, slot; amperes set; refusals by battery and charger)."""
    gained: dict[tuple[int, int, int], Points] = {}
    set_to: dict[tuple[str, str, int], float] = {}
    refused: dict[tuple[str, str], tuple[str, ...]] = {}
    for c, (charger, entry) in enumerate(day.chargers.items()):
        begin, end = open_minutes(day, entry)
        for b, battery in enumerate(names):
            for slot, (low, high) in enumerate(zip(bounds, bounds[1:], strict=False)):
                if low < begin - 1e-6 or high > end + 1e-6:
                    continue
                amps, sentences = _refusals(day, pool, battery, charger, low)
                if amps is None:
                    refused[battery, charger] = sentences
                    continue
                if amps > 0:
                    set_to[battery, charger, slot] = amps
                    gained[b, c, slot] = _curve(day, pool, battery, entry, amps, high - low, low)
    return gained, set_to, refused


def budgets(day: Day, bounds: tuple[float, ...], set_to: Mapping[tuple[str, str, int], float]) -> tuple[Budget, ...]:
    """Watt-hours that a source may give in all, and amps that it gives at once."""
    found = []
    for name, source in day.sources.items():
        on = [(c, charger) for c, (charger, entry) in enumerate(day.chargers.items()) if entry.source == name]
        watts = {
            c: max((amps for (_, used, _), amps in set_to.items() if used == charger), default=0.0)
            * CHARGE_VOLTS
            / source.charger_efficiency
            for c, charger in on
        }
        slots = list(enumerate(zip(bounds, bounds[1:], strict=False)))
        if source.spare_wh is not None:
            amounts = {(c, s): watts[c] * (high - low) / 60 for s, (low, high) in slots for c in watts}
            found.append(Budget(limit=source.spare_wh, amounts=amounts))
        if sum(watts.values()) > source.amps * source.volts:
            found += [
                Budget(limit=source.amps * source.volts, amounts={(c, s): watts[c] for c in watts}) for s, _ in slots
            ]
    return tuple(found)

"""Turns a day into the scheduler's numbers: slots, needs, charge curves, what sources give."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf

from groundbox.battery import temperature
from groundbox.battery.bank import Bank
from groundbox.battery.papers import Papers
from groundbox.battery.values import Phase
from groundbox.plan import charge, supply
from groundbox.plan.day import Day, FieldBattery, by_hour, since
from groundbox.plan.day_shape import Charger as ChargerEntry
from groundbox.plan.day_shape import Source
from groundbox.plan.demand import Demand, demand, running
from groundbox.plan.problem import Budget, Fit, Points, Problem, Start, concave

LONGEST_SLOT_MIN = 20.0
CHARGE_VOLTS = 14.2  # mean of a charge, for what a source must give
GAIN_AT = (0.0, 0.5, 0.6, 0.7, 0.8, 0.87, 0.93, 0.97, 1.0)  # shares of capacity at which a charge curve is read
AMPS_STEP, CELSIUS_STEP = 0.05, 4.0


@dataclass(slots=True)
class Yard:
    """Batteries with what is believed of them, and answers already worked out. One a day; replanning keeps it."""

    banks: dict[str, Bank]
    papers: dict[str, Papers]
    early: dict[tuple[object, ...], Points] = field(default_factory=dict)
    curves: dict[tuple[object, ...], Points] = field(default_factory=dict)


def yard_of(day: Day) -> Yard:
    """Every battery of the day as papers, health and stated charge tell it."""
    banks = {name: believed_of(battery) for name, battery in day.batteries.items()}
    return Yard(banks=banks, papers={name: battery.papers for name, battery in day.batteries.items()})


def believed_of(battery: FieldBattery) -> Bank:
    """One battery as papers, health and stated charge tell it."""
    entry = battery.battery
    return supply.believed(battery.papers, health=entry.health, soc=entry.charge, soc_sd=entry.charge_sd)


@dataclass(frozen=True, slots=True, kw_only=True)
class Timetable:
    """The scheduler's problem and what its numbers mean. `bounds_min` are the slots' edges, minutes of the day."""

    problem: Problem
    bounds_min: tuple[float, ...]
    batteries: tuple[str, ...]
    boxes: tuple[str, ...]
    chargers: tuple[str, ...]
    demands: Mapping[tuple[int, str], Demand]
    amps: Mapping[tuple[str, str, int], float]
    refused: Mapping[tuple[str, str], tuple[str, ...]]


def _bounds(day: Day, delays: tuple[float, ...], start_min: float) -> tuple[float, ...]:
    edges = {start_min}
    for planned in day.flights:
        for delay in delays:
            launch = planned.launch_min + delay
            edges |= {launch, launch + planned.flight.length_min, launch - planned.gap_min}
            edges.add(launch + planned.flight.length_min + day.turnaround_min)
    for charger in day.chargers.values():
        edges |= set(_open(day, charger))
    last = max(planned.landing_min for planned in day.flights) + max(delays)
    kept = sorted({round(edge, 3) for edge in edges if start_min <= edge <= last + 1e-6})
    filled = [kept[0]]
    for edge in kept[1:]:
        parts = max(1, int(-(-(edge - filled[-1]) // LONGEST_SLOT_MIN)))
        begin = filled[-1]
        filled += [begin + (edge - begin) * part / parts for part in range(1, parts + 1)]
    return tuple(filled)


def _open(day: Day, charger: ChargerEntry) -> tuple[float, float]:
    """(from, until) in minutes of the day that a charger and its source can be used."""
    source = day.sources.get(charger.source or "")
    begin, end = 0.0, inf
    for entry_from, entry_until in (
        (charger.open_from, charger.open_until),
        (source.on_from, source.on_until) if source else (None, None),
    ):
        if entry_from is not None:
            begin = max(begin, _since_start(day, entry_from.hour * 60 + entry_from.minute))
        if entry_until is not None:
            end = min(end, _since_start(day, entry_until.hour * 60 + entry_until.minute))
    return begin, end


def _since_start(day: Day, clock_min: float) -> float:
    return since(day.start_clock_min, clock_min)


def _starts(day: Day, bounds: tuple[float, ...], delays: tuple[float, ...]) -> tuple[tuple[Start, ...], ...]:
    place = {round(edge, 3): index for index, edge in enumerate(bounds)}

    def at(minute: float) -> int:
        """First edge not before `minute`; one past the end when there is none."""
        return place.get(round(minute, 3), next((i for i, edge in enumerate(bounds) if edge >= minute), len(bounds)))

    flights = []
    for planned in day.flights:
        ways = []
        for delay in delays:
            launch = planned.launch_min + delay
            landing = launch + planned.flight.length_min
            if launch < bounds[0] - 1e-6:
                continue
            waits = max(bounds[0], launch - planned.gap_min)
            free = at(landing + day.turnaround_min)
            ways.append(Start(first=at(launch), last=at(landing), wait_from=at(waits), free=free, late_min=delay))
        flights.append(tuple(ways))
    return tuple(flights)


def battery_key(day: Day, name: str) -> tuple[object, ...]:
    """Batteries that are equal on paper share what was worked out."""
    entry = day.batteries[name].battery
    papers = day.batteries[name].papers
    kind = (papers.c20_ah, papers.cells, papers.age_years, entry.health, entry.charge_sd, papers.max_charge_amps)
    return kind if papers.fitted is None else (*kind, name)


def phases_of(found: Demand) -> list[Phase]:
    """The flight's load, going on for ever."""
    return [Phase(seconds=inf, amps=found.flight_amps, peak_amps=found.flight_peak_amps)]


def needed_charge(day: Day, yard: Yard, battery: str, found: Demand, minutes: float, block_c: float) -> float | None:
    """Least state of charge for `minutes` on the early number; amps rounded up, temperature down: flights share it."""
    amps = -(-found.flight_amps // AMPS_STEP) * AMPS_STEP
    peak = -(-found.flight_peak_amps // AMPS_STEP) * AMPS_STEP
    cold = block_c // CELSIUS_STEP * CELSIUS_STEP
    key = (*battery_key(day, battery), amps, peak, cold, found.limits)
    if key not in yard.early:
        phases = [Phase(seconds=inf, amps=amps, peak_amps=peak)]
        yard.early[key] = supply.early_curve(yard.banks[battery], yard.papers[battery], found.limits, phases, cold)
    return supply.least_charge(yard.early[key], minutes)


def _fits(
    day: Day, yard: Yard, names: tuple[str, ...], extra: Mapping[tuple[int, str], float]
) -> tuple[dict[tuple[int, int, int], Fit], dict[tuple[int, str], Demand]]:
    fits: dict[tuple[int, int, int], Fit] = {}
    demands: dict[tuple[int, str], Demand] = {}
    boxes = tuple(day.boxes)
    for flight, planned in enumerate(day.flights):
        block_c, length = day.block_c(planned.launch_min), planned.flight.length_min
        for box in planned.boxes:
            found = demands[flight, box] = demand(day, day.boxes[box], planned, planned.launch_min)
            minutes = length + day.boxes[box].reserve_min + extra.get((flight, box), 0.0)
            for battery, name in enumerate(names):
                if box not in day.batteries[name].battery.boxes:
                    continue
                soc = needed_charge(day, yard, name, found, minutes, block_c)
                if soc is None:
                    continue
                capacity = supply.likely_capacity(yard.banks[name]) * yard.papers[name].c20_ah
                factor = temperature.load_factor(block_c)
                fits[flight, boxes.index(box), battery] = Fit(
                    need_ah=soc * capacity,
                    use_ah=found.flight_amps * length / 60 / factor,
                    wait_ah_min=found.waiting_amps / 60 / factor,
                )
    return fits, demands


def block_of(day: Day, yard: Yard, name: str, minute: float) -> charge.Block:
    """The battery as a charge sees it at a minute of the day."""
    papers = yard.papers[name]
    return charge.Block(
        c20_ah=papers.c20_ah,
        health=supply.likely_capacity(yard.banks[name]),
        cells=papers.cells,
        max_amps=papers.max_charge_amps,
        block_c=day.block_c(minute),
    )


def charger_of(entry: ChargerEntry, amps: float) -> charge.Charger:
    """The day file's charger set to `amps`."""
    return charge.Charger(
        amps=amps,
        absorption_volts=entry.absorption_volts,
        float_volts=entry.float_volts,
        ends=entry.ends,
        taper_amps=entry.taper_amps,
        timer_hours=inf if entry.timer_hours is None else entry.timer_hours,
        mv_per_k=entry.mv_per_k,
    )


def _waiting_amps(day: Day, battery: str) -> float:
    """Largest running load a battery may have on it while it charges between flights."""
    boxes = [day.boxes[name] for name in day.batteries[battery].battery.boxes]
    return max((found.waiting_amps for box in boxes for found in [demand(day, box, day.flights[0], 0.0)]), default=0.0)


def _refusals(day: Day, yard: Yard, battery: str, charger: str, minute: float) -> tuple[float | None, tuple[str, ...]]:
    """(amps to set, sentences why not) of a charger for a battery at a minute."""
    block, entry = block_of(day, yard, battery, minute), day.chargers[charger]
    boxes = [day.boxes[name] for name in day.batteries[battery].battery.boxes]
    if entry.boxes and not {box.name for box in boxes} & set(entry.boxes):
        return None, ("the charger does not reach it",)
    given = _source_amps(day, day.sources.get(entry.source or ""), minute)
    steps = tuple(step for step in entry.settable_amps or [entry.amps] if step <= given + 1e-9)
    if not steps and not _by_the_hour(day, entry):
        return None, (f"its source gives {given:.1f} A of charging at most, less than the charger takes",)
    amps = charge.chosen_amps(block, entry.amps, steps or tuple(entry.settable_amps))
    stands = {load.name: load.highest_volts for box in boxes for load in running(day, box, None) if load.highest_volts}
    rest_volts = day.batteries[battery].battery.rest_volts
    sentences = charge.refusals(
        block,
        charger_of(entry, amps or min([entry.amps, *entry.settable_amps])),
        rest_volts=rest_volts,
        load_volts=stands,
    )
    return (None if sentences or amps is None else min(amps, given)), sentences


def _by_the_hour(day: Day, entry: ChargerEntry) -> bool:
    """True on a source whose charge controller itself holds back, as a solar one does."""
    source = day.sources.get(entry.source or "")
    return source is not None and bool(source.amps_by_hour)


def _curve(
    day: Day, yard: Yard, battery: str, entry: ChargerEntry, amps: float, minutes: float, at_min: float
) -> Points:
    """Charge gained in a slot, by charge at its start; with the running load where that hides the taper."""
    block = block_of(day, yard, battery, at_min)
    cold = block.block_c // CELSIUS_STEP * CELSIUS_STEP
    key = (*battery_key(day, battery), entry.name, amps, round(minutes, 3), cold)
    if key not in yard.curves:
        block = charge.Block(
            c20_ah=block.c20_ah, health=block.health, cells=block.cells, max_amps=block.max_amps, block_c=cold
        )
        charger = charger_of(entry, amps)
        if charge.holds_back(charger, _waiting_amps(day, battery)):
            charger = charge.Charger(amps=amps, absorption_volts=charger.float_volts, mv_per_k=charger.mv_per_k)
        points = []
        for share in GAIN_AT:
            missing = (1 - share) * block.capacity_ah
            left = charge.charge(block, charger, missing, minutes / 60).missing_ah
            points.append((share * block.capacity_ah, max(0.0, missing - left)))
        yard.curves[key] = concave(tuple(points))
    return yard.curves[key]


def _source_amps(day: Day, source: Source | None, minute: float) -> float:
    """What a source gives a charger at a minute, as charging amps."""
    if source is None:
        return inf
    amps = by_hour(source.amps_by_hour, day.start_clock_min + minute) if source.amps_by_hour else source.amps
    return min(amps, source.amps) * source.volts * source.charger_efficiency / CHARGE_VOLTS


def _gains(
    day: Day, yard: Yard, names: tuple[str, ...], bounds: tuple[float, ...]
) -> tuple[
    dict[tuple[int, int, int], Points], dict[tuple[str, str, int], float], dict[tuple[str, str], tuple[str, ...]]
]:
    gains: dict[tuple[int, int, int], Points] = {}
    set_to: dict[tuple[str, str, int], float] = {}
    refused: dict[tuple[str, str], tuple[str, ...]] = {}
    for c, (charger, entry) in enumerate(day.chargers.items()):
        begin, end = _open(day, entry)
        for b, battery in enumerate(names):
            for slot, (low, high) in enumerate(zip(bounds, bounds[1:], strict=False)):
                if low < begin - 1e-6 or high > end + 1e-6:
                    continue
                amps, sentences = _refusals(day, yard, battery, charger, low)
                if amps is None:
                    refused[battery, charger] = sentences
                    continue
                if amps > 0:
                    set_to[battery, charger, slot] = amps
                    gains[b, c, slot] = _curve(day, yard, battery, entry, amps, high - low, low)
    return gains, set_to, refused


def _budgets(day: Day, bounds: tuple[float, ...], set_to: Mapping[tuple[str, str, int], float]) -> tuple[Budget, ...]:
    """Watt-hours that a source may give in all, and amps that it gives at once."""
    budgets = []
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
            budgets.append(Budget(limit=source.spare_wh, amounts=amounts))
        if sum(watts.values()) > source.amps * source.volts:
            budgets += [
                Budget(limit=source.amps * source.volts, amounts={(c, s): watts[c] for c in watts}) for s, _ in slots
            ]
    return tuple(budgets)


def timetable(
    day: Day,
    yard: Yard,
    *,
    delays: tuple[float, ...] = (0.0,),
    extra: Mapping[tuple[int, str], float] | None = None,
    start_min: float = 0.0,
) -> Timetable:
    """The day as a problem for the scheduler.

    Args:
        delays: minutes by which any launch may slip.
        extra: (flight, box) -> minutes wanted beyond the reserve.
        start_min: now, in minutes of the day; charges in the yard are those of now.
    """
    names, bounds = tuple(day.batteries), _bounds(day, delays, start_min)
    fits, demands = _fits(day, yard, names, extra or {})
    gains, set_to, refused = _gains(day, yard, names, bounds)
    capacity = [supply.likely_capacity(yard.banks[name]) * yard.papers[name].c20_ah for name in names]
    missing = [supply.likely_missing(yard.banks[name]) * yard.papers[name].c20_ah for name in names]
    boxes = tuple(day.boxes)
    problem = Problem(
        slot_min=tuple(high - low for low, high in zip(bounds, bounds[1:], strict=False)),
        flights=_starts(day, bounds, delays),
        boxes=tuple(tuple(boxes.index(box) for box in planned.boxes) for planned in day.flights),
        capacity_ah=tuple(capacity),
        start_ah=tuple(max(0.0, cap - gone) for cap, gone in zip(capacity, missing, strict=True)),
        fits=fits,
        gains=gains,
        plug_ah={
            (names.index(battery), list(day.chargers).index(charger)): amps * day.chargers[charger].plug_in_min / 60
            for (battery, charger, _), amps in set_to.items()
        },
        at_once=tuple(entry.at_once for entry in day.chargers.values()),
        budgets=_budgets(day, bounds, set_to),
    )
    return Timetable(
        problem=problem,
        bounds_min=bounds,
        batteries=names,
        boxes=boxes,
        chargers=tuple(day.chargers),
        demands=demands,
        amps=set_to,
        refused=refused,
    )

"""The scheduling problem of a day: slots of time, starts, needs of each flight; and the warm start from a plan."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf

from groundbox.battery import cell
from groundbox.battery.values import Phase
from groundbox.plan import battery_pool
from groundbox.plan.battery_pool import CELSIUS_STEP, BatteryPool, battery_key
from groundbox.plan.chargers import budgets, gains
from groundbox.plan.day import Day, open_minutes
from groundbox.plan.demand import Demand, demand
from groundbox.plan.outcome import DayOutcome
from groundbox.plan.schedule.problem import Choice, Fit, Problem, Start

LONGEST_SLOT_MIN = 20.0
AMPS_STEP = 0.05
NEAR_MIN = 0.01


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
        edges |= set(open_minutes(day, charger))
    last = max(planned.landing_min for planned in day.flights) + max(delays)
    kept = sorted({round(edge, 3) for edge in edges if start_min <= edge <= last + 1e-6})
    filled = [kept[0]]
    for edge in kept[1:]:
        parts = max(1, int(-(-(edge - filled[-1]) // LONGEST_SLOT_MIN)))
        begin = filled[-1]
        filled += [begin + (edge - begin) * part / parts for part in range(1, parts + 1)]
    return tuple(filled)


def _starts(day: Day, bounds: tuple[float, ...], delays: tuple[float, ...]) -> tuple[tuple[Start, ...], ...]:
    place = {round(edge, 3): index for index, edge in enumerate(bounds)}

    def at(minute: float) -> int:
        """First edge not before `minute`; one past the end when there is none."""
        return place.get(round(minute, 3), next((i for i, edge in enumerate(bounds) if edge >= minute), len(bounds)))

    flights = []
    for planned in day.flights:
        ways = []
        for delay in (0.0,) if planned.in_air else delays:
            launch = planned.launch_min + delay
            landing = launch + planned.flight.length_min
            if launch < bounds[0] - 1e-3:  # edges are rounded to that
                continue
            waits = max(bounds[0], launch - planned.gap_min)
            free = at(landing + day.turnaround_min)
            ways.append(Start(first=at(launch), last=at(landing), wait_from=at(waits), free=free, late_min=delay))
        flights.append(tuple(ways))
    return tuple(flights)


def phases_of(found: Demand) -> list[Phase]:
    """The load of the flight, without end."""
    return [Phase(seconds=inf, amps=found.flight_amps, peak_amps=found.flight_peak_amps)]


def low_runtime_curve(
    day: Day, pool: BatteryPool, battery: str, found: Demand, battery_c: float
) -> battery_pool.LowRuntimeCurve:
    """Low runtime by charge in a flight; amps rounded up, temperature down, so that several flights use one curve."""
    amps = -(-found.flight_amps // AMPS_STEP) * AMPS_STEP
    peak = -(-found.flight_peak_amps // AMPS_STEP) * AMPS_STEP
    cold = battery_c // CELSIUS_STEP * CELSIUS_STEP
    key = (*battery_key(day, pool, battery), amps, peak, cold, found.limits)
    if key not in pool.low:
        phases = [Phase(seconds=inf, amps=amps, peak_amps=peak)]
        pool.low[key] = battery_pool.LowRuntimeCurve(
            pool.banks[battery], pool.profiles[battery], found.limits, phases, cold
        )
    return pool.low[key]


def needed_charge(
    day: Day, pool: BatteryPool, battery: str, found: Demand, minutes: float, battery_c: float
) -> float | None:
    """Minimum state of charge for `minutes` of low runtime; None where full is too little."""
    return low_runtime_curve(day, pool, battery, found, battery_c).minimum_soc(minutes)


def _needed(
    day: Day, pool: BatteryPool, battery: str, found: Demand, minutes: float, battery_c: float
) -> tuple[float, float] | None:
    """Minimum state of charge for `minutes` of low runtime, and for a minute more; None where full is too little."""
    curve = low_runtime_curve(day, pool, battery, found, battery_c)
    soc, full_min = curve.minimum_soc(minutes), curve.minutes(1.0)
    if soc is None:
        return None
    return soc, 0.0 if full_min <= minutes else (1.0 - soc) / (full_min - minutes)


def _as_warm(amps: float, c20_ah: float, battery_c: float) -> float:
    """The current that discharges a battery at 25 °C as fast."""
    return amps / cell.load_factor(battery_c, amps / c20_ah)


def _fits(
    day: Day, pool: BatteryPool, names: tuple[str, ...], extra: Mapping[tuple[int, str], float]
) -> tuple[dict[tuple[int, int, int], Fit], dict[tuple[int, str], Demand]]:
    fits: dict[tuple[int, int, int], Fit] = {}
    demands: dict[tuple[int, str], Demand] = {}
    boxes = tuple(day.boxes)
    for flight, planned in enumerate(day.flights):
        battery_c, length = day.battery_c(planned.launch_min), planned.flight.length_min
        for box in planned.boxes:
            found = demands[flight, box] = demand(day, day.boxes[box], planned, planned.launch_min)
            minutes = length + day.boxes[box].reserve_min + extra.get((flight, box), 0.0)
            for battery, name in enumerate(names):
                if box not in day.batteries[name].battery.boxes or (planned.in_air and name != day.boxes[box].battery):
                    continue
                needed = (0.0, 0.0) if planned.in_air else _needed(day, pool, name, found, minutes, battery_c)
                if needed is None:
                    continue
                soc, minute_soc = needed
                c20_ah = pool.profiles[name].c20_ah
                fits[flight, boxes.index(box), battery] = Fit(
                    need_ah=soc * pool.capacity_of(name) * c20_ah,
                    use_ah=_as_warm(found.flight_amps, c20_ah, battery_c) * length / 60,
                    wait_ah_min=_as_warm(found.waiting_amps, c20_ah, battery_c) / 60,
                    minute_ah=minute_soc * pool.capacity_of(name) * c20_ah,
                )
    return fits, demands


def timetable(
    day: Day,
    pool: BatteryPool,
    *,
    delays: tuple[float, ...] = (0.0,),
    extra: Mapping[tuple[int, str], float] | None = None,
    start_min: float = 0.0,
) -> Timetable:
    """The day as a problem for the scheduler.

    Args:
        delays: minutes by which any launch may be late.
        extra: (flight, box) -> minutes wanted beyond the reserve.
        start_min: now, in minutes of the day; charges in the pool are those of now.
    """
    names, bounds = tuple(day.batteries), _bounds(day, delays, start_min)
    fits, demands = _fits(day, pool, names, extra or {})
    gained, set_to, refused = gains(day, pool, names, bounds)
    capacity = [pool.capacity_of(name) * pool.profiles[name].c20_ah for name in names]
    missing = [battery_pool.expected_missing(pool.banks[name]) * pool.profiles[name].c20_ah for name in names]
    boxes = tuple(day.boxes)
    problem = Problem(
        slot_min=tuple(high - low for low, high in zip(bounds, bounds[1:], strict=False)),
        flights=_starts(day, bounds, delays),
        boxes=tuple(tuple(boxes.index(box) for box in planned.boxes) for planned in day.flights),
        capacity_ah=tuple(capacity),
        start_ah=tuple(max(0.0, cap - short) for cap, short in zip(capacity, missing, strict=True)),
        fits=fits,
        gains=gained,
        plug_ah={
            (names.index(battery), list(day.chargers).index(charger)): amps * day.chargers[charger].plug_in_min / 60
            for (battery, charger, _), amps in set_to.items()
        },
        at_once=tuple(entry.at_once for entry in day.chargers.values()),
        budgets=budgets(day, bounds, set_to),
        in_flight=frozenset(c for c, entry in enumerate(day.chargers.values()) if entry.in_flight),
        inside=tuple(names.index(box.battery) if box.battery in names else -1 for box in day.boxes.values()),
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


def warm_start(outcome: DayOutcome, day: Day, table: Timetable) -> Choice:
    """The earlier launches (or the next possible later ones), batteries and charges, where the new table has them."""
    starts: list[Start | None] = []
    fitted: dict[tuple[int, int], int] = {}
    free = 0
    for flight, name in enumerate(flight.name for flight in day.flights):
        flown = [answer for answer in outcome.answers if answer.flight == name and answer.launch_min is not None]
        requested = max((answer.launch_min or 0.0 for answer in flown), default=None)
        start = None if requested is None else _start(table, flight, requested, free)
        starts.append(start)
        if start is None:
            continue
        free = start.free
        for answer in flown:
            if answer.battery in table.batteries:
                fitted[flight, table.boxes.index(answer.box)] = table.batteries.index(answer.battery)
    whole = [
        start if start is not None and all((flight, box) in fitted for box in table.problem.boxes[flight]) else None
        for flight, start in enumerate(starts)
    ]
    assignments = {key: battery for key, battery in fitted.items() if whole[key[0]] is not None}
    if any((*key, battery) not in table.problem.fits for key, battery in assignments.items()):
        whole, assignments = [None] * len(whole), {}
    return Choice(starts=tuple(whole), fitted=assignments, charging=_charging(outcome, day, table, whole, assignments))


def _start(table: Timetable, flight: int, requested_min: float, free: int) -> Start | None:
    """The first start not before the requested minute, nor before the next launch is possible."""
    ways = table.problem.flights[flight]
    return next(
        (way for way in ways if table.bounds_min[way.first] >= requested_min - NEAR_MIN and way.first >= free), None
    )


def _charging(
    outcome: DayOutcome, day: Day, table: Timetable, starts: list[Start | None], assignments: dict[tuple[int, int], int]
) -> frozenset[tuple[int, int, int]]:
    """The slots within earlier charges, without those in which the battery flies or cannot be charged."""
    problem, found = table.problem, set[tuple[int, int, int]]()
    flying = {
        (battery, slot)
        for (flight, _), battery in assignments.items()
        if (start := starts[flight]) is not None
        for slot in range(start.first, start.last)
    }
    for run in outcome.charges:
        if run.battery not in table.batteries or run.charger not in table.chargers:
            continue
        battery, charger = table.batteries.index(run.battery), table.chargers.index(run.charger)
        for slot, low in enumerate(table.bounds_min[:-1]):
            begin = run.start_min - day.chargers[run.charger].plug_in_min - NEAR_MIN
            inside = begin <= low and table.bounds_min[slot + 1] <= run.end_min + NEAR_MIN
            aloft = (battery, slot) in flying and charger not in problem.in_flight
            if inside and not aloft and (battery, charger, slot) in problem.gains:
                found.add((battery, charger, slot))
    return frozenset(found)

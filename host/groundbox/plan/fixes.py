"""The smallest changes with which every flight is flown: single changes first, then pairs."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import combinations

from msgspec.structs import replace as struct_replace

from groundbox.battery.profile import BatteryProfile
from groundbox.plan.battery_pool import BatteryPool, bank_of
from groundbox.plan.day import BatteryOfDay, Day, PlannedFlight
from groundbox.plan.planner import delays_of, holds, plan_as_is, sheddable_loads
from groundbox.plan.schedule.lexicographic import Clock, TimeBudget, greedy_schedule, maximum_flights
from groundbox.plan.size.battery import ORDINARY_AH
from groundbox.plan.size.result import next_size
from groundbox.plan.timetable import timetable

LONGER_GAP_MIN, MAXIMUM_FIXES = 10.0, 8
# Cost of a change to the pilot, smaller is easier (assumed; only the order matters).
COST_LOAD_OFF, COST_BOX_OFF, COST_GAP, COST_SPARE, COST_CHARGER, COST_LARGER = 1.0, 1.5, 2.0, 4.0, 5.0, 6.0
CHECK_SECONDS, CONFIRM_SECONDS, SEARCH_SECONDS = 0.3, 0.5, 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One possible change: `kind` and `what` name it, `sentence` states it in words."""

    kind: str
    what: tuple[str, ...]
    cost: float
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Fix:
    """A smallest set of changes with which every flight is flown."""

    changes: tuple[Change, ...]

    @property
    def cost(self) -> float:
        """Sum of the changes' costs."""
        return sum(change.cost for change in self.changes)


@dataclass(frozen=True, slots=True, kw_only=True)
class FixSearch:
    """The fixes of a day, the easiest first, and how many tries were made of how many.

    Each single change and pair is tried twice: with a greedy schedule, and with the solver.
    """

    fixes: tuple[Fix, ...]
    tried: int
    of: int


def changes_of(day: Day) -> list[Change]:
    """Every possible single change, the easiest first."""
    found = [
        Change(kind="load off", what=pair, cost=COST_LOAD_OFF, sentence=f"{pair[0]}: keep {pair[1]} off all day")
        for pair in sheddable_loads(day)
    ]
    for box in day.boxes.values():
        if any(load.between_flights for load in box.load):
            words = f"{box.name}: switched off between flights"
            found.append(Change(kind="box off", what=(box.name,), cost=COST_BOX_OFF, sentence=words))
    for planned in day.flights[1:]:
        words = f"{LONGER_GAP_MIN:g} more minutes before {planned.name}"
        found.append(Change(kind="longer gap", what=(planned.name,), cost=COST_GAP, sentence=words))
    for box in day.boxes.values():
        battery = day.batteries[box.battery]
        words = f"{box.name}: a spare like {battery.name}, full"
        found.append(Change(kind="spare", what=(box.name,), cost=COST_SPARE, sentence=words))
        larger = next_size(battery.profile.c20_ah * 1.05, ORDINARY_AH)
        if larger is not None:
            words = f"{box.name}: a new {larger:g} Ah battery instead of {battery.name}"
            found.append(Change(kind="larger", what=(box.name, f"{larger:g}"), cost=COST_LARGER, sentence=words))
    for name in day.chargers:
        words = f"one more charger like {name}, on its own source"
        found.append(Change(kind="charger", what=(name,), cost=COST_CHARGER, sentence=words))
    return sorted(found, key=lambda change: change.cost)


def _later(flights: tuple[PlannedFlight, ...], name: str) -> tuple[PlannedFlight, ...]:
    moved, shift = [], 0.0
    for planned in flights:
        first = planned.flight.name == name
        shift += LONGER_GAP_MIN if first else 0.0
        gap = planned.gap_min + (LONGER_GAP_MIN if first else 0.0)
        moved.append(replace(planned, launch_min=planned.launch_min + shift, gap_min=gap))
    return tuple(moved)


def _free_name(taken: dict[str, object], name: str) -> str:
    number = 2
    while f"{name} {number}" in taken:
        number += 1
    return f"{name} {number}"


def _with_battery(day: Day, box: str, like: BatteryOfDay, c20_ah: float | None) -> Day:
    """One more battery for a box: a full twin, or (with `c20_ah`) a new larger one."""
    name = _free_name(dict(day.batteries), like.name)
    profile, entry = like.profile, struct_replace(like.battery, name=name, boxes=[box], charge=1.0, rest_volts=None)
    if c20_ah is not None:
        profile = BatteryProfile(c20_ah=c20_ah, cells=profile.cells, age_years=0.0, label=name)
        entry = struct_replace(entry, health=1.0, age_years=0.0, c20_ah=c20_ah, profile=None, max_charge_amps=None)
    added = BatteryOfDay(battery=entry, profile=profile)
    kept = dict(day.batteries)
    if c20_ah is not None:
        rest = [name for name in like.battery.boxes if name != box]
        kept[like.name] = replace(like, battery=struct_replace(like.battery, boxes=rest))
    return replace(day, batteries={**kept, name: added})


def changed(day: Day, change: Change) -> Day:
    """The day with one change made."""
    if change.kind == "load off":
        return replace(day, off=day.off | {(change.what[0], change.what[1])})
    if change.kind == "box off":
        box = day.boxes[change.what[0]]
        waiting = [struct_replace(load, between_flights=False) for load in box.load]
        return replace(day, boxes={**day.boxes, box.name: struct_replace(box, load=waiting)})
    if change.kind == "longer gap":
        return replace(day, flights=_later(day.flights, change.what[0]))
    if change.kind == "charger":
        entry = day.chargers[change.what[0]]
        name = _free_name(dict(day.chargers), entry.name)
        return replace(day, chargers={**day.chargers, name: struct_replace(entry, name=name, source=None)})
    battery = day.batteries[day.boxes[change.what[0]].battery]
    c20_ah = float(change.what[1]) if change.kind == "larger" else None
    return _with_battery(day, change.what[0], battery, c20_ah)


def _pool_with(day: Day, pool: BatteryPool) -> BatteryPool:
    """Known batteries unchanged, added ones by their profile; computed needs and curves are kept."""
    banks = {name: pool.banks.get(name) or bank_of(battery) for name, battery in day.batteries.items()}
    profiles = {name: battery.profile for name, battery in day.batteries.items()}
    return BatteryPool(banks=banks, profiles=profiles, learned=pool.learned, low=pool.low, curves=pool.curves)


def flies_all(day: Day, pool: BatteryPool, time_budget: TimeBudget | None = None, solver: bool = True) -> bool:
    """True when every flight is flown with its reserve, by a greedy schedule or (with `solver`) by the solver."""
    time_budget, here, wanted = (
        time_budget or TimeBudget(CHECK_SECONDS + CONFIRM_SECONDS),
        _pool_with(day, pool),
        len(day.flights),
    )
    table = timetable(day, here, delays=delays_of(day))
    served = {(flight, box) for flight, box, _ in table.problem.fits}
    if any((flight, box) not in served for flight, boxes in enumerate(table.problem.boxes) for box in boxes):
        return False
    schedule = greedy_schedule(table.problem, wanted)
    if schedule.objective.flown == wanted and holds(day, here, table, schedule):
        return True
    if not solver or maximum_flights(table.problem, time_budget.grant(1.0, CHECK_SECONDS)) < wanted:
        return False
    return plan_as_is(day, here, time_budget.grant(1.0, CONFIRM_SECONDS), 0.0, clock=time_budget.clock).works


def _changed_by(day: Day, changes: tuple[Change, ...]) -> Day:
    for change in changes:
        day = changed(day, change)
    return day


def find_fixes(
    day: Day,
    pool: BatteryPool,
    seconds: float = SEARCH_SECONDS,
    clock: Clock | None = None,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> FixSearch:
    """The smallest sets of one or two changes with which the whole day flies, the easiest first.

    Every single change is tried with a greedy schedule, which is quick, then with the solver; then every pair of the
    changes that do not help alone, in the order of their cost, until `MAXIMUM_FIXES` are found or the time ends.

    Args:
        seconds: about how long the search may take.
        clock: seconds that never step back; without one only the solver's time counts, as granted.
        progress: called after each try with (tries made, tries to be made).
    """
    time_budget, changes = TimeBudget(seconds, clock), changes_of(day)
    singles: list[tuple[Change, ...]] = [(change,) for change in changes]
    pairs: list[tuple[Change, ...]] = sorted(combinations(changes, 2), key=lambda pair: pair[0].cost + pair[1].cost)
    tries = [(one, solver) for sets in (singles, pairs) for solver in (False, True) for one in sets]
    found: set[tuple[Change, ...]] = set()
    tried = 0
    for one, solver in tries:
        if time_budget.left == 0 or len(found) >= MAXIMUM_FIXES:
            break
        tried += 1
        if not any(set(known) <= set(one) for known in found) and flies_all(
            _changed_by(day, one), pool, time_budget, solver
        ):
            found = {known for known in found if not set(one) < set(known)} | {one}
        progress(tried, len(tries))
    cheapest = sorted((Fix(changes=one) for one in found), key=lambda fix: fix.cost)
    return FixSearch(fixes=tuple(cheapest), tried=tried, of=len(tries))

"""The smallest changes that would make a day work: each single one tried, then each pair of those that did not help."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations, islice

from msgspec.structs import replace as struct_replace

from groundbox.battery.papers import Papers
from groundbox.plan.day import Day, FieldBattery, PlannedFlight
from groundbox.plan.planner import delays_of, droppable, plan_as_is, rough
from groundbox.plan.result import next_size
from groundbox.plan.schedule import most_flights
from groundbox.plan.size_battery import ORDINARY_AH
from groundbox.plan.timetable import timetable
from groundbox.plan.yard import Yard, believed_of

LONGER_GAP_MIN, MOST_MENDS = 10.0, 8
SOLVER_SIZE = 30  # flights times batteries up to which the solver, not only simple rules, judges a change
# What a change costs the pilot, smaller is easier (assumed; only the order matters).
COST_LOAD_OFF, COST_GAP, COST_SPARE, COST_CHARGER, COST_LARGER = 1.0, 2.0, 4.0, 5.0, 6.0
CHECK_SECONDS, CONFIRM_SECONDS = 0.4, 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing a pilot could change. `kind` and `what` say which; `sentence` says it in words."""

    kind: str
    what: tuple[str, ...]
    cost: float
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Mend:
    """A smallest set of changes with which every flight is flown."""

    changes: tuple[Change, ...]

    @property
    def cost(self) -> float:
        """Cost to the pilot, the changes' added up."""
        return sum(change.cost for change in self.changes)


def changes_of(day: Day) -> list[Change]:
    """Every single change worth trying, the easiest first."""
    found = [
        Change(kind="load off", what=pair, cost=COST_LOAD_OFF, sentence=f"{pair[0]}: keep {pair[1]} off all day")
        for pair in droppable(day)
    ]
    for planned in day.flights[1:]:
        words = f"{LONGER_GAP_MIN:g} more minutes before {planned.name}"
        found.append(Change(kind="longer gap", what=(planned.name,), cost=COST_GAP, sentence=words))
    for box in day.boxes.values():
        battery = day.batteries[box.battery]
        words = f"{box.name}: a spare like {battery.name}, full"
        found.append(Change(kind="spare", what=(box.name,), cost=COST_SPARE, sentence=words))
        larger = next_size(battery.papers.c20_ah * 1.05, ORDINARY_AH)
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


def _with_battery(day: Day, box: str, like: FieldBattery, c20_ah: float | None) -> Day:
    """One more battery for a box: a full twin, or (with `c20_ah`) a new larger one."""
    name = _free_name(dict(day.batteries), like.name)
    papers, entry = like.papers, struct_replace(like.battery, name=name, boxes=[box], charge=1.0, rest_volts=None)
    if c20_ah is not None:
        papers = Papers(c20_ah=c20_ah, cells=papers.cells, age_years=0.0, label=name)
        entry = struct_replace(entry, health=1.0, age_years=0.0, c20_ah=c20_ah, papers=None, max_charge_amps=None)
    added = FieldBattery(battery=entry, papers=papers)
    kept = dict(day.batteries)
    if c20_ah is not None:
        rest = [name for name in like.battery.boxes if name != box]
        kept[like.name] = replace(like, battery=struct_replace(like.battery, boxes=rest))
    return replace(day, batteries={**kept, name: added})


def changed(day: Day, change: Change) -> Day:
    """The day with one change made."""
    if change.kind == "load off":
        return replace(day, off=day.off | {(change.what[0], change.what[1])})
    if change.kind == "longer gap":
        return replace(day, flights=_later(day.flights, change.what[0]))
    if change.kind == "charger":
        entry = day.chargers[change.what[0]]
        name = _free_name(dict(day.chargers), entry.name)
        return replace(day, chargers={**day.chargers, name: struct_replace(entry, name=name, source=None)})
    battery = day.batteries[day.boxes[change.what[0]].battery]
    c20_ah = float(change.what[1]) if change.kind == "larger" else None
    return _with_battery(day, change.what[0], battery, c20_ah)


def _yard_with(day: Day, yard: Yard) -> Yard:
    """Known batteries as they are, added ones as their papers say; worked-out needs and curves are kept."""
    banks = {name: yard.banks.get(name) or believed_of(battery) for name, battery in day.batteries.items()}
    papers = {name: battery.papers for name, battery in day.batteries.items()}
    return Yard(banks=banks, papers=papers, learned=yard.learned, early=yard.early, curves=yard.curves)


def flies_all(day: Day, yard: Yard) -> bool:
    """True when every flight can be flown: by simple rules, else the solver, then flown with reserve throughout."""
    return _may_fly_all(day, yard) and plan_as_is(day, _yard_with(day, yard), CONFIRM_SECONDS, 0.0).works


def _may_fly_all(day: Day, yard: Yard) -> bool:
    wanted, here = len(day.flights), _yard_with(day, yard)
    if rough(day, here).flown == wanted:
        return True
    table = timetable(day, here, delays=delays_of(day))
    boxes_served = all(
        any((flight, box, battery) in table.problem.fits for battery in range(len(table.batteries)))
        for flight, boxes in enumerate(table.problem.boxes)
        for box in boxes
    )
    if len(day.flights) * len(day.batteries) > SOLVER_SIZE:
        return False
    return boxes_served and most_flights(table.problem, CHECK_SECONDS) == wanted


def _singles_and_pairs(day: Day, yard: Yard, changes: list[Change]) -> Iterator[tuple[Change, ...]]:
    helped = {change for change in changes if flies_all(changed(day, change), yard)}
    for change in changes:
        if change in helped:
            yield (change,)
    pairs = combinations([change for change in changes if change not in helped], 2)
    for one, other in sorted(pairs, key=lambda pair: pair[0].cost + pair[1].cost):
        if flies_all(changed(changed(day, one), other), yard):
            yield (one, other)


def mends(day: Day, yard: Yard) -> list[Mend]:
    """The smallest sets of one or two changes with which the whole day flies, the easiest first.

    Every single change is tried; pairs in the order of their cost, until `MOST_MENDS` sets are found.
    """
    found = islice(_singles_and_pairs(day, yard, changes_of(day)), MOST_MENDS)
    return sorted((Mend(changes=changes) for changes in found), key=lambda mend: mend.cost)

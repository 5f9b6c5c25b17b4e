"""What an earlier plan had chosen, as a choice for a new table: a plan made anew begins from it."""

from groundbox.plan.day import Day
from groundbox.plan.problem import Choice, Start
from groundbox.plan.timetable import Timetable
from groundbox.plan.walk import Walk

NEAR_MIN = 0.01


def choice_from(walk: Walk, day: Day, table: Timetable) -> Choice:
    """The earlier launches (or the next possible later ones), batteries and charges, where the new table has them."""
    starts: list[Start | None] = []
    fitted: dict[tuple[int, int], int] = {}
    free = 0
    for flight, name in enumerate(flight.name for flight in day.flights):
        told = [answer for answer in walk.answers if answer.flight == name and answer.launch_min is not None]
        wished = max((answer.launch_min or 0.0 for answer in told), default=None)
        start = None if wished is None else _start(table, flight, wished, free)
        starts.append(start)
        if start is None:
            continue
        free = start.free
        for answer in told:
            if answer.battery in table.batteries:
                fitted[flight, table.boxes.index(answer.box)] = table.batteries.index(answer.battery)
    whole = [
        start if start is not None and all((flight, box) in fitted for box in table.problem.boxes[flight]) else None
        for flight, start in enumerate(starts)
    ]
    crews = {key: battery for key, battery in fitted.items() if whole[key[0]] is not None}
    if any((*key, battery) not in table.problem.fits for key, battery in crews.items()):
        whole, crews = [None] * len(whole), {}
    return Choice(starts=tuple(whole), fitted=crews, charging=_charging(walk, day, table, whole, crews))


def _start(table: Timetable, flight: int, wished_min: float, free: int) -> Start | None:
    """The first way to fly that is not before the wish, nor before the next launch is possible."""
    ways = table.problem.flights[flight]
    return next(
        (way for way in ways if table.bounds_min[way.first] >= wished_min - NEAR_MIN and way.first >= free), None
    )


def _charging(
    walk: Walk, day: Day, table: Timetable, starts: list[Start | None], crews: dict[tuple[int, int], int]
) -> frozenset[tuple[int, int, int]]:
    """The slots that lie within earlier charges, but for those in which the battery flies, or which cannot be."""
    problem, found = table.problem, set[tuple[int, int, int]]()
    flying = {
        (battery, slot)
        for (flight, _), battery in crews.items()
        if (start := starts[flight]) is not None
        for slot in range(start.first, start.last)
    }
    for run in walk.charges:
        if run.battery not in table.batteries or run.charger not in table.chargers:
            continue
        battery, charger = table.batteries.index(run.battery), table.chargers.index(run.charger)
        for slot, low in enumerate(table.bounds_min[:-1]):
            begin = run.from_min - day.chargers[run.charger].plug_in_min - NEAR_MIN
            inside = begin <= low and table.bounds_min[slot + 1] <= run.until_min + NEAR_MIN
            aloft = (battery, slot) in flying and charger not in problem.in_flight
            if inside and not aloft and (battery, charger, slot) in problem.gains:
                found.add((battery, charger, slot))
    return frozenset(found)

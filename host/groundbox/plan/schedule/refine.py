"""Betters a schedule by small changes, the first that helps each time; deterministic, and no change makes it worse.

Changes: a battery stays in its box or another goes in, a launch moves, a charge begins, lasts longer or is left out.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

from groundbox.plan.schedule.problem import (
    Choice,
    Objective,
    Problem,
    is_allowed,
    levels,
    objective,
    swaps_of,
)

SHORTEST_GAIN = 0.02  # of the capacity: a charge that brings less is left out where every need is kept
MAXIMUM_STEPS = 1500


def refined(problem: Problem, choice: Choice, steps: int = MAXIMUM_STEPS) -> Choice:
    """The choice after small changes, of which at most so many are tried."""
    best, worth, improved = choice, _worth(problem, choice), True
    while improved and worth is not None:
        improved = False
        for other in _neighbours(problem, best):
            steps -= 1
            if steps < 0:
                return best
            found = _worth(problem, other)
            if found is not None and found.key() < worth.key():
                best, worth, improved = other, found, True
                break
    return best


def _worth(problem: Problem, choice: Choice) -> Objective | None:
    if not is_allowed(problem, choice) or choice != _grounded_charges(problem, choice):
        return None
    rows = levels(problem, choice)
    return None if rows is None else objective(problem, choice, rows)


def _flying(problem: Problem, choice: Choice) -> set[tuple[int, int]]:
    """(battery, slot) in the air."""
    return {
        (battery, slot)
        for (flight, _), battery in choice.fitted.items()
        if (start := choice.starts[flight]) is not None
        for slot in range(start.first, start.last)
    }


def _neighbours(problem: Problem, choice: Choice) -> Iterator[Choice]:
    """Every small change, those that make the schedule simpler first."""
    for flight, box in swaps_of(problem, choice):
        earlier = [f for f, x in choice.fitted if x == box and f < flight]
        kept = choice.fitted[max(earlier), box] if earlier else problem.inside[box]
        taken = choice.fitted[flight, box]
        later = [f for f, x in sorted(choice.fitted) if x == box and f >= flight and choice.fitted[f, x] == taken]
        for flights in (later[:1], later):
            if all((f, box, kept) in problem.fits for f in flights):
                yield replace(choice, fitted={**choice.fitted, **{(f, box): kept for f in flights}})
    for flight, start in enumerate(choice.starts):
        for other in problem.flights[flight] if start is not None else ():
            if start is not None and other.late_min < start.late_min:
                starts = (*choice.starts[:flight], other, *choice.starts[flight + 1 :])
                yield _grounded_charges(problem, replace(choice, starts=starts))
    yield from _more_charge(problem, choice)
    for (flight, box), battery in choice.fitted.items():
        for other_battery in range(len(problem.capacity_ah)):
            if other_battery != battery and (flight, box, other_battery) in problem.fits:
                fitted = {**choice.fitted, (flight, box): other_battery}
                yield _grounded_charges(problem, replace(choice, fitted=fitted))
    for run in charges_of(choice):
        yield replace(choice, charging=choice.charging - run)


def _more_charge(problem: Problem, choice: Choice) -> Iterator[Choice]:
    """A slot more beside each charge, and each stretch of free slots between two flights of a battery on a charger."""
    used = Counter((charger, slot) for _, charger, slot in choice.charging)
    busy = {(battery, slot) for battery, _, slot in choice.charging} | _flying(problem, choice)
    free = [
        key for key in sorted(problem.gains) if (key[0], key[2]) not in busy and used[key[1:]] < problem.at_once[key[1]]
    ]
    for battery, charger, slot in free:
        if {(battery, charger, slot - 1), (battery, charger, slot + 1)} & choice.charging:
            yield replace(choice, charging=choice.charging | {(battery, charger, slot)})
    for run in charges_of(Choice(starts=(), fitted={}, charging=frozenset(free))):
        yield replace(choice, charging=choice.charging | run)


def _grounded_charges(problem: Problem, choice: Choice) -> Choice:
    """The choice without charging in slots in which the battery now flies."""
    aloft = _flying(problem, choice)
    kept = {key for key in choice.charging if key[1] in problem.in_flight or (key[0], key[2]) not in aloft}
    return replace(choice, charging=frozenset(kept))


def charges_of(choice: Choice) -> list[frozenset[tuple[int, int, int]]]:
    """The charges: slots one after another of one battery on one charger."""
    runs: list[set[tuple[int, int, int]]] = []
    for battery, charger, slot in sorted(choice.charging):
        if runs and (battery, charger, slot - 1) in runs[-1]:
            runs[-1].add((battery, charger, slot))
        else:
            runs.append({(battery, charger, slot)})
    return [frozenset(run) for run in runs]


def without_small_charges(problem: Problem, choice: Choice) -> Choice:
    """Without charges that bring under SHORTEST_GAIN, where flights, margin and lateness stay."""
    before = levels(problem, choice)
    for run in charges_of(choice):
        other = replace(choice, charging=choice.charging - run)
        after = levels(problem, other)
        if before is None or after is None:
            continue
        battery, end = next(iter(run))[0], max(slot for _, _, slot in run) + 1
        brings = before[battery][end] - after[battery][end]
        kept = objective(problem, choice, before).key()[:3] >= objective(problem, other, after).key()[:3]
        if kept and brings < SHORTEST_GAIN * problem.capacity_ah[battery]:
            choice, before = other, after
    return choice

"""What was told against what came: stretches on one charge, judged where they ended at the limit. Pure.

The truth is measured, not estimated: the time until the equipment came under its cutoff (or the battery under its
floor), and the ampere-hours counted until then. A stretch that a charge, a swap or the end of the session cut short
proves only how long it lasted at least.
"""

from collections.abc import Sequence
from dataclasses import dataclass

LIMIT_S = 10.0  # so long under the limit on end, that a peak does not count
MOST_UNSEEN = 0.01  # share of a stretch without readings, above which its ampere-hours are not counted
FEWEST_JUDGED_S = 600.0

Three = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """The estimate at one moment; wall times and seconds; None while unknown.

    drawn_ah: counted since the stretch began, charge taken off; unseen_s: seconds of it without readings.
    """

    wall_s: float
    soc: Three | None  # low, likely, high
    runtime_s: Three | None  # low, expected, high
    drawn_ah: float = 0.0
    unseen_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A stretch on one charge; `ended_by` is "limit", "charge", "swap" or "session".

    capacity_ah: what the battery is believed to hold, at its end.
    """

    battery: str | None
    points: Sequence[Point]
    ended_s: float
    ended_by: str
    drawn_ah: float = 0.0
    unseen_s: float = 0.0
    capacity_ah: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One prediction against what came: seconds that were left, or at least were left where `at_least`."""

    wall_s: float
    runtime_s: Three
    true_s: float
    at_least: bool = False

    @property
    def held(self) -> bool | None:
        """True when the truth lay within early and late; None when it only may have."""
        if self.at_least:
            return None if self.true_s <= self.runtime_s[2] else False
        return self.runtime_s[0] <= self.true_s <= self.runtime_s[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class Quality:
    """How good all predictions of an session were: of `count`, the share held, and how far off the likely number was.

    errors: median and largest of |likely - true| over the whole stretch's runtime.
    """

    count: int
    held: float
    early_kept: float
    errors: tuple[float, float]


def at(points: Sequence[Point], wall_s: float) -> Point | None:
    """The last point not after `wall_s`."""
    return next((point for point in reversed(points) if point.wall_s <= wall_s), None)


def judged(run: Run, shares: Sequence[float] = (0.0, 0.25, 0.5, 0.75)) -> list[Judged]:
    """Predictions at shares of a stretch."""
    every = judged_all(run)
    if not every:
        return []
    began_s, whole_s = every[0].wall_s, run.ended_s - every[0].wall_s
    found = [max((one for one in every if one.wall_s <= began_s + share * whole_s), key=_when) for share in shares]
    return list(dict.fromkeys(found))


def _when(one: Judged) -> float:
    return one.wall_s


def judged_all(run: Run) -> list[Judged]:
    """Every prediction of a stretch; of one that did not end at its limit, only what it proves."""
    at_least = run.ended_by != "limit"
    told = [point for point in run.points if point.runtime_s is not None and point.wall_s < run.ended_s]
    if not told or (at_least and run.ended_s - told[0].wall_s < FEWEST_JUDGED_S):
        return []
    return [
        Judged(wall_s=p.wall_s, runtime_s=p.runtime_s, true_s=run.ended_s - p.wall_s, at_least=at_least)
        for p in told
        if p.runtime_s is not None
    ]


def quality(runs: Sequence[Run]) -> Quality | None:
    """Over all predictions whose truth is known; None without any."""
    errors, held, early_kept = [], 0, 0
    for run in runs:
        every = judged_all(run) if run.ended_by == "limit" else []
        for one in every:
            errors.append(abs(one.runtime_s[1] - one.true_s) / every[0].true_s)
            held += bool(one.held)
            early_kept += one.runtime_s[0] <= one.true_s
    if not errors:
        return None
    ordered = sorted(errors)
    count = len(errors)
    return Quality(
        count=count,
        held=held / count,
        early_kept=early_kept / count,
        errors=(ordered[count // 2], ordered[-1]),
    )


def counted_back(run: Run) -> list[tuple[float, float]]:
    """(wall time, share) of the charge as it turned out: from the end at the limit, by the ampere-hours counted.

    What was left at the limit, and the capacity, are the last estimate's, when most was known; the rest is measured.
    Empty where the stretch did not end at its limit, or too much of it was not seen.
    """
    last = run.points[-1] if run.points else None
    if run.ended_by != "limit" or last is None or last.soc is None or not run.capacity_ah:
        return []
    if run.unseen_s > MOST_UNSEEN * (run.ended_s - run.points[0].wall_s):
        return []
    return [(p.wall_s, last.soc[1] + (last.drawn_ah - p.drawn_ah) / run.capacity_ah) for p in run.points]


def truth_held(run: Run) -> float | None:
    """Share of the moments at which the band of charge held what turned out; None where that is not known."""
    pairs = [(p.soc, share) for p, (_, share) in zip(run.points, counted_back(run), strict=False) if p.soc]
    return sum(soc[0] <= share <= soc[2] for soc, share in pairs) / len(pairs) if pairs else None

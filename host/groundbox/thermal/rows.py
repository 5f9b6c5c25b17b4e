"""Rows of a log about the heat of a case, and their thinning into short means. Needs no NumPy."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

FANS_JUMP = 0.2  # a bin ends where the fans change by more: its means would blur a kink in the temperature
LONGEST_GAP_S = 300.0  # a longer silence starts a new stretch: the wall temperature is unknown after it


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatRow:
    """One row of a log; `watts`, `fans` and `sun` are means over the time since the row before.

    `watts` is battery volts times amps (the magnitude while charging: charger and battery losses are included),
    `fans` 0 to 2 the sum of the pair's fractions of full speed, `outside_c` the intake sensor, `sun` a fraction of full
    sun or None where it is not noted (in the shade it is 0), `battery_c` the battery or None without a sensor.
    """

    t_s: float
    case_c: float
    outside_c: float
    watts: float
    fans: float
    sun: float | None = None
    battery_c: float | None = None

    def __post_init__(self) -> None:
        optional = (self.sun or 0.0, self.battery_c or 0.0)
        numbers = (self.t_s, self.case_c, self.outside_c, self.watts, self.fans, *optional)
        if not all(map(math.isfinite, numbers)) or not 0 <= self.fans <= 2 or not 0 <= (self.sun or 0.0) <= 1:
            raise ValueError(f"not a row of a case log: {self}")


def fans_running(fans: Sequence[tuple[float | None, float | None, float]]) -> float | None:
    """`fans` of a HeatRow, 0 to 2, from (rpm, percent, rpm at full speed) of each fan fitted, two and two a pair.

    A fan without tachometer counts by its drive; of two pairs the mean is taken. None while a fan has neither.
    """
    if not fans:
        return 0.0
    fractions = []
    for rpm, percent, full_rpm in fans:
        if rpm is None and percent is None:
            return None
        fractions.append((percent or 0.0) / 100 if rpm is None else min(rpm / full_rpm, 1.0))
    return sum(fractions) / math.ceil(len(fractions) / 2)


def stretches(rows: Iterable[HeatRow]) -> list[list[HeatRow]]:
    """Rows cut at gaps and at steps back in time; rows at or before the one before are the start of a new stretch."""
    found: list[list[HeatRow]] = []
    last_s = math.nan
    for row in rows:
        if not 0 < row.t_s - last_s <= LONGEST_GAP_S:
            if row.t_s == last_s:
                continue
            found.append([])
        found[-1].append(row)
        last_s = row.t_s
    return found


def thinned(rows: Sequence[HeatRow], bin_s: float = 10.0) -> list[HeatRow]:
    """Means of one stretch over bins of about `bin_s`, each at the time of its last row, weighted by time."""
    out = [rows[0]]
    held: list[tuple[float, HeatRow]] = []
    for before, row in zip(rows, rows[1:], strict=False):
        if held and (row.t_s - out[-1].t_s > bin_s + 1e-6 or abs(row.fans - before.fans) > FANS_JUMP):
            out.append(_mean(held))
            held = []
        held.append((row.t_s - before.t_s, row))
    return [*out, _mean(held)] if held else out


def _mean(held: Sequence[tuple[float, HeatRow]]) -> HeatRow:
    total = sum(dt for dt, _ in held)

    def mean(name: str) -> float:
        return float(sum(dt * getattr(row, name) for dt, row in held) / total)

    def mean_if_known(name: str) -> float | None:
        return None if any(getattr(row, name) is None for _, row in held) else mean(name)

    return HeatRow(
        t_s=held[-1][1].t_s,
        case_c=mean("case_c"),
        outside_c=mean("outside_c"),
        watts=mean("watts"),
        fans=mean("fans"),
        sun=mean_if_known("sun"),
        battery_c=mean_if_known("battery_c"),
    )

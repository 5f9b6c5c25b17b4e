"""How large a battery a duty cycle needs: the section method of IEEE 485, in ampere-hours."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log

from groundbox.errors import BadInput
from groundbox.plan.charge_model import DAMAGED, PARALLEL
from groundbox.plan.size.result import LOCAL_CODE, SHORT_CIRCUIT, SizeResult, next_size

# Amps from a 17 Ah battery to 1.75 V per cell at 20 °C, by minutes (maker's discharge table, secondary copy).
TYPICAL_C20_AH = 17.0
TYPICAL_ROWS = (
    *((15.0, 22.5), (30.0, 13.7), (60.0, 8.61), (180.0, 4.16)),
    *((300.0, 2.85), (600.0, 1.63), (1200.0, 0.86)),
)
# IEEE 485 size factor, base 25 °C (read in a secondary copy); the three coldest from memory.
TEMPERATURE_FACTORS = (
    *((-3.9, 1.52), (-1.1, 1.43), (1.7, 1.35), (4.4, 1.30), (7.2, 1.25), (10.0, 1.19), (12.8, 1.15)),
    *((15.6, 1.11), (18.3, 1.08), (20.0, 1.056), (21.1, 1.04), (22.2, 1.029), (23.9, 1.011), (25.0, 1.0)),
)
# Sizes that shops stock for 12 V batteries, ampere-hours at the 20-hour rate (common practice, no source).
ORDINARY_AH = (1.2, 2.3, 3.4, 5, 7.2, 9, 12, 18, 24, 33, 40, 55, 65, 75, 100, 120, 150, 200, 260)


@dataclass(frozen=True, slots=True, kw_only=True)
class DutyPeriod:
    """A part of the duty cycle with one load."""

    amps: float
    minutes: float


def interpolate(points: Sequence[tuple[float, float]], x: float) -> float:
    """Straight-line interpolation in sorted points; ends held."""
    if x <= points[0][0]:
        return points[0][1]
    for (x0, y0), (x1, y1) in zip(points, points[1:], strict=False):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return points[-1][1]


def rating_factor(minutes: float, rows: Sequence[tuple[float, float]] = TYPICAL_ROWS, c20_ah: float = 17.0) -> float:
    """Kt in hours: rated ampere-hours per amp that the battery carries for `minutes` to the end voltage.

    Log-log interpolation of (minutes, amps) rows; before the first row its own factor holds (no credit for less), past
    the last row its slope continues.
    """
    points = [(log(m), log(c20_ah / a)) for m, a in sorted(rows)]
    x = log(max(minutes, 0.5))
    if x <= points[0][0]:
        return exp(points[0][1])
    i = next((i for i in range(1, len(points)) if x <= points[i][0]), len(points) - 1)
    (x0, y0), (x1, y1) = points[i - 1], points[i]
    return exp(y0 + (y1 - y0) * (x - x0) / (x1 - x0))


def temperature_factor(coldest_c: float) -> float:
    """IEEE 485 size factor at the coldest battery temperature; never under 1 (warmth is not credited)."""
    return max(1.0, interpolate(TEMPERATURE_FACTORS, coldest_c))


def section_sizes(duty: Sequence[DutyPeriod], rows: Sequence[tuple[float, float]], c20_ah: float) -> list[float]:
    """Ampere-hours each section needs: each change in load times Kt from there to the section's end, summed."""
    sizes = []
    for last in range(len(duty)):
        total, before = 0.0, 0.0
        for first in range(last + 1):
            minutes = sum(period.minutes for period in duty[first : last + 1])
            total += (duty[first].amps - before) * rating_factor(minutes, rows, c20_ah)
            before = duty[first].amps
        sizes.append(total)
    return sizes


def size_battery(
    duty: Sequence[DutyPeriod],
    *,
    anytime: DutyPeriod | None = None,
    coldest_c: float = 25.0,
    ageing_factor: float = 1.25,
    design_margin: float = 1.10,
    rows: Sequence[tuple[float, float]] = TYPICAL_ROWS,
    c20_ah: float = TYPICAL_C20_AH,
    blocks: int = 1,
    sheet_factor: float | None = None,
) -> SizeResult:
    """The rated 20-hour ampere-hours for a duty cycle, rounded up to a size that shops stock.

    Args:
        duty: periods in order, amps and minutes.
        anytime: a load that may come at any moment; its need is added to the largest section's.
        rows: (minutes, amps) to the end voltage of the battery family in mind, of `c20_ah`.
        blocks: equal batteries in parallel that carry the duty together.
        sheet_factor: the temperature factor of the maker's sheet, in place of the standard's table.

    Source: IEEE 485, section method; ageing 1.25 and margin 1.10 to 1.15 from memory.
    """
    if not duty:
        raise BadInput("duty", "", "needs at least one period with amps and minutes")
    sections = section_sizes(duty, rows, c20_ah)
    extra = anytime.amps * rating_factor(anytime.minutes, rows, c20_ah) if anytime else 0.0
    factor = sheet_factor or temperature_factor(coldest_c)
    too_cold = sheet_factor is None and coldest_c < TEMPERATURE_FACTORS[0][0]
    needed = (max(sections) + extra) * factor * ageing_factor * design_margin
    chosen = next_size(needed / blocks, ORDINARY_AH)
    answer = f"needs {needed:.1f} Ah at the 20-hour rate; " + (
        (f"take {chosen:g} Ah" if blocks == 1 else f"take {blocks} batteries of {chosen:g} Ah in parallel")
        if chosen
        else f"{needed / blocks:.0f} Ah a battery is beyond ordinary ones ({ORDINARY_AH[-1]:g} Ah): "
        f"set battery.in_parallel to {-(-needed // ORDINARY_AH[-1]):.0f} or more"
    )
    if too_cold:
        answer += (
            f"; problem: no factor is known below {TEMPERATURE_FACTORS[0][0]:g} °C: "
            "give battery.temperature_factor from the maker's sheet"
        )
    numbers = {"coldest_c": coldest_c, "temperature_factor": factor, "ageing_factor": ageing_factor}
    numbers |= {"design_margin": design_margin, "rows_c20_ah": c20_ah, "blocks": float(blocks)}
    for index, period in enumerate(duty, 1):
        numbers |= {f"period{index}_amps": period.amps, f"period{index}_minutes": period.minutes}
    if anytime:
        numbers |= {"anytime_amps": anytime.amps, "anytime_minutes": anytime.minutes}
    values = {f"section{index}_ah": size for index, size in enumerate(sections, 1)}
    return SizeResult(
        topic="battery",
        answer=answer,
        formula="Ah = (largest section + load at any time) x temperature x ageing x margin; "
        "section = sum of (change in amps x Kt(minutes to the section's end)), Kt = rated Ah / amps for that time",
        source="IEEE 485 duty-cycle method; temperature factors in a secondary copy, ageing and margin from memory; "
        "Kt from a maker's discharge table to 1.75 V per cell (secondary copy) unless the file gives rows",
        values=values | {"needed_ah": needed} | ({"ordinary_ah": chosen * blocks} if chosen else {}),
        numbers=numbers,
        cautions=(LOCAL_CODE, SHORT_CIRCUIT, DAMAGED, *(PARALLEL,) * (blocks > 1)),
        stop=chosen is None or too_cold,
    )

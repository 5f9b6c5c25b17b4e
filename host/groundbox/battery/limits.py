"""Where a runtime ends: the cutoff voltage of the equipment and the end voltage of the battery. Needs no NumPy."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from groundbox.battery.profile import BatteryProfile, DischargeRow

END_VOLTS_PER_CELL = 1.75  # per cell; IEC 61056-1 ends the 20-hour discharge here, from memory
FULL_REST_VOLTS = 2.150  # volts per cell at rest, AGM, from memory
MIN_CUTOFF_VOLTS = 1.3  # volts per cell: no maker's table ends a discharge lower (common practice, no source)
PARTLY_CHARGED = 0.15  # of C20: a charge up to so much is counted, a larger one ends the discharge
CHARGE_KEPT = 0.95  # of the ampere-hours put in (measured charge factor 1.04 to 1.10 on a 17 Ah battery)
PEAK = 1.25  # times the mean load: more is a peak, which lowers the voltage for a moment (assumed)
MIN_AMPS = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class RuntimeLimits:
    """Where runtime ends.

    cutoff_volts: under this, at the equipment, the equipment stops.
    lead_ohm: resistance of leads, fuse and connectors between battery and equipment.
    end_volts_per_cell: end voltage that avoids damage to the battery; None takes the maker's rows in its profile for
        the load, else 1.75 V; 0 is no end voltage.
    """

    cutoff_volts: float
    lead_ohm: float = 0.0
    end_volts_per_cell: float | None = None


def cutoff_mismatch(cutoff_volts: float, cells: int, battery: str = "battery") -> str | None:
    """Why this cutoff cannot belong to a battery of so many cells, and what to change; None where it may."""
    full = FULL_REST_VOLTS * cells
    if cutoff_volts >= full:
        return f"{cutoff_volts:g} V is not under the {full:.1f} V of a full {battery} at rest: lower it"
    if cutoff_volts < MIN_CUTOFF_VOLTS * cells:
        return (
            f"{cutoff_volts:g} V is {cutoff_volts / cells:.2f} V for each of the {cells} cells of the {battery}, which "
            f"is empty far above: raise it to {MIN_CUTOFF_VOLTS * cells:.1f} V or more, or correct the number of cells"
        )
    return None


def _row_volts(rows: Sequence[DischargeRow], amps: float) -> float | None:
    """End voltage per cell by the maker's rows, interpolated over the logarithm of the load.

    None where the rows name no single one: a table with several end voltages for the same time shows how long each
    takes, not which of them avoids damage.
    """
    ends = {row.minutes: row.end_volts_per_cell for row in rows}
    if not rows or any(ends[row.minutes] != row.end_volts_per_cell for row in rows):
        return None
    ordered = sorted(rows, key=lambda row: row.amps)
    for lower, upper in pairwise(ordered):
        if amps <= upper.amps and lower.amps < upper.amps:
            fraction = max(math.log(amps / lower.amps) / math.log(upper.amps / lower.amps), 0.0)
            return lower.end_volts_per_cell + fraction * (upper.end_volts_per_cell - lower.end_volts_per_cell)
    return ordered[-1].end_volts_per_cell


def end_volts_per_cell(limits: RuntimeLimits, profile: BatteryProfile, amps: float | None) -> float:
    """End voltage per cell at a load of `amps`; see `end_volts`."""
    if limits.end_volts_per_cell is not None:
        return limits.end_volts_per_cell
    by_maker = _row_volts(profile.discharge, max(amps or 0.0, MIN_AMPS))
    return END_VOLTS_PER_CELL if by_maker is None else by_maker


def end_volts(limits: RuntimeLimits, profile: BatteryProfile, amps: float | None) -> float:
    """End voltage of the whole battery, at its terminals, at a load of `amps`.

    As set in `limits`, else by the maker's rows in the profile, else 1.75 V per cell. An unknown load (None) counts as
    the smallest one of the rows.
    """
    return end_volts_per_cell(limits, profile, amps) * profile.cells


def limit_reached(
    limits: RuntimeLimits, profile: BatteryProfile, volts: float, amps: float, mean_amps: float
) -> str | None:
    """ "cutoff" or "end_voltage" when `volts` is under that limit at `amps`, else None.

    A peak of the load, well over `mean_amps`, does not count against the end voltage.
    """
    if volts - amps * limits.lead_ohm < limits.cutoff_volts:
        return "cutoff"
    if amps <= PEAK * mean_amps and volts < end_volts(limits, profile, mean_amps):
        return "end_voltage"
    return None

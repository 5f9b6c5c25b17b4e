"""The end voltage: where a discharge ends so that the battery is not damaged. Needs no NumPy."""

import math
from collections.abc import Sequence
from itertools import pairwise

from groundbox.battery.profile import BatteryProfile, DischargeRow
from groundbox.battery.values import END_VOLTS_PER_CELL, Limits

LEAST_AMPS = 1e-6


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


def end_volts_per_cell(limits: Limits, profile: BatteryProfile, amps: float | None) -> float:
    """End voltage per cell at a load of `amps`; see `end_volts`."""
    if limits.end_volts_per_cell is not None:
        return limits.end_volts_per_cell
    by_maker = _row_volts(profile.discharge, max(amps or 0.0, LEAST_AMPS))
    return END_VOLTS_PER_CELL if by_maker is None else by_maker


def end_volts(limits: Limits, profile: BatteryProfile, amps: float | None) -> float:
    """End voltage of the whole battery, at its terminals, at a load of `amps`.

    As set in `limits`, else by the maker's rows in the profile, else 1.75 V per cell. An unknown load (None) counts as
    the lightest one of the rows.
    """
    return end_volts_per_cell(limits, profile, amps) * profile.cells

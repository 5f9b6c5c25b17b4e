"""Cutoff and floor, turned into the voltage per cell at which each stretch of the load to come would end."""

from collections.abc import Sequence

import numpy as np

from groundbox.battery.curve import Array
from groundbox.battery.forward import Stretch
from groundbox.battery.profile import BatteryProfile, DischargeRow
from groundbox.battery.values import END_VOLTS_PER_CELL, Limits, Phase

LEAST_RATE = 1e-6


def _row_volts(rows: Sequence[DischargeRow], amps: float) -> float | None:
    """End voltage per cell of the rows about `amps`; None where they name no single one.

    A table with several end voltages for the same time tells how long each takes, not which of them spares the battery.
    """
    ends = {row.minutes: row.end_volts_per_cell for row in rows}
    if not rows or any(ends[row.minutes] != row.end_volts_per_cell for row in rows):
        return None
    ordered = sorted(rows, key=lambda row: row.amps)
    loads = np.log([row.amps for row in ordered])
    return float(np.interp(np.log(max(amps, LEAST_RATE)), loads, [row.end_volts_per_cell for row in ordered]))


def end_volts_per_cell(limits: Limits, profile: BatteryProfile, amps: float) -> float:
    """The end voltage that spares the battery at so many amps: as set, else by its maker's rows, else 1.75 V."""
    if limits.end_volts_per_cell is not None:
        return limits.end_volts_per_cell
    by_maker = _row_volts(profile.discharge, amps)
    return END_VOLTS_PER_CELL if by_maker is None else by_maker


def stretches_to(
    limits: Limits, profile: BatteryProfile, phases: Sequence[Phase], rates: Sequence[Array | float]
) -> tuple[str, list[Stretch]]:
    """Which limit comes first in the last phase, "cutoff" or "end_voltage", and the stretches down to it.

    rates: each phase's load in units of C20 per hour, one for all members or (n,) one for each.
    """
    stretches, name = [], "cutoff"
    for phase, rate in zip(phases, rates, strict=True):
        peak = max(phase.peak_amps or 0.0, phase.amps)
        cutoff = (limits.cutoff_volts + peak * limits.lead_ohm) / profile.cells
        floor = end_volts_per_cell(limits, profile, phase.amps)
        name = "end_voltage" if floor > cutoff else "cutoff"
        mean = np.maximum(np.reshape(rate, (-1, 1)), LEAST_RATE)
        heavy = mean * (peak / phase.amps) if phase.amps > 0 else mean
        stretches.append(Stretch(phase.seconds / 3600, mean, heavy, np.full((1, 1), max(cutoff, floor))))
    return name, stretches

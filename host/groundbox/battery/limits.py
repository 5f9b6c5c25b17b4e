"""Cutoff and floor, turned into the voltage per cell at which each stretch of the load to come would end."""

from collections.abc import Sequence

import numpy as np

from groundbox.battery.curve import Array
from groundbox.battery.forward import Stretch
from groundbox.battery.values import Limits, Phase

FLOOR_VOLTS = 1.75  # per cell; IEC 61056-1 ends the 20-hour discharge here, from memory
LEAST_RATE = 1e-6


def stretches_to(
    limits: Limits, cells: int, phases: Sequence[Phase], rates: Sequence[Array | float]
) -> tuple[str, list[Stretch]]:
    """Which limit comes first in the last phase, "cutoff" or "floor", and the stretches down to it.

    rates: each phase's load in units of C20 per hour, one for all members or (n,) one for each.
    """
    floor = FLOOR_VOLTS if limits.floor_volts_per_cell is None else limits.floor_volts_per_cell
    stretches, name = [], "cutoff"
    for phase, rate in zip(phases, rates, strict=True):
        peak = max(phase.peak_amps or 0.0, phase.amps)
        cutoff = (limits.cutoff_volts + peak * limits.lead_ohm) / cells
        name = "floor" if floor > cutoff else "cutoff"
        mean = np.maximum(np.reshape(rate, (-1, 1)), LEAST_RATE)
        heavy = mean * (peak / phase.amps) if phase.amps > 0 else mean
        stretches.append(Stretch(phase.seconds / 3600, mean, heavy, np.full((1, 1), max(cutoff, floor))))
    return name, stretches

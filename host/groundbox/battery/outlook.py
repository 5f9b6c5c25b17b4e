"""How long a full battery would last, by its papers alone."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from groundbox.battery.estimate import FLOOR_VOLTS, Estimator, Limits, Phase
from groundbox.battery.papers import Papers
from groundbox.battery.values import Sample

RATES = (0.05, 0.1, 0.2, 0.5, 1.0)
RESTED_VOLTS = 2.15


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlookRow:
    """Hours from full at a steady load to `end_volts` of the whole battery."""

    amps: float
    end_volts: float
    early_h: float
    likely_h: float
    late_h: float


def from_full(
    papers: Papers, amps: float, end_volts_per_cell: float = FLOOR_VOLTS, block_c: float = 25.0
) -> OutlookRow:
    """Hours a full battery lasts at a steady `amps` down to `end_volts_per_cell`."""
    end_volts = end_volts_per_cell * papers.cells
    estimator = Estimator(papers, Limits(cutoff_volts=end_volts, floor_volts_per_cell=0.0), start_soc=1.0)
    estimator.update(Sample(t_s=0.0, volts=RESTED_VOLTS * papers.cells, amps=0.0, block_c=block_c))
    found = estimator.estimate([Phase(seconds=math.inf, amps=amps)])
    hours = [0.0 if s is None else s / 3600 for s in _band(found)]
    return OutlookRow(amps=amps, end_volts=end_volts, early_h=hours[0], likely_h=hours[1], late_h=hours[2])


def _band(found: object) -> Sequence[float | None]:
    return [getattr(found, f"runtime_{name}_s") for name in ("early", "likely", "late")]


def outlook(papers: Papers) -> list[OutlookRow]:
    """From a gentle 20-hour load to one that empties it within an hour."""
    return [from_full(papers, rate * papers.c20_ah) for rate in RATES]

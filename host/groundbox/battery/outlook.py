"""How long a full battery would last, by its papers alone."""

from dataclasses import dataclass

import numpy as np

from groundbox.battery import temperature
from groundbox.battery.bank import new_bank
from groundbox.battery.estimate import FLOOR_VOLTS
from groundbox.battery.forward import Stretch, hours_left, quantiles
from groundbox.battery.papers import Papers
from groundbox.battery.profile import profile_of

RATES = (0.05, 0.1, 0.2, 0.5, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlookRow:
    """Hours from full at a steady load to `end_volts` of the whole battery: 5, 50 and 95 %."""

    amps: float
    end_volts: float
    early_h: float
    likely_h: float
    late_h: float


def from_full(
    papers: Papers, amps: float, end_volts_per_cell: float = FLOOR_VOLTS, block_c: float = 25.0
) -> OutlookRow:
    """Hours a full, rested battery lasts at a steady `amps` down to `end_volts_per_cell`, at `block_c` celsius."""
    bank = new_bank(profile_of(papers), 1.0, doubt=0.0)
    rate = np.full((1, 1), amps / papers.c20_ah / temperature.load_factor(block_c, amps / papers.c20_ah))
    hours, weights = hours_left(bank, [Stretch(np.inf, rate, rate, np.full((1, 1), end_volts_per_cell))])
    early, likely, late = quantiles(hours, weights, (0.05, 0.5, 0.95))
    end_volts = end_volts_per_cell * papers.cells
    return OutlookRow(amps=amps, end_volts=end_volts, early_h=early, likely_h=likely, late_h=late)


def outlook(papers: Papers) -> list[OutlookRow]:
    """From a gentle 20-hour load to one that empties it within an hour."""
    return [from_full(papers, rate * papers.c20_ah) for rate in RATES]

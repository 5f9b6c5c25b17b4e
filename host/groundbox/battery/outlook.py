"""How long a full battery would last, by its profile alone."""

from dataclasses import dataclass

import numpy as np

from groundbox.battery import temperature
from groundbox.battery.bank import new_bank
from groundbox.battery.estimate import END_VOLTS_PER_CELL
from groundbox.battery.forward import Stretch, hours_left, quantiles
from groundbox.battery.prior import belief_of
from groundbox.battery.profile import BatteryProfile

RATES = (0.05, 0.1, 0.2, 0.5, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlookRow:
    """Hours from full at a steady load to `end_volts` of the whole battery: 5, 50 and 95 %."""

    amps: float
    end_volts: float
    low_h: float
    expected_h: float
    high_h: float


def from_full(
    profile: BatteryProfile, amps: float, end_volts_per_cell: float = END_VOLTS_PER_CELL, battery_c: float = 25.0
) -> OutlookRow:
    """Hours a full, rested battery lasts at a steady `amps` down to `end_volts_per_cell`, at `battery_c` celsius."""
    bank = new_bank(belief_of(profile), 1.0, doubt=0.0)
    rate = np.full((1, 1), amps / profile.c20_ah / temperature.load_factor(battery_c, amps / profile.c20_ah))
    hours, weights = hours_left(bank, [Stretch(np.inf, rate, rate, np.full((1, 1), end_volts_per_cell))])
    low, expected, high = quantiles(hours, weights, (0.05, 0.5, 0.95))
    end_volts = end_volts_per_cell * profile.cells
    return OutlookRow(amps=amps, end_volts=end_volts, low_h=low, expected_h=expected, high_h=high)


def outlook(profile: BatteryProfile) -> list[OutlookRow]:
    """From a gentle 20-hour load to one that empties it within an hour."""
    return [from_full(profile, rate * profile.c20_ah) for rate in RATES]

"""The simulated battery: charge in two tanks, voltage by rest curve, resistance and slow polarisation.

Written apart from the runtime estimator and with other equations, so that a simulated session cannot flatter it.

The tanks are the kinetic battery model (Manwell and McGowan, Lead acid battery storage model for hybrid energy systems,
Solar Energy 50(5), 1993): charge at hand and bound charge, levelling at a fixed rate. Tank sizes and rate are theirs
fitted to a 7.2 Ah block's discharge table (secondary copy), scaled by C20. All other numbers here are assumed, in the
range of makers' sheets (secondary copies): rest voltage 12.9 to 11.65 V (from memory), resistance of an 18 Ah block 16
milliohm.
"""

from bisect import bisect_right
from dataclasses import dataclass
from math import exp, expm1

# Share of full charge at hand -> rest voltage of six cells.
_REST = ((-0.2, 11.30), (0.0, 11.65), (0.25, 12.00), (0.50, 12.30), (0.75, 12.60), (1.0, 12.90), (1.1, 13.02))
# Maker's data sheet (secondary copy), 10 h rate: capacity against temperature.
_CAPACITY = ((-15.0, 0.65), (0.0, 0.86), (25.0, 1.00), (40.0, 1.03))
_TANKS_PER_C20 = 8.12 / 7.2
_AT_HAND = 0.376
_RATE_PER_H = 1.178
_CHARGE_RATE_PER_H = 2.4  # levels sooner on charge: assumed, after a recorded recharge of a 17 Ah block
_KNEE_VOLTS = 0.012
_SLOW_S = 150.0
# Side reaction at 14.4 and 13.62 V: 8 and 1 mA per Ah (IEC 62485-2, valve-regulated, secondary copy).
_GAS_AMPS_PER_AH = 0.008
_GAS_PER_VOLT = 2.67


@dataclass(frozen=True, slots=True, kw_only=True)
class BatterySettings:
    """One battery.

    Attributes:
        c20_ah: nameplate capacity at the 20 h rate.
        health: share of that it still has, 0.2 to 1.1.
        ohm: resistance when full and warm, posts included.
        start_soc: state of charge at the start, 0 to 1.
    """

    c20_ah: float
    health: float = 1.0
    ohm: float = 0.016
    start_soc: float = 1.0


class LeadAcid:
    """A 12 V battery of six cells.

    Attributes:
        at_hand_ah, bound_ah: charge in the two tanks.
        volts, amps: at its posts, over the last step; amps positive on discharge.
        heat_joules, chemical_joules: given off as heat, and drawn from its store, in total.
    """

    def __init__(self, settings: BatterySettings) -> None:
        self.settings = settings
        self.full_ah = settings.c20_ah * settings.health * _TANKS_PER_C20
        self.at_hand_ah = _AT_HAND * self.full_ah * settings.start_soc
        self.bound_ah = (1 - _AT_HAND) * self.full_ah * settings.start_soc
        self.slow_volts = 0.0
        self.volts = self.amps = 0.0
        self.heat_joules = self.chemical_joules = 0.0
        self.temperature(25.0)

    @property
    def soc(self) -> float:
        """Share of the charge it can hold, 0 to 1."""
        return (self.at_hand_ah + self.bound_ah) / self.full_ah

    def temperature(self, battery_c: float) -> None:
        """Takes a new temperature of the block into account."""
        self._usable = along(_CAPACITY, battery_c)
        self._cold = 1 + 0.01 * max(0.0, 25 - battery_c)  # resistance, 1 % a kelvin: assumed
        self._look()

    def inner_volts(self) -> float:
        """Voltage behind the resistance."""
        return self._inner_volts - self.slow_volts

    def ohm(self, charging: bool) -> float:
        """Resistance in front of `inner_volts`; on charge it grows as the tank at hand fills."""
        return self._charge_ohm if charging else self._ohm

    def step(self, dt_s: float, volts: float, amps: float) -> float:
        """Draws `amps` at `volts` for `dt_s`; returns the heat given off in joules."""
        gas = self.gas_amps(volts) if amps < 0 else 0.0
        stored = min(0.0, amps + gas) if amps < 0 else amps
        drawn = self._inner_volts * stored * dt_s
        heat = drawn - volts * amps * dt_s
        self.chemical_joules += drawn
        self.heat_joules += heat
        self.volts, self.amps = volts, amps
        self._flow(dt_s / 3600, stored)
        share = -expm1(-dt_s / _SLOW_S)
        self.slow_volts += share * (amps * self._slow_ohm - self.slow_volts)
        self._look()
        return heat

    def _flow(self, hours: float, amps: float) -> None:
        rate = _RATE_PER_H if amps >= 0 else _CHARGE_RATE_PER_H
        total = self.at_hand_ah + self.bound_ah
        fade = exp(-rate * hours)
        rest = -expm1(-rate * hours)
        ramp = (rate * hours - rest) / rate
        self.at_hand_ah = self.at_hand_ah * fade + (total * _AT_HAND - amps / rate) * rest - amps * _AT_HAND * ramp
        self.bound_ah = total - amps * hours - self.at_hand_ah

    def _look(self) -> None:
        cold_share = 1 - self._usable
        head = (self.at_hand_ah / (_AT_HAND * self.full_ah) - cold_share) / self._usable
        floor = max(head, 0.004)
        self._inner_volts = along(_REST, head) - _KNEE_VOLTS * (1 / floor - 1)
        self._ohm = self.settings.ohm * self._cold * (1.3 - 0.3 * min(1.0, floor))
        scale = 17 / self.full_ah
        self._slow_ohm = 0.02 * scale * self._cold
        self._charge_ohm = self._ohm + scale * self._cold * (0.15 + 0.015 / (1.003 - min(head, 1.002)))

    def gas_amps(self, volts: float) -> float:
        """Part of a charging current that only splits water, where the current is large enough for it."""
        return _GAS_AMPS_PER_AH * self.settings.c20_ah * exp(_GAS_PER_VOLT * (min(volts, 16.0) - 14.4))


def along(rows: tuple[tuple[float, float], ...], x: float) -> float:
    """Straight-line value between (x, y) `rows` of rising x; the end rows' values outside them."""
    if x <= rows[0][0]:
        return rows[0][1]
    if x >= rows[-1][0]:
        return rows[-1][1]
    i = bisect_right(rows, (x, float("inf")))
    (x0, y0), (x1, y1) = rows[i - 1], rows[i]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)

"""Electricity in the simulated box: the battery, what it feeds, the charger, and the point where they meet.

`SimBattery` holds charge in two tanks; its voltage follows from a rest curve, a resistance and a slow polarisation.
It is written apart from the runtime estimator, with other equations, so that a simulated session cannot flatter it.

The tanks are the kinetic battery model (Manwell and McGowan, Lead acid battery storage model for hybrid energy systems,
Solar Energy 50(5), 1993): available and bound charge, which level out at a fixed rate. Tank sizes and rate are theirs,
fitted to the discharge table of a 7.2 Ah battery (secondary copy), scaled by C20. All other numbers here are assumed,
in the range of makers' sheets (secondary copies): rest voltage 12.9 to 11.65 V (from memory), resistance of an 18 Ah
battery 16 milliohm.

A charger gives its current until its voltage is reached, then holds that voltage. Each load rests, and in between goes
through bursts.
"""

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from math import exp, expm1
from random import Random

# Fraction of the available charge -> rest voltage of six cells.
_REST = ((-0.2, 11.30), (0.0, 11.65), (0.25, 12.00), (0.50, 12.30), (0.75, 12.60), (1.0, 12.90), (1.1, 13.02))
# Maker's data sheet (secondary copy), 10 h rate: capacity against temperature.
_CAPACITY = ((-15.0, 0.65), (0.0, 0.86), (25.0, 1.00), (40.0, 1.03))
_TANKS_PER_C20 = 8.12 / 7.2
_AVAILABLE = 0.376
_RATE_PER_H = 1.178
_CHARGE_RATE_PER_H = 2.4  # levels out faster on charge: assumed, after a recorded recharge of a 17 Ah battery
_KNEE_VOLTS = 0.012
_SLOW_S = 150.0
# Side reaction at 14.4 and 13.62 V: 8 and 1 mA per Ah (IEC 62485-2, valve-regulated, secondary copy).
_GAS_AMPS_PER_AH = 0.008
_GAS_PER_VOLT = 2.67


@dataclass(frozen=True, slots=True, kw_only=True)
class SimBatterySettings:
    """One battery.

    Attributes:
        c20_ah: nameplate capacity at the 20 h rate.
        health: fraction of that it still has, 0.2 to 1.1.
        ohm: resistance when full and warm, terminals included.
        start_soc: state of charge at the start, 0 to 1.
    """

    c20_ah: float
    health: float = 1.0
    ohm: float = 0.016
    start_soc: float = 1.0


class SimBattery:
    """A 12 V battery of six cells.

    Attributes:
        available_ah, bound_ah: charge in the two tanks.
        volts, amps: at its terminals, over the last step; amps positive on discharge.
        heat_joules, chemical_joules: given off as heat, and drawn from its store, in total.
    """

    def __init__(self, settings: SimBatterySettings) -> None:
        self.settings = settings
        self.full_ah = settings.c20_ah * settings.health * _TANKS_PER_C20
        self.available_ah = _AVAILABLE * self.full_ah * settings.start_soc
        self.bound_ah = (1 - _AVAILABLE) * self.full_ah * settings.start_soc
        self.slow_volts = 0.0
        self.volts = self.amps = 0.0
        self.heat_joules = self.chemical_joules = 0.0
        self.temperature(25.0)

    @property
    def soc(self) -> float:
        """State of charge, 0 to 1."""
        return (self.available_ah + self.bound_ah) / self.full_ah

    def temperature(self, battery_c: float) -> None:
        """Takes a new battery temperature into account."""
        self._usable = along(_CAPACITY, battery_c)
        self._cold = 1 + 0.01 * max(0.0, 25 - battery_c)  # resistance, 1 % a kelvin: assumed
        self._refresh()

    def inner_volts(self) -> float:
        """Voltage behind the resistance."""
        return self._inner_volts - self.slow_volts

    def ohm(self, charging: bool) -> float:
        """Resistance in front of `inner_volts`; on charge it grows as the tank of available charge fills."""
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
        fraction = -expm1(-dt_s / _SLOW_S)
        self.slow_volts += fraction * (amps * self._slow_ohm - self.slow_volts)
        self._refresh()
        return heat

    def _flow(self, hours: float, amps: float) -> None:
        rate = _RATE_PER_H if amps >= 0 else _CHARGE_RATE_PER_H
        total = self.available_ah + self.bound_ah
        fade = exp(-rate * hours)
        rest = -expm1(-rate * hours)
        ramp = (rate * hours - rest) / rate
        self.available_ah = (
            self.available_ah * fade + (total * _AVAILABLE - amps / rate) * rest - amps * _AVAILABLE * ramp
        )
        self.bound_ah = total - amps * hours - self.available_ah

    def _refresh(self) -> None:
        cold_loss = 1 - self._usable
        head = (self.available_ah / (_AVAILABLE * self.full_ah) - cold_loss) / self._usable
        head_clipped = max(head, 0.004)
        self._inner_volts = along(_REST, head) - _KNEE_VOLTS * (1 / head_clipped - 1)
        self._ohm = self.settings.ohm * self._cold * (1.3 - 0.3 * min(1.0, head_clipped))
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


@dataclass(slots=True)
class SimCharger:
    """Unplugged at 0 A."""

    amps: float = 0.0
    volts: float = 14.4


@dataclass(frozen=True, slots=True)
class SimNode:
    """Voltages and currents at the battery and the equipment; amps positive out of the battery and into the loads."""

    battery_volts: float
    battery_amps: float
    equipment_volts: float
    load_amps: float
    charger_amps: float


def solve(inner_volts: float, ohms: tuple[float, float], lead_ohm: float, watts: float, charger: SimCharger) -> SimNode:
    """Voltages and currents where battery, charger and constant-power loads meet, solved from the quadratic.

    Args:
        inner_volts: voltage behind the battery's resistance.
        ohms: that resistance on discharge and on charge, fuse and terminals included.
        lead_ohm: from the battery to the equipment, there and back.
        watts: taken by the loads at the equipment. More than the battery can give brings half its voltage.
        charger: at the battery's side of the lead.
    """
    if charger.amps <= 0:
        return _driven(inner_volts, ohms[0], lead_ohm, watts, 0.0)
    load_amps, equipment_volts = _load(charger.volts, lead_ohm, watts)
    battery_amps = _divide(inner_volts - charger.volts, ohms)
    given = load_amps - battery_amps
    if 0 <= given <= charger.amps:
        return SimNode(charger.volts, battery_amps, equipment_volts, load_amps, given)
    if given < 0:  # the battery's voltage is higher than the charger's
        return _driven(inner_volts, ohms[0], lead_ohm, watts, 0.0)
    node = _driven(inner_volts, ohms[1], lead_ohm, watts, charger.amps)
    return node if node.battery_amps < 0 else _driven(inner_volts, ohms[0], lead_ohm, watts, charger.amps)


def _divide(volts: float, ohms: tuple[float, float]) -> float:
    return volts / (ohms[0] if volts > 0 else ohms[1])


def _load(volts: float, lead_ohm: float, watts: float) -> tuple[float, float]:
    inside = volts * volts - 4 * lead_ohm * watts
    equipment = (volts + inside**0.5) / 2 if inside > 0 else volts / 2
    amps = watts / equipment if inside > 0 else (volts - equipment) / max(lead_ohm, 1e-9)
    return amps, equipment


def _driven(inner_volts: float, ohm: float, lead_ohm: float, watts: float, charger_amps: float) -> SimNode:
    """The charger as a source of current."""
    source = inner_volts + charger_amps * ohm
    load_amps, equipment_volts = _load(source, ohm + lead_ohm, watts)
    battery_amps = load_amps - charger_amps
    return SimNode(inner_volts - battery_amps * ohm, battery_amps, equipment_volts, load_amps, charger_amps)


_BACK_VOLTS = 0.2  # a load that stopped starts again this far above its lowest voltage: assumed


@dataclass(frozen=True, slots=True, kw_only=True)
class SimLoadSettings:
    """One load.

    Attributes:
        watts: taken while it rests between bursts; a load without bursts takes it always.
        rest_s: length of the rest, the mean of it when `irregular`.
        bursts: (seconds, watts) one after the other, then rest again.
        irregular: rests are drawn from an exponential distribution.
        output: 1 or 2 when the board can switch it, 0 when it is wired straight through.
        heat_fraction: fraction of its power that warms the case.
        lowest_volts: under this it stops working and takes nothing.
    """

    name: str
    watts: float
    rest_s: float = 3600.0
    bursts: tuple[tuple[float, float], ...] = ()
    irregular: bool = False
    output: int = 0
    heat_fraction: float = 1.0
    lowest_volts: float = 0.0

    @property
    def mean_watts(self) -> float:
        """Mean over rest and bursts."""
        if not self.bursts:
            return self.watts
        joules = self.watts * self.rest_s + sum(seconds * watts for seconds, watts in self.bursts)
        return joules / (self.rest_s + sum(seconds for seconds, _ in self.bursts))


class SimLoad:
    """One load in time.

    Attributes:
        watts: what it draws now, when fed.
        until_s: when that changes by itself.
        requested: None follows its pattern; True or False when a person has switched it.
        working: False after its voltage fell too low.
    """

    __slots__ = ("_pattern", "requested", "settings", "until_s", "watts", "working")

    def __init__(self, settings: SimLoadSettings, seed: str) -> None:
        self.settings = settings
        self.requested: bool | None = None
        self.working = True
        self._pattern = _pattern(settings, Random(seed))
        self.until_s = 0.0
        self.watts = 0.0
        self.move_to(0.0)

    def move_to(self, now_s: float) -> None:
        """Follows the pattern up to `now_s`."""
        while self.until_s <= now_s:
            seconds, self.watts = next(self._pattern)
            self.until_s += seconds

    def taken(self, powered: bool) -> float:
        """Watts it takes now, on a feed that is `powered` or not."""
        if not powered or not self.working or self.requested is False:
            return 0.0
        return self.watts

    def update_voltage(self, volts: float) -> None:
        """Stops or starts by the voltage it is fed with."""
        lowest = self.settings.lowest_volts
        if volts < lowest:
            self.working = False
        elif volts >= lowest + _BACK_VOLTS:
            self.working = True


def _pattern(settings: SimLoadSettings, random: Random) -> Iterator[tuple[float, float]]:
    while True:
        rest_s = random.expovariate(1 / settings.rest_s) if settings.irregular else settings.rest_s
        yield rest_s, settings.watts
        yield from settings.bursts

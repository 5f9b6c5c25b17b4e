"""The batteries of the day for the planner: the estimator's particles, run forward without readings."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from msgspec import json
from msgspec.structs import replace

from groundbox.battery import cell
from groundbox.battery.limits import RuntimeLimits
from groundbox.battery.particles import Particles, draw_particles, low_discrepancy_points, normal_quantiles
from groundbox.battery.prior import CAPACITY, prior_with_fit
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.runtime import hours_left, quantiles, stretches_to
from groundbox.battery.values import Phase
from groundbox.plan.charge_model import ChargedBattery
from groundbox.plan.day import BatteryOfDay, Day
from groundbox.plan.schedule.problem import Points

MEMBERS = 160
SPREAD = (0.05, 0.5, 0.95)
HEALTH_SD = 0.04  # of a capacity that a person states from a test (two equal runs of one battery differ by 3.6 %)


@dataclass(frozen=True, slots=True, kw_only=True)
class RuntimeBand:
    """Minutes until the first limit: 5, 50, 95 %. `limit` is "cutoff" or "end_voltage"."""

    low_min: float
    expected_min: float
    high_min: float
    limit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SocBand:
    """State of charge, 0 to 1: 5, 50, 95 %."""

    low: float
    expected: float
    high: float


def initial_bank(profile: BatteryProfile, *, health: float | None, soc: float, soc_sd: float) -> Particles:
    """Particles of a battery: profile, a stated health (present over rated capacity), a charge with its spread."""
    prior = prior_with_fit(profile)
    if health is not None:
        mean = min(health, float(prior.mean[CAPACITY])) if profile.fitted is None else health
        prior = prior.with_number(CAPACITY, mean, HEALTH_SD * mean)
        prior = type(prior)(
            mean=prior.mean, covariance=prior.covariance, error_volts=prior.error_volts, worn_probability=0.0
        )
    bank = draw_particles(prior, 1.0, count=MEMBERS)
    scores = normal_quantiles(low_discrepancy_points(MEMBERS, 3)[:, 2])
    charge = np.clip(soc + soc_sd * scores, 0.0, 1.0)
    bank.drawn = (1 - charge) * bank.capacity
    return bank


def soc_of(bank: Particles) -> SocBand:
    """The charge as a band."""
    low, expected, high = quantiles(bank.charge(), bank.weight, SPREAD)
    return SocBand(low=low, expected=expected, high=high)


def expected_missing(bank: Particles) -> float:
    """Median charge missing, as a fraction of C20."""
    return float(quantiles(bank.drawn, bank.weight, (0.5,))[0])


def expected_capacity(bank: Particles) -> float:
    """Median present 20-hour capacity over C20."""
    return float(quantiles(bank.capacity, bank.weight, (0.5,))[0])


def draw(bank: Particles, profile: BatteryProfile, amps: float, hours: float, battery_c: float) -> None:
    """Draw a load (positive) or store a charging current (negative) for `hours`."""
    rate = amps / profile.c20_ah
    bank.advance(rate / cell.load_factor(battery_c, rate) if amps > 0 else rate, hours)


def at_charge(bank: Particles, soc: float) -> Particles:
    """A copy with every particle moved by the same charge so that the median is at `soc`, rested."""
    shift = (1 - soc) * bank.capacity - expected_missing(bank)
    return Particles(
        capacity=bank.capacity,
        strength=bank.strength,
        drawn=np.clip(bank.drawn + shift, 0.0, None),
        wells=np.zeros_like(bank.wells),
        mean=bank.mean,
        covariance=bank.covariance,
        log_weight=bank.log_weight,
        error_volts=bank.error_volts,
    )


def runtime(
    bank: Particles, profile: BatteryProfile, limits: RuntimeLimits, phases: Sequence[Phase], battery_c: float
) -> RuntimeBand:
    """Minutes to the first limit with these loads, the last of them without end."""
    rates = [phase.amps / profile.c20_ah for phase in phases]
    rates = [rate / cell.load_factor(battery_c, rate) for rate in rates]
    limit, stretches = stretches_to(limits, profile, phases, rates)
    low, expected, high = (60 * hours for hours in quantiles(*hours_left(bank, stretches), SPREAD))
    return RuntimeBand(low_min=low, expected_min=expected, high_min=high, limit=limit)


class LowRuntimeCurve:
    """Low runtime in minutes at every tenth of charge, rested; each computed when first needed."""

    def __init__(
        self, bank: Particles, profile: BatteryProfile, limits: RuntimeLimits, phases: Sequence[Phase], battery_c: float
    ) -> None:
        self._asked = (bank, profile, limits, tuple(phases), battery_c)
        self._minutes: dict[int, float] = {}

    def at(self, tenths: int) -> float:
        """Minutes from so many tenths of charge."""
        if tenths not in self._minutes:
            bank, profile, limits, phases, battery_c = self._asked
            self._minutes[tenths] = runtime(at_charge(bank, tenths / 10), profile, limits, phases, battery_c).low_min
        return self._minutes[tenths]

    def minutes(self, soc: float) -> float:
        """Minutes from a charge, straight between tenths."""
        tenths = min(max(10 * soc, 1.0), 10.0)
        low = min(int(tenths), 9)
        return self.at(low) + (tenths - low) * (self.at(low + 1) - self.at(low))

    def minimum_soc(self, minutes: float) -> float | None:
        """Minimum charge with a low runtime of `minutes`; None where full is too little."""
        if self.at(10) < minutes:
            return None
        low, high = 1, 10
        if self.at(low) >= minutes:
            return low / 10
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if self.at(middle) < minutes else (low, middle)
        y0, y1 = self.at(low), self.at(high)
        return (low + (minutes - y0) / (y1 - y0)) / 10


def resampled(bank: Particles, members: int = MEMBERS) -> Particles:
    """About the same distribution in fewer, equally weighted particles, for planning; without an unknown load."""
    if len(bank.capacity) <= members and bank.log_rate is None:
        return bank
    kept = np.searchsorted(np.cumsum(bank.weight), (np.arange(members) + 0.5) / members).clip(0, len(bank.capacity) - 1)
    return Particles(
        capacity=bank.capacity[kept],
        strength=bank.strength[kept],
        drawn=bank.drawn[kept],
        wells=bank.wells[kept],
        mean=bank.mean[kept],
        covariance=bank.covariance[kept],
        log_weight=np.zeros(members),
        error_volts=bank.error_volts,
    )


CELSIUS_STEP = 4.0  # charge curves and needs are computed once for each so many kelvin, on the cold side


@dataclass(slots=True)
class BatteryPool:
    """The batteries of the day with their particles, and curves already computed. Replanning keeps one pool.

    learned: batteries whose readings replaced their profile; they have no curves in common with others.
    """

    banks: dict[str, Particles]
    profiles: dict[str, BatteryProfile]
    low: dict[tuple[object, ...], LowRuntimeCurve] = field(default_factory=dict)
    learned: frozenset[str] = frozenset()
    curves: dict[tuple[object, ...], Points] = field(default_factory=dict)
    capacity: dict[str, float] = field(default_factory=dict)

    def capacity_of(self, name: str) -> float:
        """Median 20-hour capacity over C20, computed once."""
        if name not in self.capacity:
            self.capacity[name] = expected_capacity(self.banks[name])
        return self.capacity[name]


def pool_of(day: Day) -> BatteryPool:
    """Every battery of the day by its profile, health and stated charge."""
    banks = {name: bank_of(battery) for name, battery in day.batteries.items()}
    return BatteryPool(banks=banks, profiles={name: battery.profile for name, battery in day.batteries.items()})


def bank_of(battery: BatteryOfDay) -> Particles:
    """One battery by its profile, health and stated charge."""
    entry = battery.battery
    return initial_bank(battery.profile, health=entry.health, soc=entry.charge, soc_sd=entry.charge_sd)


def battery_key(day: Day, pool: BatteryPool, name: str) -> tuple[object, ...]:
    """The key of computed curves: batteries with equal entries, but for their label, have them in common."""
    entry = day.batteries[name].battery
    profile = json.encode(replace(pool.profiles[name], label=""))
    return (profile, entry.health, entry.charge_sd, name if name in pool.learned else "")


def charged_battery(day: Day, pool: BatteryPool, name: str, minute: float) -> ChargedBattery:
    """The battery for the charge model at a minute of the day."""
    profile = pool.profiles[name]
    return ChargedBattery(
        c20_ah=profile.c20_ah,
        health=pool.capacity_of(name),
        cells=profile.cells,
        max_amps=profile.max_charge_amps,
        battery_c=day.battery_c(minute),
    )

"""The batteries of the day as believed, with what was worked out about them."""

from dataclasses import dataclass, field

from msgspec import json
from msgspec.structs import replace

from groundbox.battery.bank import Bank
from groundbox.battery.profile import BatteryProfile
from groundbox.plan import charge, supply
from groundbox.plan.day import BatteryOfDay, Day
from groundbox.plan.problem import Points

CELSIUS_STEP = 4.0  # charge curves and needs are worked out once for each so many kelvin, on the cold side


@dataclass(slots=True)
class Yard:
    """Batteries with what is believed of them, and answers already worked out. One a day; replanning keeps it.

    learned: batteries whose readings told more than their profile; they share nothing with others.
    """

    banks: dict[str, Bank]
    profiles: dict[str, BatteryProfile]
    low: dict[tuple[object, ...], supply.LowCurve] = field(default_factory=dict)
    learned: frozenset[str] = frozenset()
    curves: dict[tuple[object, ...], Points] = field(default_factory=dict)
    capacity: dict[str, float] = field(default_factory=dict)

    def capacity_of(self, name: str) -> float:
        """Likely 20-hour capacity over C20, worked out once."""
        if name not in self.capacity:
            self.capacity[name] = supply.expected_capacity(self.banks[name])
        return self.capacity[name]


def yard_of(day: Day) -> Yard:
    """Every battery of the day as profile, health and stated charge tell it."""
    banks = {name: believed_of(battery) for name, battery in day.batteries.items()}
    return Yard(banks=banks, profiles={name: battery.profile for name, battery in day.batteries.items()})


def believed_of(battery: BatteryOfDay) -> Bank:
    """One battery as profile, health and stated charge tell it."""
    entry = battery.battery
    return supply.believed(battery.profile, health=entry.health, soc=entry.charge, soc_sd=entry.charge_sd)


def battery_key(day: Day, yard: Yard, name: str) -> tuple[object, ...]:
    """Batteries that are equal on paper, but for their label, share what was worked out."""
    entry = day.batteries[name].battery
    profile = json.encode(replace(yard.profiles[name], label=""))
    return (profile, entry.health, entry.charge_sd, name if name in yard.learned else "")


def block_of(day: Day, yard: Yard, name: str, minute: float) -> charge.Block:
    """The battery as a charge sees it at a minute of the day."""
    profile = yard.profiles[name]
    return charge.Block(
        c20_ah=profile.c20_ah,
        health=yard.capacity_of(name),
        cells=profile.cells,
        max_amps=profile.max_charge_amps,
        battery_c=day.battery_c(minute),
    )

"""The batteries of the day as believed, with what was worked out about them."""

from dataclasses import dataclass, field

from msgspec import json
from msgspec.structs import replace

from groundbox.battery.bank import Bank
from groundbox.battery.papers import Papers
from groundbox.plan import charge, supply
from groundbox.plan.day import Day, FieldBattery
from groundbox.plan.problem import Points

CELSIUS_STEP = 4.0  # charge curves and needs are worked out once for each so many kelvin, on the cold side


@dataclass(slots=True)
class Yard:
    """Batteries with what is believed of them, and answers already worked out. One a day; replanning keeps it.

    learned: batteries whose readings told more than their papers; they share nothing with others.
    """

    banks: dict[str, Bank]
    papers: dict[str, Papers]
    early: dict[tuple[object, ...], supply.EarlyCurve] = field(default_factory=dict)
    learned: frozenset[str] = frozenset()
    curves: dict[tuple[object, ...], Points] = field(default_factory=dict)
    capacity: dict[str, float] = field(default_factory=dict)

    def capacity_of(self, name: str) -> float:
        """Likely 20-hour capacity over C20, worked out once."""
        if name not in self.capacity:
            self.capacity[name] = supply.likely_capacity(self.banks[name])
        return self.capacity[name]


def yard_of(day: Day) -> Yard:
    """Every battery of the day as papers, health and stated charge tell it."""
    banks = {name: believed_of(battery) for name, battery in day.batteries.items()}
    return Yard(banks=banks, papers={name: battery.papers for name, battery in day.batteries.items()})


def believed_of(battery: FieldBattery) -> Bank:
    """One battery as papers, health and stated charge tell it."""
    entry = battery.battery
    return supply.believed(battery.papers, health=entry.health, soc=entry.charge, soc_sd=entry.charge_sd)


def battery_key(day: Day, yard: Yard, name: str) -> tuple[object, ...]:
    """Batteries that are equal on paper, but for their label, share what was worked out."""
    entry = day.batteries[name].battery
    papers = json.encode(replace(yard.papers[name], label=""))
    return (papers, entry.health, entry.charge_sd, name if name in yard.learned else "")


def block_of(day: Day, yard: Yard, name: str, minute: float) -> charge.Block:
    """The battery as a charge sees it at a minute of the day."""
    papers = yard.papers[name]
    return charge.Block(
        c20_ah=papers.c20_ah,
        health=yard.capacity_of(name),
        cells=papers.cells,
        max_amps=papers.max_charge_amps,
        block_c=day.block_c(minute),
    )

"""A charger at the box's charge port: as many amps as it gives, until its voltage is reached, then that voltage."""

from dataclasses import dataclass


@dataclass(slots=True)
class Charger:
    """Unplugged at 0 A."""

    amps: float = 0.0
    volts: float = 14.4


@dataclass(frozen=True, slots=True)
class Node:
    """What stands at the battery's posts and at the equipment; amps positive out of the battery and into the loads."""

    battery_volts: float
    battery_amps: float
    equipment_volts: float
    load_amps: float
    charger_amps: float


def solve(inner_volts: float, ohms: tuple[float, float], lead_ohm: float, watts: float, charger: Charger) -> Node:
    """Voltages and currents where battery, charger and constant-power loads meet, from the quadratic that holds there.

    Args:
        inner_volts: voltage behind the battery's resistance.
        ohms: that resistance on discharge and on charge, fuse and posts included.
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
        return Node(charger.volts, battery_amps, equipment_volts, load_amps, given)
    if given < 0:  # the battery stands higher than the charger
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


def _driven(inner_volts: float, ohm: float, lead_ohm: float, watts: float, charger_amps: float) -> Node:
    """The charger as a source of current."""
    source = inner_volts + charger_amps * ohm
    load_amps, equipment_volts = _load(source, ohm + lead_ohm, watts)
    battery_amps = load_amps - charger_amps
    return Node(inner_volts - battery_amps * ohm, battery_amps, equipment_volts, load_amps, charger_amps)

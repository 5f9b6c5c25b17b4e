"""What the declared loads of a box draw. Pure."""

from collections.abc import Sequence

from groundbox.model import Reading
from groundbox.settings import LoadSettings

FAN_AMPS = 0.15  # of one fan at full drive where no load is declared (an 80 mm fan takes 0.1 to 0.25 A, from memory)


def fans_run(reading: Reading) -> bool:
    """True while any fan is driven."""
    return any((fan.percent or 0) > 0 for fan in reading.fans.values())


def fans_amps(reading: Reading) -> float:
    """About what the fans take that the board drives."""
    return FAN_AMPS * sum(fan.percent or 0 for fan in reading.fans.values()) / 100


def is_on(load: LoadSettings, reading: Reading) -> bool:
    """False for a load whose output is off, and for one that runs with the fans while they stand."""
    if load.with_fans and not fans_run(reading):
        return False
    return load.output is None or reading.outputs.get(load.output) not in ("off", "shed")


def declared_amps(loads: Sequence[LoadSettings], volts: float, reading: Reading | None) -> float | None:
    """Mean amperes of the declared loads at `volts`: those on in `reading`, or all; None if none is declared."""
    if not loads:
        return None
    return sum(load.mean_amps(volts) * load.fraction for load in loads if reading is None or is_on(load, reading))


def largest_start(loads: Sequence[LoadSettings], volts: float) -> LoadSettings | None:
    """The load that adds most above its mean when it starts; None with none declared."""
    return max(loads, key=lambda load: _above(load, volts), default=None)


def peak_above_mean(loads: Sequence[LoadSettings], volts: float) -> float:
    """Amperes that the largest load adds, when it starts, to the mean of all."""
    largest = largest_start(loads, volts)
    return _above(largest, volts) if largest else 0.0


def _above(load: LoadSettings, volts: float) -> float:
    return load.largest_amps(volts) - load.mean_amps(volts) * load.fraction


def sheddable(loads: Sequence[LoadSettings], reading: Reading | None) -> tuple[str, ...]:
    """Names of the sheddable loads that are on, largest current first; not fans under the thermostat."""
    chosen = [
        load for load in loads if load.sheddable and not load.with_fans and (reading is None or is_on(load, reading))
    ]
    return tuple(load.name for load in sorted(chosen, key=lambda load: -load.mean_amps(12.0) * load.fraction))


def most_fragile(loads: Sequence[LoadSettings]) -> LoadSettings | None:
    """The load with the lowest maximum voltage; None where no load declares one."""
    declared = [load for load in loads if load.highest_volts is not None]
    return min(declared, key=lambda load: load.highest_volts or 0.0, default=None)

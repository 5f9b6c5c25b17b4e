"""What the declared loads of a box draw, and the lowest voltage when the largest one starts. Pure.

The battery's resistance is taken from the readings: the lowest voltage against the highest current of the same second.
Until a load has shown it, it is the profile's fitted value, else an ordinary one for the battery's size."""

from collections import deque
from collections.abc import Sequence

from groundbox.model import Reading
from groundbox.settings import LoadSettings

FAN_AMPS = 0.15  # of one fan at full drive where no load is declared (an 80 mm fan takes 0.1 to 0.25 A, from memory)


def fans_run(reading: Reading) -> bool:
    """True while any fan is driven."""
    return any((fan.percent or 0) > 0 for fan in reading.fans.values())


def fans_amps(reading: Reading) -> float:
    """Assumed amperes of the fans that the board drives."""
    return FAN_AMPS * sum(fan.percent or 0 for fan in reading.fans.values()) / 100


def is_on(load: LoadSettings, reading: Reading) -> bool:
    """False for a load whose output is off, and for one that runs with the fans while they are stopped."""
    if load.with_fans and not fans_run(reading):
        return False
    return load.output is None or reading.outputs.get(load.output) not in ("off", "shed", "starting")


def declared_amps(loads: Sequence[LoadSettings], volts: float, reading: Reading | None) -> float | None:
    """Mean amperes of the declared loads at `volts`: those on in `reading`, or all; None if none is declared."""
    if not loads:
        return None
    return sum(load.mean_amps(volts) * load.fraction for load in loads if reading is None or is_on(load, reading))


def off_watts(loads: Sequence[LoadSettings], volts: float, reading: Reading) -> float:
    """Mean watts of the declared loads whose output is off in `reading`."""
    off = [load for load in loads if load.output is not None and not is_on(load, reading)]
    return sum(load.mean_amps(volts) * load.fraction * volts for load in off)


def largest_start(loads: Sequence[LoadSettings], volts: float) -> LoadSettings | None:
    """The load with the largest current above its mean when it starts; None with none declared."""
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


SHOWN_AMPS = 0.8  # a swing of current that shows a resistance
REMEMBERED = 20
LOWEST_WITHIN_S = 60.0
OHM_AH = 0.45  # ohms times ampere-hours of an ordinary battery, its polarisation in a second included (assumed)
MAX_OHM = 1.0
NO_CONTACT_VOLTS = 1.0  # lower than any load pulls a battery: contact was lost (the board's own bound)


def at_equipment(reading: Reading, lead_ohm: float) -> float | None:
    """Volts of the lowest fast sample at the equipment; None without one, and while contact was lost."""
    lowest, highest = reading.battery_min_volts, reading.battery_max_amps
    if lowest is None or lowest < NO_CONTACT_VOLTS:
        return None
    return lowest - max(highest or 0.0, 0.0) * lead_ohm


class Sag:
    """Follows one battery: its resistance, and the lowest voltage at the equipment.

    Args:
        lead_ohm: leads, fuse and connectors between battery and equipment.
        c20_ah, fitted_ohm: from the profile.
    """

    def __init__(self, lead_ohm: float, c20_ah: float | None, fitted_ohm: float | None = None) -> None:
        self._lead_ohm = lead_ohm
        self._profile_ohm = fitted_ohm or (OHM_AH / c20_ah if c20_ah else None)
        self._measured: deque[float] = deque(maxlen=REMEMBERED)
        self._lowest: deque[tuple[float, float]] = deque()  # (uptime, equipment volts), rising

    def take(self, reading: Reading) -> None:
        """Takes one reading."""
        lowest, highest = reading.battery_min_volts, reading.battery_max_amps
        equipment_volts = at_equipment(reading, self._lead_ohm)
        if lowest is None or equipment_volts is None:
            return
        volts, amps = reading.battery_volts, reading.battery_amps
        if volts is not None and amps is not None and highest is not None and highest - amps >= SHOWN_AMPS:
            self._measured.append(min(max((volts - lowest) / (highest - amps), 0.0), MAX_OHM))
        now_s = reading.uptime_ms / 1000
        while self._lowest and (self._lowest[-1][1] >= equipment_volts or self._lowest[-1][0] > now_s):
            self._lowest.pop()
        self._lowest.append((now_s, equipment_volts))
        while self._lowest[0][0] < now_s - LOWEST_WITHIN_S:
            self._lowest.popleft()

    @property
    def measured_ohm(self) -> float | None:
        """As the bursts of this battery showed it of late: median; None before the first."""
        return sorted(self._measured)[len(self._measured) // 2] if self._measured else None

    @property
    def lowest_volts(self) -> float | None:
        """The lowest fast sample of the last minute, at the equipment; None while unknown."""
        return self._lowest[0][1] if self._lowest else None

    @property
    def ohm(self) -> float | None:
        """The battery's resistance: median of the measured ones, else by the profile; None while unknown."""
        measured = self.measured_ohm
        return self._profile_ohm if measured is None else measured

    def expected(self, volts: float | None, amps: float | None, more_amps: float) -> float | None:
        """Volts at the equipment when `more_amps` start, at most the lowest of the last minute; None while unknown."""
        lowest = self.lowest_volts
        if volts is None or amps is None or self.ohm is None:
            return lowest
        predicted = volts - amps * self._lead_ohm - more_amps * (self.ohm + self._lead_ohm)
        return predicted if lowest is None else min(predicted, lowest)

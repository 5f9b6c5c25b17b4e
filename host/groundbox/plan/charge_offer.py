"""Which charger brings soonest what a battery lacks: those of the day file, else an assumed one. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil

from groundbox.battery.profile import BatteryProfile
from groundbox.plan import charge_model
from groundbox.plan.charge_model import charger_of
from groundbox.plan.day import Day, open_minutes
from groundbox.plan.day_keys import DayCharger

ASSUMED_C20 = 0.2  # amps of an assumed charger, as a fraction of C20 (common practice, no source)
USUAL_C = 25.0
MAX_NAMED_H = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargeNeed:
    """What a battery lacks. `gain_ah` is needed of the `missing_ah`; None: until it counts as full.

    health: present over rated capacity; max_amps: by its sheet; load_amps: what the loads draw meanwhile.
    """

    box: str
    battery: str | None
    c20_ah: float
    missing_ah: float
    gain_ah: float | None = None
    health: float = 1.0
    cells: int = 6
    max_amps: float | None = None
    battery_c: float | None = None
    load_amps: float = 0.0

    @property
    def charged_battery(self) -> charge_model.ChargedBattery:
        """The battery for the charge model; a battery temperature that is not measured counts as 25 °C."""
        return charge_model.ChargedBattery(
            c20_ah=self.c20_ah,
            health=self.health,
            cells=self.cells,
            max_amps=self.max_amps,
            battery_c=USUAL_C if self.battery_c is None else self.battery_c,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargeOffer:
    """A charger, its amperes and hours; `charger` is None for an assumed one. `because` states why there is none."""

    charger: str | None = None
    amps: float = 0.0
    hours: float | None = None
    because: str = ""


def offer(day: Day | None, need: ChargeNeed, *, minute: float | None = None, at_home: bool = False) -> ChargeOffer:
    """The charger that is ready soonest, or why there is none.

    Args:
        day: whose chargers; None, or one without chargers, assumes one.
        minute: of the day, for chargers with opening hours; None ignores them.
        at_home: only those that run on the mains.
    """
    entries = _reaching(day, need, minute, at_home) if day and day.chargers else [_assumed(need)]
    offers = [_of(entry, need) for entry in entries]
    ready = [one for one in offers if one.hours is not None]
    if ready:
        best = min(ready, key=lambda one: one.hours or 0.0)
        return best if day and day.chargers else replace(best, charger=None)
    because = next((one.because for one in offers if one.because), "no charger of the day file reaches it")
    return ChargeOffer(because=because)


def _assumed(need: ChargeNeed) -> DayCharger:
    limit_amps = need.charged_battery.limit_amps
    return DayCharger(name="a charger", amps=min(ASSUMED_C20 * need.c20_ah, limit_amps))


def _reaching(day: Day, need: ChargeNeed, minute: float | None, at_home: bool) -> Sequence[DayCharger]:
    found = []
    for entry in day.chargers.values():
        begin, end = open_minutes(day, entry)
        is_open = minute is None or begin <= minute < end
        if (not entry.boxes or need.box in entry.boxes) and (entry.at_home or not at_home) and is_open:
            found.append(entry)
    return found


def _of(entry: DayCharger, need: ChargeNeed) -> ChargeOffer:
    battery = need.charged_battery
    amps = charge_model.chosen_amps(battery, entry.amps, tuple(entry.settable_amps))
    charger = charger_of(entry, amps or min([entry.amps, *entry.settable_amps]))
    refused = charge_model.refusals(battery, charger)
    if refused or amps is None:
        return ChargeOffer(
            charger=entry.name, because=refused[0] if refused else f"{entry.name} gives more than it takes"
        )
    if need.gain_ah is None:
        hours = charge_model.hours_until_full(battery, charger, need.missing_ah, load_amps=need.load_amps)
    else:
        wanted_ah = max(need.missing_ah - need.gain_ah, 0.0)
        hours = charge_model.hours_until(battery, charger, need.missing_ah, wanted_ah, load_amps=need.load_amps)
    because = "" if hours is not None else f"{entry.name} never brings so much under this load"
    return ChargeOffer(charger=entry.name, amps=amps, hours=hours, because=because)


def charge_words(
    day: Day | None,
    box: str,
    profile: BatteryProfile,
    *,
    soc: float,
    gain_ah: float,
    battery_c: float | None,
) -> str:
    """How to charge what a battery lacks, as an instruction without cautions: "charge the battery 40 min at 2.5 A".

    The box is off meanwhile. A charge longer than MAX_NAMED_H is not named: the battery is to be swapped.

    Args:
        day: whose chargers; None assumes one.
        soc: present state of charge, 0 to 1.
        gain_ah: ampere-hours needed.
        battery_c: battery temperature, °C; None: not measured.
    """
    need = ChargeNeed(
        box=box,
        battery=None,
        c20_ah=profile.c20_ah,
        cells=profile.cells,
        max_amps=profile.max_charge_amps,
        missing_ah=(1 - soc) * profile.c20_ah,
        gain_ah=gain_ah,
        battery_c=battery_c,
    )
    found = offer(day, need)
    if found.hours is None or found.hours > MAX_NAMED_H:
        return "charge the battery"
    on = f" on {found.charger}" if found.charger else ""
    return f"with the box off, charge the battery {max(ceil(60 * found.hours), 1)} min at {found.amps:.1f} A{on}"

"""Which charger brings what a battery lacks soonest: those of the day file, else one that is only guessed at. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from groundbox.plan import charge_model
from groundbox.plan.charge_model import charger_of
from groundbox.plan.day import Day, open_minutes
from groundbox.plan.day_keys import DayCharger

GUESSED_C20 = 0.2  # amps of a charger that is only guessed at, as a share of C20 (common practice, no source)
USUAL_C = 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """What a battery lacks. `gain_ah` is wanted of the `missing_ah`; None: until it counts as full.

    health: present over rated capacity; max_amps: by its sheet; load_amps: what hangs on the charger meanwhile.
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
    def block(self) -> charge_model.ChargedBattery:
        """The battery as charging sees it; a block not measured is taken as neither cold nor hot."""
        return charge_model.ChargedBattery(
            c20_ah=self.c20_ah,
            health=self.health,
            cells=self.cells,
            max_amps=self.max_amps,
            battery_c=USUAL_C if self.battery_c is None else self.battery_c,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """A charger, its amps and the hours it takes; `charger` None for a guessed one. With `because` there is none."""

    charger: str | None = None
    amps: float = 0.0
    hours: float | None = None
    because: str = ""


def offer(day: Day | None, need: Need, *, minute: float | None = None, at_home: bool = False) -> Offer:
    """The charger that is ready soonest, or why there is none.

    Args:
        day: whose chargers; None, or one without chargers, guesses one.
        minute: of the day, for chargers that are open at hours; None leaves the hours out.
        at_home: only those that run on the mains.
    """
    entries = _reaching(day, need, minute, at_home) if day and day.chargers else [_guessed(need)]
    offers = [_of(entry, need) for entry in entries]
    ready = [one for one in offers if one.hours is not None]
    if ready:
        best = min(ready, key=lambda one: one.hours or 0.0)
        return best if day and day.chargers else replace(best, charger=None)
    because = next((one.because for one in offers if one.because), "no charger of the day file reaches it")
    return Offer(because=because)


def _guessed(need: Need) -> DayCharger:
    limit_amps = need.block.limit_amps
    return DayCharger(name="a charger", amps=min(GUESSED_C20 * need.c20_ah, limit_amps))


def _reaching(day: Day, need: Need, minute: float | None, at_home: bool) -> Sequence[DayCharger]:
    found = []
    for entry in day.chargers.values():
        begin, end = open_minutes(day, entry)
        is_open = minute is None or begin <= minute < end
        if (not entry.boxes or need.box in entry.boxes) and (entry.at_home or not at_home) and is_open:
            found.append(entry)
    return found


def _of(entry: DayCharger, need: Need) -> Offer:
    block = need.block
    amps = charge_model.chosen_amps(block, entry.amps, tuple(entry.settable_amps))
    charger = charger_of(entry, amps or min([entry.amps, *entry.settable_amps]))
    refused = charge_model.refusals(block, charger)
    if refused or amps is None:
        return Offer(charger=entry.name, because=refused[0] if refused else f"{entry.name} gives more than it takes")
    if need.gain_ah is None:
        hours = charge_model.hours_until_full(block, charger, need.missing_ah, load_amps=need.load_amps)
    else:
        wanted_ah = max(need.missing_ah - need.gain_ah, 0.0)
        hours = charge_model.hours_until(block, charger, need.missing_ah, wanted_ah, load_amps=need.load_amps)
    because = "" if hours is not None else f"{entry.name} never brings so much with this load on it"
    return Offer(charger=entry.name, amps=amps, hours=hours, because=because)

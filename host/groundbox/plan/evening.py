"""After the last landing: what to charge overnight, when to top up in storage, when to test the capacity."""

from dataclasses import dataclass
from datetime import date, timedelta
from math import log

from groundbox.plan import battery_pool, charge_model
from groundbox.plan.charge_model import CHARGING, PARALLEL, charger_of
from groundbox.plan.day import Day
from groundbox.plan.day_keys import DayCharger
from groundbox.plan.outcome import ChargeStep
from groundbox.plan.planner import Plan

LOSS_PER_MONTH_20C = 0.03  # of what is left (makers' sheets, secondary copies)
DOUBLING_K = 10.0  # from memory
TOP_UP_AT = 0.80  # common practice, no source
TEST_EVERY_DAYS = 182  # common practice, no source: twice a season
GENTLE_C20 = 0.15  # of C20, where the charger can be set so low: overnight there is time (common practice, no source)
NEARLY = 0.95  # of the present capacity: from here on another battery may have the charger
DAYS_PER_MONTH, LONGEST_STORE_MONTHS = 30.4, 6.0  # makers' sheets ask for a top-up twice a year (secondary copies)


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """One battery overnight. `charger`, `amps` and all times are None where it cannot be charged, for `cause`.

    nearly_min: when 95 % of its present capacity are in; end_min: when it is full.
    """

    battery: str
    soc: float
    charger: str | None
    amps: float | None
    start_min: float | None
    nearly_min: float | None
    end_min: float | None
    top_up: date | None
    test: date | None
    cause: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Turn:
    end_min: float
    charger: str
    amps: float
    start_min: float
    nearly_min: float


def months_until(soc: float, storage_c: float) -> float:
    """Months of storage until a full battery's charge has fallen to `soc` by self-discharge."""
    rate = LOSS_PER_MONTH_20C * 2 ** ((storage_c - 20) / DOUBLING_K)
    return log(soc) / log(1 - min(rate, 0.9))


def _amps(block: charge_model.ChargedBattery, entry: DayCharger) -> float | None:
    """A gentle current where the charger can be set to it, else its minimum, within the battery's limit."""
    steps = tuple(entry.settable_amps) or (entry.amps,)
    allowed = [step for step in steps if step <= block.limit_amps + 1e-9]
    if not allowed:
        return None
    gentle = [step for step in allowed if step <= GENTLE_C20 * block.c20_ah + 1e-9]
    return max(gentle) if gentle else min(allowed)


def _dates(day: Day, name: str, today: date | None, night_c: float) -> tuple[date | None, date | None]:
    entry = day.batteries[name].battery
    months = min(LONGEST_STORE_MONTHS, months_until(TOP_UP_AT, night_c))
    top_up = today + timedelta(days=round(DAYS_PER_MONTH * months)) if today else None
    if entry.last_test is None:
        return top_up, today
    return top_up, entry.last_test + timedelta(days=TEST_EVERY_DAYS)


def _best(
    day: Day, block: charge_model.ChargedBattery, free: dict[str, list[float]], missing_ah: float, boxes: set[str]
) -> _Turn | None:
    """The charge that has this battery full first, on the chargers that run on the mains at home."""
    found = []
    for name, entry in day.chargers.items():
        amps = _amps(block, entry)
        if amps is None or not entry.at_home or (entry.boxes and not boxes & set(entry.boxes)):
            continue
        charger = charger_of(entry, amps)
        if charge_model.refusals(block, charger):
            continue
        hours = charge_model.hours_until_full(block, charger, missing_ah)
        if hours is not None:
            begin, goal = min(free[name]), (1 - NEARLY) * block.capacity_ah
            nearly = charge_model.hours_until(block, charger, missing_ah, goal) or 0.0
            found.append(
                _Turn(
                    end_min=begin + 60 * hours,
                    charger=name,
                    amps=amps,
                    start_min=begin,
                    nearly_min=begin + 60 * nearly,
                )
            )
    return min(found, key=lambda turn: turn.end_min, default=None)


def evening(plan: Plan, today: date | None) -> list[Night]:
    """Every battery overnight, the lowest charge first, one after another on each charger.

    Args:
        today: the day's date; None leaves dates out.
    """
    day = plan.day
    end = plan.table.bounds_min[-1]
    free = {name: [end] * entry.at_once for name, entry in day.chargers.items()}
    nights = []
    for name in sorted(day.batteries, key=lambda one: battery_pool.soc_of(plan.outcome.banks[one]).expected):
        bank, battery = plan.outcome.banks[name], day.batteries[name]
        top_up, test = _dates(day, name, today, day.night_c)
        block = charge_model.ChargedBattery(
            c20_ah=battery.profile.c20_ah,
            health=battery_pool.expected_capacity(bank),
            cells=battery.profile.cells,
            max_amps=battery.profile.max_charge_amps,
            battery_c=day.night_c,
        )
        missing = battery_pool.expected_missing(bank) * battery.profile.c20_ah
        rest_volts = battery.battery.rest_volts
        found = _best(day, block, free, missing, set(battery.battery.boxes))
        cause = ""
        if rest_volts is not None and rest_volts < charge_model.LOWEST_REST_VOLTS:
            found, cause = None, f"{rest_volts:.1f} V at rest: inspect it before any charge"
        elif found is None:
            cause = "no charger here fits overnight: use one on the mains that holds a tenth of its ampere-hours"
        nights.append(
            Night(
                battery=name,
                soc=battery_pool.soc_of(bank).expected,
                charger=found.charger if found else None,
                amps=found.amps if found else None,
                start_min=found.start_min if found else None,
                nearly_min=found.nearly_min if found else None,
                end_min=found.end_min if found else None,
                top_up=top_up,
                test=test,
                cause=cause,
            )
        )
        if found:
            free[found.charger].remove(found.start_min)
            free[found.charger].append(found.end_min)
    return nights


def step_cautions(day: Day, step: ChargeStep) -> list[str]:
    """The cautions of one charging step."""
    parallel = day.batteries[step.battery].battery.in_parallel > 1
    return [*CHARGING, *(PARALLEL,) * parallel, *(IN_FLIGHT,) * step.in_flight]


def cautions(day: Day) -> tuple[str, ...]:
    """The cautions of every plan of charging, and of this day's batteries and chargers."""
    parallel = any(battery.battery.in_parallel > 1 for battery in day.batteries.values())
    in_flight = any(charger.in_flight for charger in day.chargers.values())
    return CAUTIONS + (PARALLEL,) * parallel + (IN_FLIGHT,) * in_flight


IN_FLIGHT = "A charger that stays on in flight needs the battery outside the box, or the lid off."
CAUTIONS = (
    *CHARGING,
    "Charge overnight in the open or in an airy room, on a surface that does not burn, never in a closed box.",
    "Local code and the maker's sheet come first.",
)

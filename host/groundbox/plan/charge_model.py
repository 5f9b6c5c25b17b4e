"""What a charger gives a lead-acid battery over time: constant current, a tapering current at constant voltage, float.

The battery accepts, at a voltage, a current in proportion to what is missing, plus what it turns into gas:

    amps = k(volts) x missing Ah / 0.98 + gas(volts)

which gives the exponential taper of real batteries and the old ampere-hour law (never more amps than ampere-hours
are missing; Vinal, Storage Batteries, from memory). Voltage is taken as if at 25 °C: a kelvin warmer acts like 30 mV
more on a 12 V battery (makers' sheets, secondary copies). One set of numbers for every battery:

* k = 0.85 an hour at 14.4 V, falling in a straight line to nothing at 13.0 V: from five measured recharges of one 17 Ah
  battery (faster-lead-acid data, 3 A to 14.4 V). It is the only number set by that recording.
* gas = 8 mA an ampere-hour at 14.4 V and 20 °C, eight times less at 13.6 V (IEC 62485-2, boost and float, secondary
  copy).
* 1.5 % less k a kelvin colder, and k in proportion to health: assumed.
"""

from dataclasses import dataclass, replace
from math import exp, inf, log

from groundbox.plan.day_keys import DayCharger

ACCEPTANCE_PER_HOUR, FULL_VOLTS, REST_VOLTS = 0.85, 14.4, 13.0
ACCEPTANCE_PER_K, VOLTS_PER_K = 0.015, 0.030
GAS_AMPS_PER_AH, GAS_VOLTS, GAS_C = 0.008, 14.4, 20.0
GAS_STEP_VOLTS = 0.8 / log(8)
STORED_FRACTION = 0.98  # of bulk ampere-hours; with the gas it makes the measured charge factor 1.04 to 1.10
UNKNOWN_LIMIT_C20 = 0.3  # amps per Ah where the maker's limit is not known (makers' sheets, secondary copies)
COLDEST_C, WARMEST_C, LOWEST_REST_VOLTS = 0.0, 40.0, 10.5
# Full: the current changes by less than a twentieth over two hours (IEC 61056-1: steady over 2 h, from memory).
STEADY_HOURS, STEADY_CHANGE = 2.0, 0.05

HYDROGEN = (
    "A charging lead-acid battery gives off hydrogen: charge in the open or with the lid off, "
    "no flame or sparking part near. Fans do not make a closed box safe to charge in."
)
DAMAGED = "Never charge a battery that is frozen, swollen, leaking or hot to the touch."
PARALLEL = (
    "Batteries in parallel: of one kind and age, equally charged before they are joined, a fuse at each terminal; "
    "one bad battery drains the others."
)
CHARGING = (HYDROGEN, DAMAGED)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargedBattery:
    """A battery for the charge model. `health` is present over rated 20-hour capacity."""

    c20_ah: float
    health: float = 1.0
    cells: int = 6
    max_amps: float | None = None
    battery_c: float = 25.0

    @property
    def capacity_ah(self) -> float:
        return self.c20_ah * self.health

    @property
    def limit_amps(self) -> float:
        """The maker's maximum charging current in amperes, or 0.3 C20 where unknown."""
        return UNKNOWN_LIMIT_C20 * self.c20_ah if self.max_amps is None else self.max_amps


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargerModel:
    """A charger by its measured output. Voltages per 12 V battery at 25 °C.

    ends: "never" holds the absorption voltage, "taper" goes to float when its own current falls to `taper_amps` (or
        after `timer_hours`), "timer" after `timer_hours` of absorption.
    mv_per_k: temperature compensation of its voltages, millivolts per kelvin; 0 for none.
    """

    amps: float
    absorption_volts: float = FULL_VOLTS
    float_volts: float = 13.6
    ends: str = "never"
    taper_amps: float = 0.0
    timer_hours: float = inf
    mv_per_k: float = 0.0

    def volts(self, stage: str, battery_c: float) -> float:
        """Voltage of a stage at a battery temperature, per 12 V."""
        base = self.float_volts if stage == "float" else self.absorption_volts
        return base - self.mv_per_k / 1000 * (battery_c - 25)


def charger_of(entry: DayCharger, amps: float) -> ChargerModel:
    """The charge model of a charger of the day file, set to `amps`."""
    return ChargerModel(
        amps=amps,
        absorption_volts=entry.absorption_volts,
        float_volts=entry.float_volts,
        ends=entry.ends,
        taper_amps=entry.taper_amps,
        timer_hours=inf if entry.timer_hours is None else entry.timer_hours,
        mv_per_k=entry.mv_per_k,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargeState:
    """State of a charge. `missing_ah` of the present capacity; `amps` into the battery now."""

    missing_ah: float
    stage: str = "bulk"
    hours: float = 0.0
    absorption_hours: float = 0.0
    in_ah: float = 0.0
    amps: float = 0.0


def acceptance_per_hour(battery: ChargedBattery, volts: float) -> float:
    """k: fraction of the missing ampere-hours that the battery takes in an hour at `volts` (per 12 V)."""
    as_at_25c = volts + VOLTS_PER_K * (battery.battery_c - 25)
    drive = max(0.0, (as_at_25c - REST_VOLTS) / (FULL_VOLTS - REST_VOLTS))
    warmth = max(0.2, 1 + ACCEPTANCE_PER_K * (battery.battery_c - 25))
    return ACCEPTANCE_PER_HOUR * drive * warmth * min(1.0, battery.health)


def gas_amps(battery: ChargedBattery, volts: float) -> float:
    """Current in amperes that becomes gas and heat, not charge."""
    as_at_20c = volts + VOLTS_PER_K * (battery.battery_c - GAS_C)
    return GAS_AMPS_PER_AH * battery.c20_ah * exp((as_at_20c - GAS_VOLTS) / GAS_STEP_VOLTS)


def accepted_amps(battery: ChargedBattery, missing_ah: float, volts: float) -> float:
    """Current in amperes that the battery accepts at `volts` (per 12 V)."""
    return acceptance_per_hour(battery, volts) * missing_ah / STORED_FRACTION + gas_amps(battery, volts)


def missing_at(battery: ChargedBattery, amps: float, volts: float) -> float:
    """Ampere-hours missing when a steady `amps` brings the battery to `volts`."""
    k = acceptance_per_hour(battery, volts)
    return inf if k == 0 else max(0.0, (amps - gas_amps(battery, volts)) * STORED_FRACTION / k)


def full_at(battery: ChargedBattery, volts: float) -> float:
    """Ampere-hours missing at which the charge counts as full: the current has become steady."""
    k = acceptance_per_hour(battery, volts)
    moving = 1 - exp(-k * STEADY_HOURS)
    return inf if k == 0 else STEADY_CHANGE * gas_amps(battery, volts) * STORED_FRACTION / (k * moving)


def stays_at_float(charger: ChargerModel, load_amps: float) -> bool:
    """True where a running load hides the taper and no timer helps: the charge is planned at the float voltage only."""
    return charger.ends == "taper" and load_amps >= charger.taper_amps > 0 and charger.timer_hours == inf


def _held_hours(
    battery: ChargedBattery, charger: ChargerModel, state: ChargeState, volts: float, load_amps: float
) -> float:
    """Hours until the absorption stage ends."""
    if state.stage == "float" or charger.ends == "never":
        return inf
    timed = max(0.0, charger.timer_hours - state.absorption_hours)
    if charger.ends == "timer" or load_amps >= charger.taper_amps:
        return timed
    ends_at = missing_at(battery, charger.taper_amps - load_amps, volts)
    if state.missing_ah <= ends_at:
        return 0.0
    return min(timed, log(state.missing_ah / ends_at) / acceptance_per_hour(battery, volts)) if ends_at else timed


def _taper(
    battery: ChargedBattery, charger: ChargerModel, state: ChargeState, hours: float, load_amps: float
) -> ChargeState:
    """At constant voltage, up to `hours` or to the end of the stage."""
    stage = "absorption" if state.stage == "bulk" else state.stage
    state = replace(state, stage=stage)
    volts = charger.volts(stage, battery.battery_c)
    held = _held_hours(battery, charger, state, volts, load_amps)
    leg = min(hours, held)
    missing = state.missing_ah * exp(-acceptance_per_hour(battery, volts) * leg)
    return ChargeState(
        missing_ah=missing,
        stage="float" if held <= hours else stage,
        hours=state.hours + leg,
        absorption_hours=state.absorption_hours + (leg if stage == "absorption" else 0.0),
        in_ah=state.in_ah + (state.missing_ah - missing) / STORED_FRACTION + gas_amps(battery, volts) * leg,
        amps=accepted_amps(battery, missing, volts),
    )


def _one_leg(
    battery: ChargedBattery, charger: ChargerModel, state: ChargeState, hours: float, load_amps: float
) -> ChargeState:
    """Up to `hours` more, or to the end of the stage."""
    amps = min(charger.amps - load_amps, battery.limit_amps)
    if amps <= 0:  # the loads take all that the charger gives, or more
        missing = min(state.missing_ah - amps * hours, battery.capacity_ah)
        return replace(
            state, missing_ah=missing, hours=state.hours + hours, in_ah=state.in_ah + amps * hours, amps=amps
        )
    turn = missing_at(battery, amps, charger.volts(state.stage, battery.battery_c))
    if state.missing_ah <= turn:
        return _taper(battery, charger, state, hours, load_amps)
    leg = min(hours, (state.missing_ah - turn) / (amps * STORED_FRACTION))
    missing = turn if leg < hours else state.missing_ah - amps * STORED_FRACTION * leg
    return replace(state, missing_ah=missing, hours=state.hours + leg, in_ah=state.in_ah + amps * leg, amps=amps)


def charge(
    battery: ChargedBattery, charger: ChargerModel, missing_ah: float, hours: float, *, load_amps: float = 0.0
) -> ChargeState:
    """State after a charge of `hours` that begins with `missing_ah` of the present capacity.

    Args:
        load_amps: running loads on the same wires; they take their current first.
    """
    state = ChargeState(missing_ah=missing_ah, stage="float" if stays_at_float(charger, load_amps) else "bulk")
    return continue_charge(battery, charger, state, hours, load_amps=load_amps)


def continue_charge(
    battery: ChargedBattery, charger: ChargerModel, state: ChargeState, hours: float, *, load_amps: float = 0.0
) -> ChargeState:
    """The same charge, `hours` further on."""
    end = state.hours + hours
    for _ in range(8):  # bulk, absorption, float, each entered once
        left = end - state.hours
        if left <= 1e-9:
            break
        state = _one_leg(battery, charger, state, left, load_amps)
    return state


def hours_until(
    battery: ChargedBattery,
    charger: ChargerModel,
    missing_ah: float,
    target_missing_ah: float,
    *,
    load_amps: float = 0.0,
) -> float | None:
    """Hours until only `target_missing_ah` are missing; None when this charger never gets there (within four days)."""
    if missing_ah <= target_missing_ah:
        return 0.0
    low, high = 0.0, 96.0
    if charge(battery, charger, missing_ah, high, load_amps=load_amps).missing_ah > target_missing_ah:
        return None
    for _ in range(40):
        middle = (low + high) / 2
        short = charge(battery, charger, missing_ah, middle, load_amps=load_amps).missing_ah > target_missing_ah
        low, high = (middle, high) if short else (low, middle)
    return high


def hours_until_full(
    battery: ChargedBattery, charger: ChargerModel, missing_ah: float, *, load_amps: float = 0.0
) -> float | None:
    """Hours until the charge counts as full at the voltage the charger ends with; None when it never does."""
    stage = "float" if stays_at_float(charger, load_amps) else "absorption"
    goal = full_at(battery, charger.volts(stage, battery.battery_c))
    reached = hours_until(battery, charger, missing_ah, goal, load_amps=load_amps)
    if reached is not None or stage == "float":
        return reached
    goal = full_at(battery, charger.volts("float", battery.battery_c))
    return hours_until(battery, charger, missing_ah, goal, load_amps=load_amps)


def last_fifth_hours(battery: ChargedBattery, charger: ChargerModel, *, load_amps: float = 0.0) -> float | None:
    """Hours of the charge from 80 % to full; None when it never is full."""
    return hours_until_full(battery, charger, 0.2 * battery.capacity_ah, load_amps=load_amps)


def chosen_amps(battery: ChargedBattery, amps: float, steps: tuple[float, ...]) -> float | None:
    """The maximum current of a charger within the battery's limit; None where its minimum is above that limit.

    Args:
        steps: the currents that a settable charger can be set to; empty for a fixed one.
    """
    allowed = [step for step in (steps or (amps,)) if step <= battery.limit_amps + 1e-9]
    return max(allowed) if allowed else None


def refusals(
    battery: ChargedBattery,
    charger: ChargerModel,
    *,
    rest_volts: float | None = None,
    load_volts: dict[str, float] | None = None,
) -> tuple[str, ...]:
    """One sentence for each reason not to charge this battery with this charger now; empty when there is none.

    Args:
        rest_volts: the battery's voltage at rest, per 12 V, where known.
        load_volts: maximum volts of each load that is connected during the charge.
    """
    found = []
    if charger.amps > battery.limit_amps + 1e-9:
        found.append(f"the charger gives {charger.amps:g} A, and the battery takes {battery.limit_amps:.3g} A at most")
    if battery.battery_c < COLDEST_C:
        found.append(
            f"the battery is at {battery.battery_c:.0f} °C: no charge below {COLDEST_C:g} °C, it may be frozen"
        )
    if battery.battery_c > WARMEST_C:
        found.append(
            f"the battery is at {battery.battery_c:.0f} °C: no charge above {WARMEST_C:g} °C, let it cool first"
        )
    if rest_volts is not None and rest_volts < LOWEST_REST_VOLTS:
        found.append(
            f"{rest_volts:.1f} V at rest is under {LOWEST_REST_VOLTS:g} V: inspect the battery before any charge"
        )
    volts = max(charger.volts("absorption", battery.battery_c), charger.volts("float", battery.battery_c))
    for name, highest in (load_volts or {}).items():
        if volts > highest:
            found.append(f"{name} takes {highest:g} V at most, the charger gives {volts:.2f} V: unplug {name}")
    return tuple(found)

"""When a battery needs a person.

Each rule returns the facts (value, then limit) as words, False where all is well, or None where it cannot judge.
`raised` is True while its warning is up: the rule then asks for a margin before it returns False (hysteresis).
"""

from typing import Literal

from groundbox.advice import limits
from groundbox.advice.state import BoxState
from groundbox.advice.words import age, celsius, clock, listed, needed, span, volts

Finding = str | Literal[False] | None

LEVELS = {"notice": 1, "urgent": 2, "stop": 3, "clear": 0}


def landing_does_not_fit(state: BoxState, raised: bool) -> Finding:
    """Less than the reserve is left at the planned landing, by the low runtime."""
    if not state.in_flight or state.returning:
        return False
    if state.runtime_low_s is None or state.landing_in_s is None:
        return None
    spare_s = state.runtime_low_s - max(state.landing_in_s, 0.0) - state.reserve_s
    if spare_s >= (limits.CLEAR_MARGIN_S if raised else 0.0):
        return False
    if state.landing_in_s <= 0:
        return f"landing is overdue, runtime {span(state.runtime_low_s)}, reserve {needed(state.reserve_s)}"
    planned = clock(state.wall_s + state.landing_in_s)
    return f"runtime falls {needed(-spare_s)} short of the landing planned for {planned} with its reserve"


def runtime_short_of_home(state: BoxState, raised: bool) -> Finding:
    """The pilot is returning and the low runtime does not last the way home."""
    if not state.in_flight or not state.returning:
        return False
    if state.runtime_low_s is None or state.time_home_s is None:
        return None
    if state.runtime_low_s >= state.time_home_s + (limits.CLEAR_MARGIN_S if raised else 0.0):
        return False
    return f"runtime {span(state.runtime_low_s)}, the way home takes {needed(state.time_home_s)}"


def next_flight_does_not_fit(state: BoxState, raised: bool) -> Finding:
    """On the ground: the low runtime is less than one flight and its reserve; with no length set, than the reserve."""
    if state.in_flight:
        return False
    if state.runtime_low_s is None:
        return None
    needs_s = (state.flight_s or 0.0) + state.reserve_s
    if state.runtime_low_s > 0 and state.runtime_low_s >= needs_s + (limits.CLEAR_MARGIN_S if raised else 0.0):
        return False
    what = "the reserve alone is" if state.flight_s is None else "a flight with its reserve needs"
    return f"runtime {span(state.runtime_low_s)}, {what} {needed(needs_s)}"


def _low(state: BoxState, level: str) -> Finding:
    if state.low_voltage is None or state.reads_no_battery:
        return None
    if LEVELS[state.low_voltage] < LEVELS[level]:
        return False
    limit = ""
    if len(state.low_levels_volts) == 3:
        limit = f" {volts(state.low_levels_volts[LEVELS[level] - 1])}"
    return f"battery {volts(state.battery_volts)}, {level} limit of the board{limit}"


def low_notice(state: BoxState, raised: bool) -> Finding:
    """The board's first level; delay and hysteresis are the board's."""
    return _low(state, "notice")


def low_urgent(state: BoxState, raised: bool) -> Finding:
    """The board's second level."""
    return _low(state, "urgent")


def low_stop(state: BoxState, raised: bool) -> Finding:
    """The board's third level."""
    return _low(state, "stop")


def under_cutoff(state: BoxState, raised: bool) -> Finding:
    """Voltage at the equipment at or under its cutoff."""
    if state.equipment_volts is None or state.cutoff_volts is None or state.reads_no_battery:
        return None
    if state.equipment_volts > state.cutoff_volts + (limits.CLEAR_CUTOFF_VOLTS if raised else 0.0):
        return False
    return f"{volts(state.equipment_volts, 2)} at the equipment, cutoff {volts(state.cutoff_volts, 2)}"


def at_end_voltage(state: BoxState, raised: bool) -> Finding:
    """Battery voltage at or under the end voltage for its load, while it discharges."""
    if state.battery_volts is None or state.end_volts is None or state.charging is None or state.reads_no_battery:
        return None
    if state.is_charging or state.battery_volts > state.end_volts + (limits.CLEAR_CUTOFF_VOLTS if raised else 0.0):
        return False
    return f"battery {volts(state.battery_volts, 2)}, end voltage {volts(state.end_volts, 2)}"


def brown_out(state: BoxState, raised: bool) -> Finding:
    """Voltage at the equipment under its cutoff when the largest start comes; raised before, not while, it is under."""
    if state.start_volts is None or state.cutoff_volts is None or state.reads_no_battery:
        return None
    if state.equipment_volts is not None and state.equipment_volts <= state.cutoff_volts:
        return False
    if state.start_volts >= state.cutoff_volts + (limits.CLEAR_START_VOLTS if raised else 0.0):
        return False
    load = state.start_load or "the largest load"
    return f"voltage at the next start of {load} {volts(state.start_volts, 2)}, cutoff {volts(state.cutoff_volts, 2)}"


def over_board(state: BoxState, raised: bool) -> Finding:
    """The board's overvoltage level."""
    if state.overvoltage is None:
        return None
    return False if state.overvoltage == "clear" else f"battery {volts(state.battery_volts)}, over its limit"


def over_load(state: BoxState, raised: bool) -> Finding:
    """More volts than a connected load bears."""
    if state.battery_volts is None or state.fragile_volts is None:
        return None
    if state.battery_volts <= state.fragile_volts - (limits.CLEAR_LOAD_VOLTS if raised else 0.0):
        return False
    return f"battery {volts(state.battery_volts)}, {state.fragile_load} allows {volts(state.fragile_volts)}"


def no_charge(state: BoxState, raised: bool) -> Finding:
    """A charge was marked, the board sees none, and the voltage is no charger's."""
    if state.charge_marked_s is None:
        return False
    if state.charging is None or state.battery_volts is None or state.reads_no_battery:
        return None
    arrives = state.is_charging or state.battery_volts >= limits.CHARGER_VOLTS
    if arrives or state.charge_marked_s < limits.CHARGE_STARTS_WITHIN_S:
        return False
    return f"charge marked {age(state.charge_marked_s)} ago, battery {volts(state.battery_volts)}, no charge arrives"


def fuse_open(state: BoxState, raised: bool) -> Finding:
    """The board works, the battery reads nothing."""
    return "the board works and reads no battery" if state.reads_no_battery else False


def _battery_level(state: BoxState, index: int) -> str:
    return f", limit {celsius(state.battery_levels_c[index])}" if len(state.battery_levels_c) > index else ""


def charge_hot(state: BoxState, raised: bool) -> Finding:
    """Charging, and the battery too hot to go on."""
    if state.charging is None:
        return None
    return f"charging at {celsius(state.battery_c)}{_battery_level(state, 2)}" if state.charging == "hot" else False


def charge_warm_or_cold(state: BoxState, raised: bool) -> Finding:
    """Charging, and the battery too warm or too cold for it."""
    if state.charging is None:
        return None
    if state.charging not in ("warm", "cold"):
        return False
    return f"charging at {celsius(state.battery_c)}{_battery_level(state, 1 if state.charging == 'warm' else 0)}"


def _heat(state: BoxState, words: tuple[str, ...], level: int) -> Finding:
    if state.battery_heat is None:
        return None
    return f"battery {celsius(state.battery_c)}{_battery_level(state, level)}" if state.battery_heat in words else False


def battery_hot(state: BoxState, raised: bool) -> Finding:
    """The battery itself is hot, charging or not."""
    return _heat(state, ("urgent", "stop"), 3)


def battery_too_hot(state: BoxState, raised: bool) -> Finding:
    """The battery itself is too hot, charging or not."""
    return _heat(state, ("stop",), 4)


def contradiction(state: BoxState, raised: bool) -> Finding:
    """Measurements do not fit the battery's profile."""
    return listed(one for one in state.findings if one != state.load_differs).replace(": ", ", ") or False


def load_unknown(state: BoxState, raised: bool) -> Finding:
    """The load is neither measured nor declared: runtime rests on the voltage alone."""
    if state.load_known is None:
        return None
    return False if state.load_known else "its load is neither measured nor declared, runtime may be far too long"


def load_differs(state: BoxState, raised: bool) -> Finding:
    """The measured load is far from the declared one: one of them is wrong, and with it the runtime."""
    return state.load_differs or False


def other_battery(state: BoxState, raised: bool) -> Finding:
    """The voltage looks as if another battery is in."""
    return state.question if state.question and state.battery_in_doubt else False


def unmarked_charge(state: BoxState, raised: bool) -> Finding:
    """It looks as if a charge was not marked."""
    return state.question if state.question and not state.battery_in_doubt else False

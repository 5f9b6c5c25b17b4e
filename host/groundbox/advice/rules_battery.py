"""When a battery needs a person: each rule gives the sentence's facts, False, or None for "cannot tell".

`raised` tells a rule that its warning is up: it then asks for a little more before it says False (hysteresis).
"""

from typing import Literal

from groundbox.advice.state import BoxState
from groundbox.advice.words import celsius, clock, listed, span, volts

Verdict = str | Literal[False] | None

NEAR_S, CLOSE_S = 600.0, 300.0
LEVELS = {"notice": 1, "urgent": 2, "stop": 3, "clear": 0}
NOTHING_VOLTS = 2.0
NO_CHARGE_AFTER_S = 60.0
CHARGED_VOLTS = 13.0


def _turn_back(state: BoxState, within_s: float, raised: bool) -> Verdict:
    if not state.in_flight:
        return False
    left = state.turn_back_in_s
    if left is None:
        return None
    if left > within_s + (60.0 if raised else 0.0):
        return False
    when = clock(state.wall_s + left)
    if left <= 0:
        return f"turn-back time {when} passed {span(-left)} ago"
    return f"turn back by {when}, in {span(left)}"


def turn_back_near(state: BoxState, raised: bool) -> Verdict:
    """Ten minutes and less to the turn-back time."""
    return _turn_back(state, NEAR_S, raised)


def turn_back_close(state: BoxState, raised: bool) -> Verdict:
    """Five minutes and less to the turn-back time."""
    return _turn_back(state, CLOSE_S, raised)


def turn_back_passed(state: BoxState, raised: bool) -> Verdict:
    """The turn-back time is now or was."""
    return _turn_back(state, 0.0, raised)


def reserve_in_flight(state: BoxState, raised: bool) -> Verdict:
    """Runtime at the planned landing under the reserve, by the low number."""
    if not state.in_flight:
        return False
    if state.runtime_low_s is None or state.landing_in_s is None:
        return None
    left = state.runtime_low_s - max(state.landing_in_s, 0.0)
    if left >= state.reserve_s + (60.0 if raised else 0.0):
        return False
    when = clock(state.wall_s + state.landing_in_s)
    if left <= 0:
        return f"may stop {span(-left)} before the landing planned for {when}"
    return f"only {span(left)} would be left at the landing planned for {when}, reserve is {span(state.reserve_s)}"


def reserve_before_flight(state: BoxState, raised: bool) -> Verdict:
    """Not enough for one more flight with reserve."""
    if state.in_flight:
        return False
    if state.runtime_low_s is None or state.next_flight_s is None:
        return None
    needs = state.next_flight_s + state.reserve_s
    if state.runtime_low_s >= needs + (60.0 if raised else 0.0):
        return False
    return f"{span(state.runtime_low_s)} left at worst, a flight with its reserve takes {span(needs)}"


def _low(state: BoxState, level: str) -> Verdict:
    if state.low_voltage is None or reads_nothing(state):
        return None
    if LEVELS[state.low_voltage] < LEVELS[level]:
        return False
    return f"{volts(state.battery_volts)} at the battery under load"


def low_notice(state: BoxState, raised: bool) -> Verdict:
    """The board's first level; its delay and hysteresis are the board's."""
    return _low(state, "notice")


def low_urgent(state: BoxState, raised: bool) -> Verdict:
    """The board's second level."""
    return _low(state, "urgent")


def low_stop(state: BoxState, raised: bool) -> Verdict:
    """The board's third level."""
    return _low(state, "stop")


def under_cutoff(state: BoxState, raised: bool) -> Verdict:
    """Voltage at the equipment under its cutoff."""
    if state.equipment_volts is None or state.cutoff_volts is None or reads_nothing(state):
        return None
    if state.equipment_volts > state.cutoff_volts + (0.3 if raised else 0.0):
        return False
    return (
        f"{volts(state.equipment_volts, 2)} at the equipment, which stops working under {volts(state.cutoff_volts, 2)}"
    )


def at_end_voltage(state: BoxState, raised: bool) -> Verdict:
    """Battery voltage at the end voltage that spares it, while discharging."""
    if state.battery_volts is None or state.end_volts is None or state.charging is None or reads_nothing(state):
        return None
    if state.charging != "no" or state.battery_volts > state.end_volts + (0.3 if raised else 0.0):
        return False
    return f"{volts(state.battery_volts, 2)}, and under {volts(state.end_volts, 2)} this battery is harmed"


def brown_out(state: BoxState, raised: bool) -> Verdict:
    """Voltage at the equipment under its cutoff when the largest load starts; said before it is, not when it is."""
    if state.heaviest_volts is None or state.cutoff_volts is None or reads_nothing(state):
        return None
    if state.equipment_volts is not None and state.equipment_volts <= state.cutoff_volts:
        return False
    if state.heaviest_volts >= state.cutoff_volts + (0.2 if raised else 0.0):
        return False
    load = f" ({state.heaviest_load})" if state.heaviest_load else ""
    return (
        f"{volts(state.heaviest_volts, 2)} to expect at the equipment when the largest load{load} starts, "
        f"it stops working under {volts(state.cutoff_volts, 2)}"
    )


def over_board(state: BoxState, raised: bool) -> Verdict:
    """The board's overvoltage level."""
    if state.overvoltage is None:
        return None
    return False if state.overvoltage == "clear" else f"{volts(state.battery_volts)} at the battery is too much"


def over_load(state: BoxState, raised: bool) -> Verdict:
    """More volts than a connected load stands."""
    if state.battery_volts is None or state.touchy_volts is None:
        return None
    if state.battery_volts <= state.touchy_volts - (0.2 if raised else 0.0):
        return False
    return f"{volts(state.battery_volts)}, but {state.touchy_load} stands at most {volts(state.touchy_volts)}"


def no_charge(state: BoxState, raised: bool) -> Verdict:
    """A charge was marked, yet the board sees none and the voltage is no charger's."""
    if state.charge_marked_s is None:
        return False
    if state.charging is None or state.battery_volts is None or reads_nothing(state):
        return None
    if state.charging != "no" or state.battery_volts >= CHARGED_VOLTS or state.charge_marked_s < NO_CHARGE_AFTER_S:
        return False
    return f"charge marked {span(state.charge_marked_s)} ago, but no charge arrives ({volts(state.battery_volts)})"


def reads_nothing(state: BoxState) -> bool:
    """True when the board lives and every voltage it has shows no battery."""
    known = [value for value in (state.battery_volts, state.check_volts) if value is not None]
    if known:
        return max(known) < NOTHING_VOLTS
    states = dict(state.sensors)
    return states.get("voltage") in ("open", "range") and states.get("check") in ("open", "range", "absent")


def fuse_open(state: BoxState, raised: bool) -> Verdict:
    """The board lives, the battery reads nothing."""
    return "the board lives, but reads no battery" if reads_nothing(state) else False


def charge_hot(state: BoxState, raised: bool) -> Verdict:
    """Charging, and the block too hot to go on."""
    if state.charging is None:
        return None
    return f"charging with the block at {celsius(state.battery_c)}, far too hot" if state.charging == "hot" else False


def charge_warm_or_cold(state: BoxState, raised: bool) -> Verdict:
    """Charging, and the block too warm or too cold for it."""
    if state.charging is None:
        return None
    if state.charging not in ("warm", "cold"):
        return False
    return f"charging with the block at {celsius(state.battery_c)}, too {state.charging}"


def contradiction(state: BoxState, raised: bool) -> Verdict:
    """What was measured does not fit the battery's profile."""
    return listed(state.findings).replace(": ", ", ") or False


def load_unknown(state: BoxState, raised: bool) -> Verdict:
    """Nobody knows what it draws: runtime is judged by its voltage alone."""
    if state.load_known is None:
        return None
    return False if state.load_known else "what it draws is neither measured nor declared, so it may last far shorter"


def unmarked_change(state: BoxState, raised: bool) -> Verdict:
    """It looks as if a battery was swapped or charged without a mark."""
    return state.question or False

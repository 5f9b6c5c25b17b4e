"""When the box itself needs a person: heat, fans, damp, sensors, the board. Rules as in rules_battery."""

from math import inf, log

from groundbox.advice import limits
from groundbox.advice.rules_battery import LEVELS, Finding
from groundbox.advice.state import BoxState
from groundbox.advice.words import age, celsius, listed, volts

FAULTS: dict[str | None, str] = {
    "open": "open",
    "shorted": "shorted",
    "range": "out of range",
    "frozen": "frozen",
    "silent": "without data",
    "intermittent": "with a loose contact",
    "implausible": "contradicts the others",
}
NO_STATE: dict[str | None, str] = {
    None: "of unknown state",
    "absent": "not fitted",
}  # a fault where the box cannot do without the sensor
SENSOR_NAMES = {
    "voltage": "battery voltage",
    "check": "second voltage",
    "current": "current",
    "case": "case temperature",
    "battery": "battery temperature",
    "intake": "intake temperature",
}
NEEDED = ("voltage", "case")
CAUSES = {"power": "its power failed", "watchdog": "its watchdog acted", "soft": "by its program"}
# Vapour pressure over water, D. Sonntag, 1990 (as in WMO-No. 8, annex 4.B): 6.112 exp(17.62 t / (243.12 + t)) hPa.
_MAGNUS, _MAGNUS_C = 17.62, 243.12


def _heat(state: BoxState, level: str) -> Finding:
    if state.case_heat is None:
        return None
    if LEVELS[state.case_heat] < LEVELS[level]:
        return False
    limit = f", limit {celsius(state.case_levels_c[LEVELS[level] - 1])}" if len(state.case_levels_c) == 3 else ""
    return f"case {celsius(state.case_c)}{limit}"


def heat_notice(state: BoxState, raised: bool) -> Finding:
    """The board's first level of case temperature."""
    return _heat(state, "notice")


def heat_urgent(state: BoxState, raised: bool) -> Finding:
    """The board's second level."""
    return _heat(state, "urgent")


def heat_stop(state: BoxState, raised: bool) -> Finding:
    """The board's third level."""
    return _heat(state, "stop")


def filter_clogs(state: BoxState, raised: bool) -> Finding:
    """The case rises more for each watt than in its first sessions."""
    return None if state.filter_notice is None else state.filter_notice.partition(": ")[0] or False


def stalled_fans(state: BoxState) -> list[str]:
    """ "fan 2" for each fan that is driven and does not turn."""
    return [f"fan {number}" for number, fan in enumerate(state.fans, 1) if fan == "stalled"]


def fan_stalled(state: BoxState, raised: bool) -> Finding:
    """A fan is driven and does not turn."""
    stalled = stalled_fans(state)
    if not stalled:
        return None if not any(state.fans) else False
    verb = "is driven and does not turn" if len(stalled) == 1 else "are driven and do not turn"
    return f"{listed(stalled)} {verb}, case {celsius(state.case_c)}"


def fan_unproven(state: BoxState, raised: bool) -> Finding:
    """A tachometer shows a speed that no fan can have, so nobody knows whether its fan turns."""
    return _fans_that(state, "too_fast", "tachometer shows over 1.5 times full speed")


def fan_runs_on(state: BoxState, raised: bool) -> Finding:
    """A fan turns although the board has it off."""
    return _fans_that(state, "runs_on", "turns while switched off")


def _fans_that(state: BoxState, word: str, what: str) -> Finding:
    found = [f"fan {number}" for number, fan in enumerate(state.fans, 1) if fan == word]
    if not found:
        return None if not any(state.fans) else False
    return f"{listed(found)}: {what}, case {celsius(state.case_c)}"


def dew_point_c(temperature_c: float, humidity_percent: float) -> float:
    """Dew point, °C, of air at `temperature_c` °C with `humidity_percent` relative humidity (above 0).

    Source: D. Sonntag, 1990, as given in WMO-No. 8, annex 4.B (from memory).
    """
    ratio = log(humidity_percent / 100) + _MAGNUS * temperature_c / (_MAGNUS_C + temperature_c)
    return _MAGNUS_C * ratio / (_MAGNUS - ratio)


def dew_point_of(state: BoxState) -> float | None:
    """Dew point of the air in the case, °C; None without a humidity sensor."""
    if state.case_c is None or state.humidity_percent is None:
        return None
    return dew_point_c(state.case_c, max(state.humidity_percent, 0.1))  # 0 is less than any sensor can resolve


def condensation(state: BoxState, raised: bool) -> Finding:
    """Water condenses on the coldest part known: the dew point is at its temperature."""
    dew_c = dew_point_of(state)
    if dew_c is None or state.case_c is None or state.humidity_percent is None:
        return None
    coldest_c = min(value for value in (state.case_c, state.battery_c, state.intake_c) if value is not None)
    margin_k = limits.DEW_MARGIN_K * (2 if raised else 1)
    damp = state.humidity_percent >= limits.DAMP_PERCENT - (5.0 if raised else 0.0)
    if not damp and dew_c < coldest_c - margin_k:
        return False
    return f"dew point {celsius(dew_c)}, coldest part {celsius(coldest_c)}, humidity {state.humidity_percent:.0f} %"


def _faulty(state: BoxState, needed: bool) -> Finding:
    if not state.sensors:
        return None
    faults = {**FAULTS, **(NO_STATE if needed else {})}
    bad = [
        f"{SENSOR_NAMES[name]} sensor {faults[what]}"
        for name, what in state.sensors
        if what in faults
        and (name in NEEDED) == needed
        and not (name in ("voltage", "check") and state.reads_no_battery)
    ]
    return listed(bad) or False


def needed_sensor(state: BoxState, raised: bool) -> Finding:
    """A sensor that the box cannot do without."""
    return _faulty(state, True)


def other_sensor(state: BoxState, raised: bool) -> Finding:
    """A sensor that the box can do without."""
    return _faulty(state, False)


def sources_disagree(state: BoxState, raised: bool) -> Finding:
    """Two ways of measuring the same voltage differ."""
    if not state.sensors:
        return None
    if not any(what == "disagree" for _, what in state.sensors):
        return False
    return f"battery {volts(state.battery_volts, 2)} one way, {volts(state.check_volts, 2)} the other"


def restarted(state: BoxState, raised: bool) -> Finding:
    """The board restarted unexpectedly within the last five minutes."""
    if state.restarted_s is None or state.restarted_s > limits.RESTART_SHOWN_S:
        return False
    return f"board restarted {age(state.restarted_s)} ago, {CAUSES.get(state.restart_cause or '', 'cause unknown')}"


def _reported(state: BoxState, kind: str, words: str) -> Finding:
    """What an event of the last five minutes said."""
    ages_s = dict(state.reports)
    return f"{words}, {age(ages_s[kind])} ago" if ages_s.get(kind, inf) <= limits.RESTART_SHOWN_S else False


def control_failed(state: BoxState, raised: bool) -> Finding:
    """The board's judgement of a second ended with an error."""
    return _reported(state, "control_failed", "control of the board failed")


def starved(state: BoxState, raised: bool) -> Finding:
    """The board lost its power twice within a minute of its start."""
    return _reported(state, "starved", "board lost power twice within a minute of its start, output 2 shed")


def settings_fallback(state: BoxState, raised: bool) -> Finding:
    """Some of the board's stored settings are damaged or contradict each other."""
    return _reported(state, "settings_fallback", "board does not use all of its stored settings")


def shed_soon(state: BoxState, raised: bool) -> Finding:
    """The board sheds an output within a minute."""
    if not state.outputs:
        return None
    soon = [f"output {number}" for number, what in enumerate(state.outputs, 1) if what == "shed_soon"]
    return f"board sheds {listed(soon)} within a minute" if soon else False


def button_jammed(state: BoxState, raised: bool) -> Finding:
    """The button has been held for half a minute."""
    return None if state.button is None else state.button == "jammed" and "button held for 30 s"


def silent(state: BoxState, raised: bool) -> Finding:
    """Three readings missed."""
    if state.silent_s is None or not state.is_silent:
        return False
    return f"no data for {age(state.silent_s)}, last voltage {volts(state.battery_volts)}"


def never_heard(state: BoxState, raised: bool) -> Finding:
    """A box of the settings that has not been heard at all."""
    return False if state.silent_s is not None else f"no data yet, after {age(state.watched_s)}"

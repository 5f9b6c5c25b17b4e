"""When the box itself needs a person: heat, fans, sensors, the board. Rules as in rules_battery."""

from groundbox.advice.rules_battery import LEVELS, Verdict, reads_nothing
from groundbox.advice.state import BoxState
from groundbox.advice.words import celsius, listed, span, volts

RESTART_SHOWN_S = 300.0
FAULTS = ("open", "shorted", "range", "frozen", "silent")
SENSOR_NAMES = {
    "voltage": "battery voltage",
    "check": "second voltage",
    "current": "current",
    "case": "case temperature",
    "battery": "block temperature",
    "intake": "intake temperature",
}
NEEDED = ("voltage", "case")
CAUSES = {"power": "its power failed", "watchdog": "it hung and its watchdog acted", "soft": "its program asked for it"}


def _heat(state: BoxState, level: str) -> Verdict:
    if state.case_heat is None:
        return None
    return f"{celsius(state.case_c)} in the case" if LEVELS[state.case_heat] >= LEVELS[level] else False


def heat_notice(state: BoxState, raised: bool) -> Verdict:
    """The board's first level of case temperature."""
    return _heat(state, "notice")


def heat_urgent(state: BoxState, raised: bool) -> Verdict:
    """The board's second level."""
    return _heat(state, "urgent")


def heat_stop(state: BoxState, raised: bool) -> Verdict:
    """The board's third level."""
    return _heat(state, "stop")


def filter_clogs(state: BoxState, raised: bool) -> Verdict:
    """Its case rises more for each watt than it did at first, by its sessions."""
    return None if state.filter_notice is None else state.filter_notice.partition(": ")[0] or False


def fan_stalled(state: BoxState, raised: bool) -> Verdict:
    """A fan is driven and does not turn."""
    stalled = [f"fan {number}" for number, fan in enumerate(state.fans, 1) if fan == "stalled"]
    if not stalled:
        return None if not any(state.fans) else False
    verb = "is driven but does not turn" if len(stalled) == 1 else "are driven but do not turn"
    return f"{listed(stalled)} {verb}, case at {celsius(state.case_c)}"


def _faulty(state: BoxState, needed: bool) -> Verdict:
    if not state.sensors:
        return None
    bad = [
        f"{SENSOR_NAMES[name]} ({what})"
        for name, what in state.sensors
        if what in FAULTS and (name in NEEDED) == needed and not (name in ("voltage", "check") and reads_nothing(state))
    ]
    return f"no trust in the {listed(bad)}" if bad else False


def needed_sensor(state: BoxState, raised: bool) -> Verdict:
    """A sensor that the box cannot do without."""
    return _faulty(state, True)


def other_sensor(state: BoxState, raised: bool) -> Verdict:
    """A sensor that the box can do without."""
    return _faulty(state, False)


def sources_disagree(state: BoxState, raised: bool) -> Verdict:
    """Two ways of measuring the same voltage differ."""
    if not state.sensors:
        return None
    if not any(what == "disagree" for _, what in state.sensors):
        return False
    return f"battery voltage is {volts(state.battery_volts, 2)} one way and {volts(state.check_volts, 2)} the other"


def _restarted(state: BoxState) -> Verdict:
    if state.restarted_s is None or state.restarted_s > RESTART_SHOWN_S:
        return False
    cause = CAUSES.get(state.restart_cause or "", "cause unknown")
    return f"board restarted {span(state.restarted_s)} ago: {cause}"


def restarted_in_flight(state: BoxState, raised: bool) -> Verdict:
    """The board restarted unexpectedly within the last five minutes, in flight."""
    return _restarted(state) if state.in_flight else False


def restarted_on_ground(state: BoxState, raised: bool) -> Verdict:
    """The same, on the ground."""
    return False if state.in_flight else _restarted(state)


def _silent(state: BoxState) -> Verdict:
    if state.silent_s is None or not state.is_silent:
        return False
    return f"nothing heard for {span(state.silent_s)}, its last voltage was {volts(state.battery_volts)}"


def silent_in_flight(state: BoxState, raised: bool) -> Verdict:
    """Three readings missed, in flight."""
    return _silent(state) if state.in_flight else False


def silent_on_ground(state: BoxState, raised: bool) -> Verdict:
    """Three readings missed, on the ground."""
    return False if state.in_flight else _silent(state)


def never_heard(state: BoxState, raised: bool) -> Verdict:
    """A box of the settings that has not been heard at all."""
    if state.silent_s is not None:
        return False
    return f"not heard yet, after {span(state.watched_s)} of listening"

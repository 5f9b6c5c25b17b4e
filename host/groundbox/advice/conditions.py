"""The table of conditions: what is judged, how severe it is, what a person does about it, and what it does to a launch.

Several rows may share a kind: the most severe one that is raised represents it. To add a warning, write its rule beside
the others, add its row here, and a test. Delays are common practice, no source.
"""

from collections.abc import Callable
from dataclasses import dataclass

from groundbox.advice import rules_battery as battery
from groundbox.advice import rules_box as box
from groundbox.advice import turn_back
from groundbox.advice.rules_battery import Finding
from groundbox.advice.state import BoxState
from groundbox.advice.words import CHARGE_WITH_CARE, celsius, listed

_CHARGE = f"{{charge}} ({CHARGE_WITH_CARE}), or swap it"
_FANS = "keep hands off the fans"


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One row of the table.

    Attributes:
        kind, severity: name it; `meaning` describes it in documents.
        rule: returns the facts, False or None; see rules_battery.
        cause: at most four spoken words.
        ground_action, flight_action: one instruction; "" where the condition cannot come at that place.
        ground_say, flight_say: the same in at most three spoken words.
        hazard: row of hazards.HAZARDS that the actions must respect.
        ground_verdict, flight_verdict: what it makes of a launch or a flight: do_not_launch, unknown, wait; return_now,
            unknown; None leaves the verdict as it is.
        delay_s, clear_s: true for so long before it is raised; false for so long before it is cleared.
        at_once: the verdict does not wait for the delay.
        from_reading: judged by readings, so that it stays as it is while the box is silent.
    """

    kind: str
    severity: str
    meaning: str
    rule: Callable[[BoxState, bool], Finding]
    cause: str = ""
    ground_action: str = ""
    flight_action: str = ""
    ground_say: str = ""
    flight_say: str = ""
    hazard: str = "none"
    ground_verdict: str | None = None
    flight_verdict: str | None = None
    delay_s: float = 0.0
    clear_s: float = 10.0
    at_once: bool = False
    from_reading: bool = True

    def possible(self, state: BoxState) -> bool:
        """True where the condition can come at this place: on the ground, or in flight."""
        return bool(self.flight_action if state.in_flight else self.ground_action)

    def judge(self, state: BoxState, raised: bool) -> Finding:
        """The rule's facts; False where all is well or the condition cannot come now, None where it cannot judge."""
        if not self.possible(state):
            return False
        if self.from_reading and state.is_silent:
            return None
        return self.rule(state, raised)

    def action(self, state: BoxState) -> str:
        """The instruction for `state`, with its first letter large and no full stop."""
        words = self.flight_action if state.in_flight else self.ground_action
        cold, warm = (celsius(level) for level in (state.battery_levels_c or (0.0, 40.0))[:2])
        filled = words.format(
            box=state.box,
            spare=listed(state.sheddable) or "what the flight does not need",
            charge=state.charge_advice or "charge the battery",
            cold=cold,
            warm=warm,
        )
        return filled[:1].upper() + filled[1:]

    def spoken(self, state: BoxState) -> str:
        """Box first, act second, then the cause: "mast: return now, battery empty"."""
        act = self.flight_say if state.in_flight else self.ground_say
        return f"{state.box}: {act}{f', {self.cause}' if self.cause else ''}"

    def verdict(self, state: BoxState) -> str | None:
        """What the condition makes of a launch, or of the flight."""
        return self.flight_verdict if state.in_flight else self.ground_verdict

    def sentence(self, facts: str, state: BoxState) -> str:
        """The facts, then the instruction: "Case 61 °C, limit 60 °C. Return now."."""
        return f"{facts[:1].upper()}{facts[1:]}. {self.action(state)}."


TABLE = (
    Condition(
        kind="turn_back",
        severity="stop",
        meaning="the turn-back time has passed",
        rule=turn_back.passed,
        flight_action="return now",
        flight_say="return now",
        cause="turn-back passed",
        flight_verdict="return_now",
        clear_s=0,
        at_once=True,
        from_reading=False,
    ),
    Condition(
        kind="reserve",
        severity="urgent",
        meaning="the planned landing no longer leaves the reserve",
        rule=battery.landing_does_not_fit,
        cause="runtime too short",
        flight_action="return earlier than planned",
        flight_say="return early",
        delay_s=20,
        clear_s=60,
    ),
    Condition(
        kind="reserve",
        severity="urgent",
        meaning="the way home takes longer than the runtime",
        rule=battery.runtime_short_of_home,
        cause="runtime too short",
        flight_action="fly straight home, shed {spare}",
        flight_say="straight home",
        delay_s=5,
        clear_s=60,
    ),
    Condition(
        kind="reserve",
        severity="notice",
        meaning="the runtime is less than one flight and its reserve",
        rule=battery.next_flight_does_not_fit,
        cause="runtime too short",
        ground_action=_CHARGE,
        ground_say="do not launch",
        hazard="gas",
        ground_verdict="do_not_launch",
        delay_s=20,
        clear_s=60,
        at_once=True,
    ),
    Condition(
        kind="low_voltage",
        severity="stop",
        meaning="the equipment is at its cutoff voltage",
        rule=battery.under_cutoff,
        cause="battery empty",
        ground_action=f"switch off the box, {_CHARGE}",
        flight_action="return now",
        ground_say="switch off",
        flight_say="return now",
        hazard="gas",
        ground_verdict="do_not_launch",
        flight_verdict="return_now",
        delay_s=3,
        clear_s=60,
    ),
    Condition(
        kind="low_voltage",
        severity="stop",
        meaning="the board's third low-voltage level",
        rule=battery.low_stop,
        cause="battery empty",
        ground_action=f"switch off the box, {_CHARGE}",
        flight_action="return now",
        ground_say="switch off",
        flight_say="return now",
        hazard="gas",
        ground_verdict="do_not_launch",
        flight_verdict="return_now",
    ),
    Condition(
        kind="low_voltage",
        severity="urgent",
        meaning="the board's second low-voltage level",
        rule=battery.low_urgent,
        cause="battery low",
        ground_action=_CHARGE,
        flight_action="fly no further out, shed {spare}",
        ground_say="do not launch",
        flight_say="no further out",
        hazard="gas",
        ground_verdict="do_not_launch",
    ),
    Condition(
        kind="low_voltage",
        severity="notice",
        meaning="the board's first low-voltage level",
        rule=battery.low_notice,
        cause="battery getting low",
        ground_action=f"before a further flight, {_CHARGE}",
        flight_action="shed {spare}",
        ground_say="charge soon",
        flight_say="shed loads",
        hazard="gas",
    ),
    Condition(
        kind="end_voltage",
        severity="urgent",
        meaning="the battery is at its end voltage, less damages it",
        rule=battery.at_end_voltage,
        cause="battery empty",
        ground_action=f"switch off the box, charge the battery today ({CHARGE_WITH_CARE})",
        flight_action="return now",
        ground_say="switch off",
        flight_say="return now",
        hazard="gas",
        ground_verdict="do_not_launch",
        flight_verdict="return_now",
        delay_s=60,
        clear_s=120,
    ),
    Condition(
        kind="brown_out",
        severity="urgent",
        meaning="the equipment falls under its cutoff when the largest load starts",
        rule=battery.brown_out,
        cause="voltage falls",
        ground_action=_CHARGE,
        flight_action="return now, shed {spare}",
        ground_say="do not launch",
        flight_say="return now",
        hazard="gas",
        ground_verdict="do_not_launch",
        flight_verdict="return_now",
        delay_s=10,
        clear_s=60,
    ),
    Condition(
        kind="overvoltage",
        severity="stop",
        meaning="the battery gets more volts than it may",
        rule=battery.over_board,
        cause="voltage too high",
        ground_action="switch the charger off at its supply first, stay clear of the battery",
        flight_action="return now, switch the charger off at its supply",
        ground_say="charger off",
        flight_say="return now",
        hazard="hot battery",
        ground_verdict="do_not_launch",
        flight_verdict="return_now",
    ),
    Condition(
        kind="overvoltage",
        severity="urgent",
        meaning="a load gets more volts than it may",
        rule=battery.over_load,
        cause="voltage too high",
        ground_action="switch the charger off at its supply",
        flight_action="switch the charger off at its supply",
        ground_say="charger off",
        flight_say="charger off",
        hazard="gas",
        ground_verdict="do_not_launch",
        delay_s=5,
        clear_s=30,
    ),
    Condition(
        kind="fuse_open",
        severity="stop",
        meaning="the board works and the battery reads nothing: a fuse or connector is open",
        rule=battery.fuse_open,
        cause="no battery read",
        ground_action="check its connector and fuse, replace a fuse by its like, never bridge one",
        flight_action="return now, check its connector",
        ground_say="check fuse",
        flight_say="return now",
        hazard="short circuit",
        ground_verdict="do_not_launch",
        flight_verdict="return_now",
        delay_s=2,
    ),
    Condition(
        kind="no_charge",
        severity="urgent",
        meaning="a charge was marked and no charge arrives",
        rule=battery.no_charge,
        cause="no charge arrives",
        ground_action="check the charger's plug, switch and fuse",
        ground_say="check charger",
        hazard="short circuit",
        ground_verdict="wait",
        delay_s=10,
        clear_s=5,
    ),
    Condition(
        kind="charge_heat",
        severity="stop",
        meaning="charging with the battery too hot to go on",
        rule=battery.charge_hot,
        cause="battery too hot",
        ground_action="switch the charger off at its supply first, stay clear, do not touch the battery",
        flight_action="return now, switch the charger off at its supply, stay clear",
        ground_say="charger off",
        flight_say="return now",
        hazard="hot battery",
        ground_verdict="do_not_launch",
        flight_verdict="return_now",
    ),
    Condition(
        kind="charge_heat",
        severity="urgent",
        meaning="charging with the battery too warm or too cold",
        rule=battery.charge_warm_or_cold,
        cause="battery temperature",
        ground_action="switch the charger off at its supply until the battery is between {cold} and {warm}",
        flight_action="switch the charger off at its supply",
        ground_say="charger off",
        flight_say="charger off",
        hazard="gas",
        ground_verdict="wait",
    ),
    Condition(
        kind="battery_heat",
        severity="stop",
        meaning="the battery is too hot, charging or not",
        rule=battery.battery_too_hot,
        cause="battery too hot",
        ground_action="switch any charger off at its supply first, stay clear, do not touch the battery",
        flight_action="return now, switch any charger off at its supply, stay clear",
        ground_say="stay clear",
        flight_say="return now",
        hazard="hot battery",
        ground_verdict="do_not_launch",
        flight_verdict="return_now",
    ),
    Condition(
        kind="battery_heat",
        severity="urgent",
        meaning="the battery is hot, charging or not",
        rule=battery.battery_hot,
        cause="battery hot",
        ground_action="switch any charger off at its supply first, shade the box, stay clear of the battery",
        flight_action="switch any charger off at its supply, shade the box, shed {spare}",
        ground_say="shade box",
        flight_say="shade box",
        hazard="hot battery",
        ground_verdict="do_not_launch",
    ),
    Condition(
        kind="heat",
        severity="stop",
        meaning="the board's third level of case temperature",
        rule=box.heat_stop,
        cause="case too hot",
        ground_action="switch any charger off at its supply, switch off the box, then open the lid",
        flight_action=f"return now, open the lid, {_FANS}",
        ground_say="switch off",
        flight_say="return now",
        hazard="hot case",
        ground_verdict="do_not_launch",
        flight_verdict="return_now",
    ),
    Condition(
        kind="heat",
        severity="urgent",
        meaning="the board's second level of case temperature",
        rule=box.heat_urgent,
        cause="case hot",
        ground_action=f"switch any charger off at its supply, open the lid, shade the box, {_FANS}",
        flight_action=f"open the lid, {_FANS}, shed {{spare}}",
        ground_say="open lid",
        flight_say="open lid",
        hazard="hot case",
        ground_verdict="do_not_launch",
    ),
    Condition(
        kind="heat",
        severity="notice",
        meaning="the board's first level of case temperature",
        rule=box.heat_notice,
        cause="case warm",
        ground_action="shade the box, clear its air inlets",
        flight_action="shade the box",
        ground_say="shade box",
        flight_say="shade box",
    ),
    Condition(
        kind="fan_stalled",
        severity="urgent",
        meaning="a fan is driven and does not turn",
        rule=box.fan_stalled,
        cause="fan stalled",
        ground_action="unplug the battery first, then free or replace the fan",
        flight_action=f"open the lid, {_FANS}",
        ground_say="unplug battery",
        flight_say="open lid",
        hazard="blades",
        ground_verdict="do_not_launch",
    ),
    Condition(
        kind="fan_doubtful",
        severity="urgent",
        meaning="a tachometer shows a speed no fan has: it is not known whether the fan turns",
        rule=box.fan_unproven,
        cause="fan doubtful",
        ground_action="listen from outside whether it turns; unplug the battery first, then check its tachometer lead",
        flight_action=f"open the lid if the case gets hot, {_FANS}",
        ground_say="check fan",
        flight_say="watch heat",
        hazard="blades",
        ground_verdict="wait",
    ),
    Condition(
        kind="fan_doubtful",
        severity="notice",
        meaning="a fan turns although it is switched off",
        rule=box.fan_runs_on,
        cause="fan runs on",
        ground_action="unplug the battery first, then check its leads; declare a fan that never stops: its kind is 3",
        flight_action=f"check it after landing, {_FANS}",
        ground_say="check fan",
        flight_say="check later",
        hazard="blades",
    ),
    Condition(
        kind="filter",
        severity="notice",
        meaning="the case rises more for each watt than in its first sessions",
        rule=box.filter_clogs,
        cause="filter clogged",
        ground_action="unplug the battery first, then clean or change the filter",
        ground_say="clean filter",
        hazard="blades",
        clear_s=0,
        from_reading=False,
    ),
    Condition(
        kind="condensation",
        severity="notice",
        meaning="the dew point is at the temperature of the coldest part: water condenses",
        rule=box.condensation,
        cause="water condenses",
        ground_action=f"open the lid in dry air, let the box dry, {_FANS}",
        ground_say="dry box",
        delay_s=60,
        clear_s=120,
    ),
    Condition(
        kind="sensor_fault",
        severity="urgent",
        meaning="battery voltage or case temperature is not measured",
        rule=box.needed_sensor,
        cause="sensor fault",
        ground_action="check its cable",
        flight_action="watch the picture of this box",
        ground_say="check sensor",
        flight_say="watch picture",
        ground_verdict="unknown",
        delay_s=3,
        at_once=True,
    ),
    Condition(
        kind="sensor_fault",
        severity="notice",
        meaning="another sensor does not measure",
        rule=box.other_sensor,
        cause="sensor fault",
        ground_action="check its cable",
        flight_action="check its cable after landing",
        ground_say="check sensor",
        flight_say="check later",
        delay_s=3,
    ),
    Condition(
        kind="sources_disagree",
        severity="notice",
        meaning="two ways of measuring the battery voltage differ",
        rule=box.sources_disagree,
        cause="voltages differ",
        ground_action="measure with a meter and calibrate, use the lower one until then",
        flight_action="use the lower one",
        ground_say="check voltage",
        flight_say="use lower",
        ground_verdict="unknown",
    ),
    Condition(
        kind="restarted",
        severity="urgent",
        meaning="the board restarted unexpectedly, in flight",
        rule=box.restarted,
        cause="board restarted",
        flight_action="fly no further out, watch this box",
        flight_say="no further out",
    ),
    Condition(
        kind="restarted",
        severity="notice",
        meaning="the board restarted unexpectedly, on the ground",
        rule=box.restarted,
        cause="board restarted",
        ground_action="check its supply lead before launch",
        ground_say="check supply",
        ground_verdict="wait",
    ),
    Condition(
        kind="control_failed",
        severity="urgent",
        meaning="the board's control ended with an error: fans full, and a restart when it lasts",
        rule=box.control_failed,
        cause="board faulty",
        ground_action="type `groundbox board install` before launch",
        flight_action="fly no further out, watch this box",
        ground_say="install firmware",
        flight_say="no further out",
        ground_verdict="do_not_launch",
        from_reading=False,
    ),
    Condition(
        kind="starved",
        severity="urgent",
        meaning="the board lost its power twice within a minute of its start; output 2 is shed",
        rule=box.starved,
        cause="power lost twice",
        ground_action=f"leave output 2 off, {_CHARGE}",
        flight_action="fly no further out, leave output 2 off",
        ground_say="do not launch",
        flight_say="no further out",
        hazard="gas",
        ground_verdict="do_not_launch",
        from_reading=False,
    ),
    Condition(
        kind="settings_fallback",
        severity="notice",
        meaning="some of the board's stored settings are damaged or contradict each other; others are in force",
        rule=box.settings_fallback,
        cause="settings lost",
        ground_action="compare them: type `groundbox board settings`",
        flight_action="check its settings after landing",
        ground_say="check settings",
        flight_say="check later",
        ground_verdict="wait",
        from_reading=False,
    ),
    Condition(
        kind="shedding",
        severity="urgent",
        meaning="the board sheds an output within a minute, in flight",
        rule=box.shed_soon,
        cause="load goes off",
        flight_action="fly no further out, do without that output",
        flight_say="no further out",
        clear_s=0,
    ),
    Condition(
        kind="button",
        severity="notice",
        meaning="the board's button is jammed: held for 30 s",
        rule=box.button_jammed,
        cause="button jammed",
        ground_action="free its button",
        flight_action="mark the landing with `groundbox mark landing`",
        ground_say="free button",
        flight_say="mark by computer",
    ),
    Condition(
        kind="silent",
        severity="stop",
        meaning="three readings missed, in flight",
        rule=box.silent,
        cause="no data",
        flight_action="check its cable and power",
        flight_say="check cable",
        flight_verdict="unknown",
        clear_s=5,
        at_once=True,
        from_reading=False,
    ),
    Condition(
        kind="silent",
        severity="urgent",
        meaning="three readings missed, on the ground",
        rule=box.silent,
        cause="no data",
        ground_action="check its cable and power",
        ground_say="check cable",
        ground_verdict="unknown",
        clear_s=5,
        at_once=True,
        from_reading=False,
    ),
    Condition(
        kind="silent",
        severity="notice",
        meaning="no data yet from a box of the settings",
        rule=box.never_heard,
        cause="no data yet",
        ground_action="plug in its cable and power, or remove it from groundbox.toml",
        flight_action="plug in its cable and power",
        ground_say="check cable",
        flight_say="check cable",
        ground_verdict="unknown",
        flight_verdict="unknown",
        delay_s=30,
        clear_s=0,
        at_once=True,
        from_reading=False,
    ),
    Condition(
        kind="battery_doubt",
        severity="notice",
        meaning="measurements do not fit the battery's profile",
        rule=battery.contradiction,
        cause="battery doubtful",
        ground_action="run `groundbox battery test` before you rely on its runtime",
        flight_action="return early, its runtime is doubtful",
        ground_say="test battery",
        flight_say="return early",
        ground_verdict="unknown",
        delay_s=10,
        clear_s=60,
    ),
    Condition(
        kind="load_differs",
        severity="urgent",
        meaning="the measured load is far from the declared one: the runtime may be far too long",
        rule=battery.load_differs,
        cause="load differs",
        ground_action="check the current sensor, loads that pass it, and the declared loads",
        flight_action="return early, its runtime is doubtful",
        ground_say="check load",
        flight_say="return early",
        ground_verdict="unknown",
        delay_s=10,
        clear_s=60,
        at_once=True,
    ),
    Condition(
        kind="load_unknown",
        severity="notice",
        meaning="the load is neither measured nor declared: runtime from voltage alone may be far too long",
        rule=battery.load_unknown,
        cause="load unknown",
        ground_action="declare its loads: [[boxes.{box}.loads]] in groundbox.toml",
        flight_action="return early, its runtime is doubtful",
        ground_say="declare loads",
        flight_say="return early",
        ground_verdict="unknown",
        flight_verdict="unknown",
        delay_s=30,
        clear_s=0,
        at_once=True,
    ),
    Condition(
        kind="unmarked",
        severity="notice",
        meaning="the voltage looks as if another battery is in",
        rule=battery.other_battery,
        cause="battery swapped",
        ground_action="type `groundbox mark swap {box} BATTERY` or `groundbox mark charge {box}`",
        flight_action="return early, its runtime is doubtful",
        ground_say="mark swap",
        flight_say="return early",
        ground_verdict="unknown",
        flight_verdict="unknown",
        clear_s=0,
        at_once=True,
        from_reading=False,
    ),
    Condition(
        kind="unmarked",
        severity="notice",
        meaning="a charge seems to be unmarked",
        rule=battery.unmarked_charge,
        cause="charge not marked",
        ground_action="type `groundbox mark charge {box}`",
        ground_say="mark charge",
        clear_s=0,
        from_reading=False,
    ),
)

KINDS = tuple(dict.fromkeys(row.kind for row in TABLE))

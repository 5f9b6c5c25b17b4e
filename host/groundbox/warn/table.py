"""The table of warnings: what is judged, how severe, after what delay, and what a person is told to do.

Delays and thresholds are common practice, no source. Several rows may share a kind: the most severe one that is raised
speaks for it. To add a warning, write its rule beside the others, add its row here and its test.
"""

from collections.abc import Callable
from dataclasses import dataclass

from groundbox.warn import rules_battery as battery
from groundbox.warn import rules_box as box
from groundbox.warn.rules_battery import Verdict
from groundbox.warn.state import BoxState
from groundbox.warn.words import listed

SEVERITIES = ("notice", "urgent", "stop")
CHARGE_WITH_CARE = "outdoors, out of the box, no sparks near"


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One row. The rule's facts and `on_ground` or `in_flight` (what to do) make the sentence.

    `delay_s`: true for so long before it is raised; `clear_s`: false for so long before it is cleared.
    `from_reading`: judged by readings, so that it holds still while the box is silent.
    """

    kind: str
    severity: str
    meaning: str
    rule: Callable[[BoxState, bool], Verdict]
    on_ground: str
    in_flight: str = ""
    delay_s: float = 0.0
    clear_s: float = 10.0
    from_reading: bool = True

    def sentence(self, facts: str, state: BoxState) -> str:
        """One sentence: the facts, then what to do."""
        to_do = self.in_flight if state.in_flight and self.in_flight else self.on_ground
        return f"{facts}: {to_do.format(spare=listed(state.droppable) or 'what is not essential', box=state.box)}"


_LIGHTEN = "switch off {spare}"
_CHARGE = f"charge the battery ({CHARGE_WITH_CARE}) or swap it"

TABLE = (
    Condition(
        kind="turn_back",
        severity="stop",
        meaning="the turn-back time has passed",
        rule=battery.turn_back_passed,
        on_ground="turn back now",
        delay_s=3,
        clear_s=30,
        from_reading=False,
    ),
    Condition(
        kind="turn_back",
        severity="urgent",
        meaning="the turn-back time is within 5 minutes",
        rule=battery.turn_back_close,
        on_ground="tell the pilot to come home",
        delay_s=3,
        clear_s=30,
        from_reading=False,
    ),
    Condition(
        kind="turn_back",
        severity="notice",
        meaning="the turn-back time is within 10 minutes",
        rule=battery.turn_back_near,
        on_ground="warn the pilot",
        delay_s=3,
        clear_s=30,
        from_reading=False,
    ),
    Condition(
        kind="reserve",
        severity="urgent",
        meaning="runtime under the reserve at the planned landing",
        rule=battery.reserve_in_flight,
        on_ground=f"land earlier, or {_LIGHTEN}",
        delay_s=20,
        clear_s=60,
    ),
    Condition(
        kind="reserve",
        severity="notice",
        meaning="not enough runtime for one more flight with its reserve",
        rule=battery.reserve_before_flight,
        on_ground=f"do not launch, {_CHARGE}",
        delay_s=20,
        clear_s=60,
    ),
    Condition(
        kind="low_voltage",
        severity="stop",
        meaning="the equipment gets less than its cutoff voltage",
        rule=battery.under_cutoff,
        on_ground=f"switch off the box, {_CHARGE}",
        in_flight="land now",
        delay_s=3,
        clear_s=60,
    ),
    Condition(
        kind="low_voltage",
        severity="stop",
        meaning="the board's third low-voltage level",
        rule=battery.low_stop,
        on_ground=f"switch off the box, {_CHARGE}",
        in_flight="land now",
    ),
    Condition(
        kind="low_voltage",
        severity="urgent",
        meaning="the board's second low-voltage level",
        rule=battery.low_urgent,
        on_ground=f"do not launch, {_CHARGE}",
        in_flight=f"come home and {_LIGHTEN}",
    ),
    Condition(
        kind="low_voltage",
        severity="notice",
        meaning="the board's first low-voltage level",
        rule=battery.low_notice,
        on_ground=f"before another flight, {_CHARGE}",
        in_flight=f"plan to land soon and {_LIGHTEN}",
    ),
    Condition(
        kind="floor",
        severity="urgent",
        meaning="the battery is at the end voltage that spares it",
        rule=battery.at_floor,
        on_ground=f"switch off the box and charge the battery today ({CHARGE_WITH_CARE})",
        in_flight="land, and charge it today",
        delay_s=60,
        clear_s=120,
    ),
    Condition(
        kind="brown_out",
        severity="urgent",
        meaning="the equipment would brown out when the largest load starts",
        rule=battery.brown_out,
        on_ground=f"do not launch, {_CHARGE}",
        in_flight=f"{_LIGHTEN} and come home",
        delay_s=10,
        clear_s=60,
    ),
    Condition(
        kind="overvoltage",
        severity="stop",
        meaning="the battery gets more volts than it stands",
        rule=battery.over_board,
        on_ground="switch the charger off at its supply first, and keep your face away from the battery",
    ),
    Condition(
        kind="overvoltage",
        severity="urgent",
        meaning="a load gets more volts than it stands",
        rule=battery.over_load,
        on_ground="disconnect that load until the charger is off",
        delay_s=5,
        clear_s=30,
    ),
    Condition(
        kind="fuse_open",
        severity="stop",
        meaning="the board lives and the battery reads nothing: a fuse or connector is open",
        rule=battery.fuse_open,
        on_ground="check its connector and fuse, replace a fuse by its like and never bridge one",
        in_flight="land now, then check its connector and fuse",
        delay_s=2,
    ),
    Condition(
        kind="no_charge",
        severity="urgent",
        meaning="a charge was marked and none is seen",
        rule=battery.no_charge,
        on_ground="check the charger's plug, switch and fuse",
        delay_s=10,
        clear_s=5,
    ),
    Condition(
        kind="charge_heat",
        severity="stop",
        meaning="charging with the battery block too hot to go on",
        rule=battery.charge_hot,
        on_ground="stop the charger, open the lid, touch nothing swollen, and let it cool in the open",
    ),
    Condition(
        kind="charge_heat",
        severity="urgent",
        meaning="charging with the battery block too warm or too cold",
        rule=battery.charge_warm_or_cold,
        on_ground="stop the charger until the block is between 0 and 40 C, and never charge a frozen battery",
    ),
    Condition(
        kind="heat",
        severity="stop",
        meaning="the board's third level of case temperature",
        rule=box.heat_stop,
        on_ground="switch off the box and any charger, open the lid",
        in_flight="land now, then switch off the box",
    ),
    Condition(
        kind="heat",
        severity="urgent",
        meaning="the board's second level of case temperature",
        rule=box.heat_urgent,
        on_ground="open the lid, stop charging, shade the box",
        in_flight=f"open the lid and {_LIGHTEN}",
    ),
    Condition(
        kind="heat",
        severity="notice",
        meaning="the board's first level of case temperature",
        rule=box.heat_notice,
        on_ground="shade the box and see that its fans move air",
    ),
    Condition(
        kind="fan_stalled",
        severity="urgent",
        meaning="a fan is driven and does not turn",
        rule=box.fan_stalled,
        on_ground="open the lid, free or replace it, and do not charge in the box",
        in_flight="open the lid and let the spotter free it",
    ),
    Condition(
        kind="filter",
        severity="notice",
        meaning="the case rises more for each watt than in its first outings",
        rule=box.filter_clogs,
        on_ground="clean or change the filter and look for anything in the way of the air",
        clear_s=0,
        from_reading=False,
    ),
    Condition(
        kind="sensor_fault",
        severity="urgent",
        meaning="battery voltage or case temperature cannot be trusted",
        rule=box.needed_sensor,
        on_ground="check its cable; until it is mended the box is watched half blind",
        delay_s=3,
    ),
    Condition(
        kind="sensor_fault",
        severity="notice",
        meaning="another sensor cannot be trusted",
        rule=box.other_sensor,
        on_ground="check its cable when there is time",
        delay_s=3,
    ),
    Condition(
        kind="sources_disagree",
        severity="notice",
        meaning="two ways of measuring the battery voltage differ",
        rule=box.sources_disagree,
        on_ground="measure with a meter and calibrate, trust the lower one until then",
    ),
    Condition(
        kind="restarted",
        severity="urgent",
        meaning="the board restarted unexpectedly, in flight",
        rule=box.restarted_in_flight,
        on_ground="check its supply lead",
        in_flight="watch this box, and land if it happens again",
    ),
    Condition(
        kind="restarted",
        severity="notice",
        meaning="the board restarted unexpectedly, on the ground",
        rule=box.restarted_on_ground,
        on_ground="check its supply lead before launching",
    ),
    Condition(
        kind="silent",
        severity="stop",
        meaning="three readings missed, in flight",
        rule=box.silent_in_flight,
        on_ground="check its cable and power",
        in_flight="check its cable and power, and treat the box as failing",
        clear_s=5,
        from_reading=False,
    ),
    Condition(
        kind="silent",
        severity="urgent",
        meaning="three readings missed, on the ground",
        rule=box.silent_on_ground,
        on_ground="check its cable and power before launching",
        clear_s=5,
        from_reading=False,
    ),
    Condition(
        kind="silent",
        severity="notice",
        meaning="a box of the settings has not been heard yet",
        rule=box.never_heard,
        on_ground="plug in its cable and power, or take it out of the settings",
        delay_s=30,
        clear_s=0,
        from_reading=False,
    ),
    Condition(
        kind="battery_doubt",
        severity="notice",
        meaning="measurements do not fit the battery's papers",
        rule=battery.contradiction,
        on_ground="until that is done, trust the runtime less",
        delay_s=10,
        clear_s=60,
    ),
    Condition(
        kind="unmarked",
        severity="notice",
        meaning="a swap or charge seems to have gone unmarked",
        rule=battery.unmarked_change,
        on_ground="type `groundbox mark charge {box}`, or `groundbox mark swap {box} BATTERY`",
        clear_s=0,
        from_reading=False,
    ),
)

KINDS = tuple(dict.fromkeys(row.kind for row in TABLE))

"""Every warning of the table: when it is raised, what it says, and when it clears."""

from dataclasses import replace
from datetime import datetime

import pytest

from groundbox.advice import hazards
from groundbox.advice.conditions import KINDS, TABLE, Condition
from groundbox.advice.result import FLIGHT_VERDICTS, GROUND_VERDICTS, SEVERITIES
from groundbox.advice.rules_box import dew_point_c
from groundbox.advice.state import BoxState
from groundbox.advice.warner import ActiveWarning, Warner
from groundbox.advice.words import CHARGE_WITH_CARE, listed, needed, span, spoken_clock

WALL_S = 1_800_000_000.0
FINE = BoxState(
    box="mast",
    wall_s=WALL_S,
    silent_s=0.5,
    watched_s=100.0,
    flight_s=2100.0,
    load_known=True,
    time_home_s=480.0,
    runtime_low_s=9000.0,
    battery_volts=12.4,
    check_volts=12.38,
    equipment_volts=12.3,
    cutoff_volts=11.0,
    end_volts=10.5,
    start_load="servos",
    start_volts=12.0,
    fragile_load="display",
    fragile_volts=14.0,
    low_voltage="clear",
    low_levels_volts=(11.8, 11.3, 10.8),
    overvoltage="clear",
    charging="no",
    case_heat="clear",
    battery_heat="clear",
    case_levels_c=(45.0, 55.0, 60.0),
    case_c=33.0,
    filter_notice="",
    battery_c=27.0,
    battery_levels_c=(0.0, 40.0, 50.0, 55.0, 60.0),
    humidity_percent=5.0,
    outputs=("on", "on"),
    button="released",
    fans=("running", "running", "absent", "absent"),
    sensors=tuple((name, "ok") for name in ("voltage", "check", "current", "case", "battery", "intake")),
)
FLYING = replace(FINE, in_flight=True, landing_in_s=1200.0, turn_back_in_s=3000.0)


def _faulty(name: str, state: str) -> tuple[tuple[str, str | None], ...]:
    return tuple((sensor, state if sensor == name else word) for sensor, word in FINE.sensors)


CLOGGED = (
    "with both fans on the case now rises 0.21 K for each watt, 40% more than at first: clean or change the filter"
)

_DIFFERS = "0.5 A is measured, 1.5 A is declared"
CASES = [
    (replace(FINE, filter_notice=CLOGGED), "filter", "notice", "40% more than at first. Unplug the battery first"),
    (replace(FLYING, turn_back_in_s=-61.0), "turn_back", "stop", "passed 61 s ago. Return now"),
    (replace(FLYING, turn_back_in_s=-180.0), "turn_back", "stop", "passed 3 min ago. Return now"),
    (
        replace(FLYING, runtime_low_s=2000.0),
        "reserve",
        "urgent",
        "Runtime falls 2 min short of the landing",
    ),
    (replace(FLYING, runtime_low_s=2000.0, landing_in_s=-60.0, reserve_s=2100.0), "reserve", "urgent", "overdue"),
    (
        replace(FLYING, runtime_low_s=400.0, returning=True),
        "reserve",
        "urgent",
        "Runtime 6 min, the way home takes 8 min. Fly straight home",
    ),
    (
        replace(FINE, runtime_low_s=2940.0),
        "reserve",
        "notice",
        "Runtime 45 min, a flight with its reserve needs 50 min. Charge the battery",
    ),
    (replace(FINE, runtime_low_s=0.0, flight_s=None), "reserve", "notice", "the reserve alone is 15 min"),
    (
        replace(FINE, low_voltage="notice", battery_volts=11.7),
        "low_voltage",
        "notice",
        "Battery 11.7 V, notice limit of the board 11.8 V",
    ),
    (replace(FLYING, low_voltage="urgent", battery_volts=11.2), "low_voltage", "urgent", "Fly no further out, shed"),
    (replace(FLYING, low_voltage="stop", battery_volts=10.7), "low_voltage", "stop", "Return now"),
    (
        replace(FINE, equipment_volts=10.9),
        "low_voltage",
        "stop",
        "10.90 V at the equipment, cutoff 11.00 V",
    ),
    (replace(FINE, battery_volts=10.4), "end_voltage", "urgent", "Battery 10.40 V, end voltage 10.50 V. Switch off"),
    (replace(FINE, start_volts=10.8), "brown_out", "urgent", "Voltage at the next start of servos 10.80 V"),
    (
        replace(FINE, overvoltage="stop", battery_volts=15.4, fragile_volts=16.0),
        "overvoltage",
        "stop",
        "Battery 15.4 V, over its limit. Switch the charger off at its supply first",
    ),
    (replace(FINE, battery_volts=14.4), "overvoltage", "urgent", "Battery 14.4 V, display allows 14.0 V"),
    (replace(FINE, battery_volts=0.1, check_volts=0.2, low_voltage="stop"), "fuse_open", "stop", "reads no battery"),
    (replace(FINE, charge_marked_s=90.0), "no_charge", "urgent", "Charge marked 90 s ago, battery 12.4 V, no charge"),
    (
        replace(FINE, charging="hot", battery_c=51.0),
        "charge_heat",
        "stop",
        "Charging at 51 °C, limit 50 °C. Switch",
    ),
    (
        replace(FINE, charging="cold", battery_c=-2.0),
        "charge_heat",
        "urgent",
        "at -2 °C, limit 0 °C. Switch",
    ),
    (replace(FINE, charging="warm", battery_c=41.0), "charge_heat", "urgent", "is between 0 °C and 40 °C"),
    (
        replace(FINE, battery_heat="stop", battery_c=65.0),
        "battery_heat",
        "stop",
        "Battery 65 °C, limit 60 °C. Switch any charger off at its supply first, stay clear",
    ),
    (replace(FLYING, battery_heat="urgent", battery_c=56.0), "battery_heat", "urgent", "Battery 56 °C, limit 55 °C."),
    (replace(FINE, fans=("too_fast", "running")), "fan_doubtful", "urgent", "Fan 1: tachometer shows over 1.5 times"),
    (replace(FINE, fans=("off", "runs_on")), "fan_doubtful", "notice", "Fan 2: turns while switched off"),
    (replace(FINE, case_heat="notice", case_c=46.0), "heat", "notice", "Case 46 °C, limit 45 °C. Shade the box"),
    (replace(FINE, case_heat="urgent", case_c=56.0), "heat", "urgent", "open the lid, shade the box"),
    (
        replace(FLYING, case_heat="stop", case_c=61.0),
        "heat",
        "stop",
        "Case 61 °C, limit 60 °C. Return now",
    ),
    (replace(FINE, fans=("running", "stalled")), "fan_stalled", "urgent", "Fan 2 is driven and does not turn"),
    (
        replace(FINE, humidity_percent=90.0, case_c=20.0, intake_c=17.0),
        "condensation",
        "notice",
        "Dew point 18 °C, coldest part 17 °C, humidity 90 %. Open the lid in dry air",
    ),
    (replace(FINE, sensors=_faulty("case", "open")), "sensor_fault", "urgent", "Case temperature sensor open. Check"),
    (replace(FINE, sensors=_faulty("intake", "frozen")), "sensor_fault", "notice", "Intake temperature sensor frozen"),
    (
        replace(FINE, sensors=_faulty("check", "disagree"), check_volts=12.01),
        "sources_disagree",
        "notice",
        "12.40 V one way, 12.01 V the other",
    ),
    (
        replace(FLYING, restarted_s=10.0, restart_cause="watchdog"),
        "restarted",
        "urgent",
        "s ago, its watchdog acted",
    ),
    (replace(FINE, restarted_s=10.0, restart_cause="power"), "restarted", "notice", "its power failed"),
    (replace(FINE, reports=(("control_failed", 9.0),)), "control_failed", "urgent", "failed, 9 s ago. Type"),
    (replace(FINE, reports=(("settings_fallback", 9.0),)), "settings_fallback", "notice", "9 s ago. Compare them"),
    (replace(FLYING, reports=(("starved", 9.0),)), "starved", "urgent", "output 2 shed, 9 s ago. Fly no further out"),
    (replace(FLYING, outputs=("on", "shed_soon")), "shedding", "urgent", "Board sheds output 2 within a minute"),
    (replace(FINE, button="jammed"), "button", "notice", "Button held for 30 s. Free its button"),
    (replace(FLYING, silent_s=4.0), "silent", "stop", "No data for 4 s, last voltage 12.4 V"),
    (replace(FINE, silent_s=4.0), "silent", "urgent", "Check its cable and power"),
    (BoxState(box="mast", wall_s=WALL_S, watched_s=40.0), "silent", "notice", "No data yet, after 40 s"),
    (replace(FINE, findings=("capacity fell",)), "battery_doubt", "notice", "Capacity fell"),
    (replace(FINE, findings=(_DIFFERS,), load_differs=_DIFFERS), "load_differs", "urgent", "1.5 A is declared. Check"),
    (replace(FINE, load_known=False), "load_unknown", "notice", "[[boxes.mast.loads]] in groundbox.toml"),
    (replace(FINE, question="charging, but no charge is marked"), "unmarked", "notice", "groundbox mark charge mast"),
    (
        replace(FINE, question="12.1 V before the gap and 12.9 V after", battery_in_doubt=True),
        "unmarked",
        "notice",
        "groundbox mark swap mast BATTERY",
    ),
]


def _after(states: list[BoxState], each_s: float = 400.0) -> list[ActiveWarning]:
    """What is up after each of `states` held for `each_s`."""
    warner, now_s = Warner(), 0.0
    for state in states:
        for _ in range(int(each_s)):
            warner.update(now_s, state)
            now_s += 1.0
    return warner.active("mast")


@pytest.mark.parametrize(("state", "kind", "severity", "words"), CASES)
def test_raised_with_numbers_and_what_to_do(state: BoxState, kind: str, severity: str, words: str) -> None:
    (one,) = _after([state])
    assert (one.kind, one.severity, one.acknowledged) == (kind, severity, False)
    assert words in one.sentence
    assert one.sentence == f"{one.facts[0].upper()}{one.facts[1:]}. {one.action}."


@pytest.mark.parametrize(("state", "kind", "severity", "words"), CASES)
def test_clears_when_all_is_well_again(state: BoxState, kind: str, severity: str, words: str) -> None:
    well = FLYING if state.in_flight else FINE
    assert _after([state, well]) == []


# Seconds of each row from its condition to the warning, and from its end to the clearing.
TIMES_S = [
    *(("turn_back", "stop", 0, 0), ("reserve", "urgent", 20, 60), ("reserve", "urgent", 5, 60)),
    *(("reserve", "notice", 20, 60), ("low_voltage", "stop", 3, 60), ("low_voltage", "stop", 0, 10)),
    *(("low_voltage", "urgent", 0, 10), ("low_voltage", "notice", 0, 10), ("end_voltage", "urgent", 60, 120)),
    *(("brown_out", "urgent", 10, 60), ("overvoltage", "stop", 0, 10), ("overvoltage", "urgent", 5, 30)),
    *(("fuse_open", "stop", 2, 10), ("no_charge", "urgent", 10, 5), ("charge_heat", "stop", 0, 10)),
    *(("charge_heat", "urgent", 0, 10), ("heat", "stop", 0, 10), ("heat", "urgent", 0, 10), ("heat", "notice", 0, 10)),
    *(("battery_heat", "stop", 0, 10), ("battery_heat", "urgent", 0, 10)),
    *(("fan_doubtful", "urgent", 0, 10), ("fan_doubtful", "notice", 0, 10)),
    *(("fan_stalled", "urgent", 0, 10), ("filter", "notice", 0, 0), ("condensation", "notice", 60, 120)),
    *(("sensor_fault", "urgent", 3, 10), ("sensor_fault", "notice", 3, 10), ("sources_disagree", "notice", 0, 10)),
    *(("control_failed", "urgent", 0, 10), ("starved", "urgent", 0, 10), ("shedding", "urgent", 0, 0)),
    *(("settings_fallback", "notice", 0, 10), ("button", "notice", 0, 10), ("silent", "stop", 0, 5)),
    *(("restarted", "urgent", 0, 10), ("restarted", "notice", 0, 10)),
    *(("silent", "urgent", 0, 5), ("silent", "notice", 30, 0), ("battery_doubt", "notice", 10, 60)),
    *(("load_differs", "urgent", 10, 60), ("load_unknown", "notice", 30, 0), ("unmarked", "notice", 0, 0)),
]


@pytest.mark.parametrize(("state", "kind", "severity", "words"), CASES)
def test_raised_and_cleared_after_the_times_of_its_row(state: BoxState, kind: str, severity: str, words: str) -> None:
    warner, changes = Warner(), {}
    well = FLYING if state.in_flight else FINE
    for second in range(400):
        for change in warner.update(float(second), state if second < 200 else well):
            if change.warning == kind and (change.severity == severity or change.change == "cleared"):
                changes.setdefault(change.change, second)
    if kind == "restarted":  # it ends by itself after five minutes
        changes.setdefault("cleared", 210)
    assert (kind, severity, changes["raised"], changes["cleared"] - 200) in TIMES_S


@pytest.mark.parametrize(
    ("state", "kind", "name", "at_limit", "step"),
    [
        # raised at this value, and not a little beyond it
        (FINE, "low_voltage", "equipment_volts", 11.0, 0.01),
        (FINE, "end_voltage", "battery_volts", 10.5, 0.01),
        (FINE, "brown_out", "start_volts", 10.99, 0.01),
        (FINE, "overvoltage", "battery_volts", 14.01, -0.01),
        (FINE, "reserve", "runtime_low_s", 2999.0, 1.0),
        (FLYING, "reserve", "runtime_low_s", 2099.0, 1.0),
        (replace(FLYING, returning=True), "reserve", "runtime_low_s", 479.0, 1.0),
        (FLYING, "turn_back", "turn_back_in_s", 0.0, 1.0),
        (FINE, "no_charge", "charge_marked_s", 60.0, -1.0),
    ],
)
def test_each_limit_counts_exactly(state: BoxState, kind: str, name: str, at_limit: float, step: float) -> None:
    assert [one.kind for one in _after([replace(state, **{name: at_limit})])] == [kind]
    assert _after([replace(state, **{name: at_limit + step})]) == []


@pytest.mark.parametrize(
    ("state", "name", "low", "kept", "cleared"),
    [
        # raised at `low`; still raised at `kept`, cleared at `cleared`
        (FINE, "equipment_volts", 10.9, 11.3, 11.31),
        (FINE, "battery_volts", 10.4, 10.8, 10.81),
        (FINE, "start_volts", 10.8, 11.19, 11.2),
        (FINE, "battery_volts", 14.4, 13.81, 13.8),
        (FINE, "runtime_low_s", 2000.0, 3059.0, 3060.0),
        (FLYING, "runtime_low_s", 1500.0, 2159.0, 2160.0),
        (replace(FLYING, returning=True), "runtime_low_s", 300.0, 539.0, 540.0),
    ],
)
def test_a_raised_warning_asks_for_a_margin(
    state: BoxState, name: str, low: float, kept: float, cleared: float
) -> None:
    raised = replace(state, **{name: low})  # type: ignore[arg-type]
    assert len(_after([raised, replace(state, **{name: kept})])) == 1  # type: ignore[arg-type]
    assert _after([raised, replace(state, **{name: cleared})]) == []  # type: ignore[arg-type]


def test_every_row_has_a_case() -> None:
    covered = {(kind, severity) for _, kind, severity, _ in CASES}
    assert {(row.kind, row.severity) for row in TABLE} == covered


@pytest.mark.parametrize("state", [FINE, FLYING])
def test_nothing_to_say_when_all_is_well(state: BoxState) -> None:
    assert _after([state]) == []


def test_unknown_raises_nothing_and_clears_nothing() -> None:
    blank = BoxState(box="mast", wall_s=WALL_S, silent_s=0.5)
    assert _after([blank]) == []
    low = replace(FINE, low_voltage="urgent", battery_volts=11.2)
    (kept,) = _after([low, replace(low, low_voltage=None, battery_volts=None)])
    assert kept.kind == "low_voltage"


def test_silence_never_reads_as_good() -> None:
    """A warning that was up stays up while the box is silent, and silence itself is a warning."""
    stalled = replace(FINE, fans=("stalled", "running"))
    kinds = {one.kind for one in _after([stalled, replace(FINE, silent_s=60.0)])}
    assert kinds == {"fan_stalled", "silent"}


def test_turn_back_passes_while_the_box_is_silent() -> None:
    late = replace(FLYING, silent_s=60.0, turn_back_in_s=-5.0)
    assert {one.kind for one in _after([late])} == {"silent", "turn_back"}


def test_silent_within_three_missed_readings() -> None:
    """Last reading at 0 s, the next due at 1, 2, 3 s: said before the fourth is due."""
    warner = Warner()
    warner.update(0.0, replace(FINE, silent_s=0.0))
    assert warner.update(2.9, replace(FINE, silent_s=2.9)) == []
    (change,) = warner.update(3.9, replace(FINE, silent_s=3.9))
    assert (change.warning, change.change) == ("silent", "raised")


def test_charging_advice_carries_its_caution() -> None:
    for row in TABLE:
        for words in (row.ground_action, row.flight_action):
            if "charge the battery" in words or "{charge}" in words:
                assert CHARGE_WITH_CARE in words, row


def test_names_what_may_be_shed() -> None:
    low = replace(FLYING, low_voltage="urgent", sheddable=("repeater", "USB charging"))
    assert _after([low])[0].action == "Fly no further out, shed repeater and USB charging"
    assert _after([replace(low, sheddable=())])[0].action == "Fly no further out, shed what the flight does not need"


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row.kind}-{row.severity}")
def test_every_action_is_allowed_by_the_hazard_table(row: Condition) -> None:
    charging = replace(FINE, charge_advice="charge 40 min at 2.5 A")
    for state in (FINE, charging, FLYING):
        if row.possible(state):
            assert hazards.faults(row.hazard, row.action(state), in_flight=state.in_flight) == []


def test_the_hazard_table_refuses_what_hurts() -> None:
    for hazard, action, in_flight in (
        ("blades", "open the lid and free the fan", True),
        ("blades", "open the lid and free the fan", False),
        ("none", "land now", True),
        ("hot battery", "open the lid", False),
        ("hot case", "open the lid", True),
        ("short circuit", "bridge the fuse", False),
        ("gas", "charge it in the box", False),
        ("none", "switch off the box", True),
    ):
        assert hazards.faults(hazard, action, in_flight=in_flight), (hazard, action)


def test_table_is_in_order() -> None:
    assert len(KINDS) == 28
    for row in TABLE:
        assert row.severity in SEVERITIES
        assert row.meaning
        assert row.ground_action or row.flight_action
        assert bool(row.ground_action) == bool(row.ground_say)
        assert bool(row.flight_action) == bool(row.flight_say)
        assert row.ground_verdict in (None, *GROUND_VERDICTS[:-1])
        assert row.flight_verdict in (None, *FLIGHT_VERDICTS[:-1])
        if row.severity == "stop":  # a stop always changes the headline
            assert row.ground_verdict or not row.ground_action
            assert row.flight_verdict or not row.flight_action


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row.kind}-{row.severity}")
def test_spoken_words_are_few_and_begin_with_the_box(row: Condition) -> None:
    for state in (FINE, FLYING):
        if row.possible(state):
            spoken = row.spoken(state)
            assert spoken.startswith("mast: ")
            assert len(spoken.split()) <= 8, spoken
            assert not any(letter.isdigit() for letter in spoken)


def test_dry_air_is_no_condensation() -> None:
    assert _after([replace(FINE, humidity_percent=50.0, case_c=20.0, intake_c=17.0)]) == []


def test_dew_point() -> None:
    """D. Sonntag, 1990: 20 °C at 50 % has its dew point at 9.3 °C, 30 °C at 80 % at 26.2 °C (psychrometric tables)."""
    assert dew_point_c(20.0, 50.0) == pytest.approx(9.3, abs=0.1)
    assert dew_point_c(30.0, 80.0) == pytest.approx(26.2, abs=0.1)
    assert dew_point_c(12.0, 100.0) == pytest.approx(12.0)


def test_words() -> None:
    shown = [span(s) for s in (-5, 59.9, 60, 119, 1799, 1801, 2099, 7199, 7200, 11100)]
    assert shown == [
        "0 min",
        "0 min",
        "1 min",
        "1 min",
        "29 min",
        "30 min",
        "30 min",
        "115 min",
        "2 h 00 min",
        "3 h 05 min",
    ]
    assert [needed(s) for s in (0, 1, 60, 61, 3000)] == ["0 min", "1 min", "1 min", "2 min", "50 min"]
    assert [listed(n) for n in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == ["", "a", "a and b", "a, b and c"]


@pytest.mark.parametrize(
    ("clock", "words"),
    [((14, 35), "fourteen thirty-five"), ((9, 5), "nine oh five"), ((20, 0), "twenty hundred"), ((0, 10), "zero ten")],
)
def test_spoken_clock(clock: tuple[int, int], words: str) -> None:
    assert spoken_clock(datetime(2026, 5, 1, *clock).timestamp()) == words

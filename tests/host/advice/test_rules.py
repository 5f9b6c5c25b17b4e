"""Every warning of the table: when it is raised, what it says, and when it clears."""

from dataclasses import replace

import pytest

from groundbox.advice.condition import SEVERITIES
from groundbox.advice.state import BoxState
from groundbox.advice.table import CHARGE_WITH_CARE, KINDS, TABLE
from groundbox.advice.warner import Active, Warner
from groundbox.advice.words import listed, span

WALL_S = 1_800_000_000.0
FINE = BoxState(
    box="mast",
    wall_s=WALL_S,
    silent_s=0.5,
    watched_s=100.0,
    next_flight_s=2100.0,
    load_known=True,
    runtime_low_s=9000.0,
    battery_volts=12.4,
    check_volts=12.38,
    equipment_volts=12.3,
    cutoff_volts=11.0,
    end_volts=10.5,
    heaviest_load="servos",
    heaviest_volts=12.0,
    touchy_load="display",
    touchy_volts=14.0,
    low_voltage="clear",
    overvoltage="clear",
    charging="no",
    case_heat="clear",
    case_c=33.0,
    filter_notice="",
    battery_c=27.0,
    fans=("running", "running", "absent", "absent"),
    sensors=tuple((name, "ok") for name in ("voltage", "check", "current", "case", "battery", "intake")),
)
FLYING = replace(FINE, in_flight=True, landing_in_s=1200.0, turn_back_in_s=3000.0)


def _faulty(name: str, state: str) -> tuple[tuple[str, str | None], ...]:
    return tuple((sensor, state if sensor == name else word) for sensor, word in FINE.sensors)


CLOGGED = (
    "with both fans on the case now rises 0.21 K for each watt, 40% more than at first: clean or change the filter"
)

CASES = [
    (replace(FINE, filter_notice=CLOGGED), "filter", "notice", "40% more than at first: clean or change the filter"),
    (replace(FLYING, turn_back_in_s=599.0), "turn_back", "notice", "in 9 min: warn the pilot"),
    (replace(FLYING, turn_back_in_s=299.0), "turn_back", "urgent", "in 4 min: tell the pilot to come home"),
    (replace(FLYING, turn_back_in_s=-61.0), "turn_back", "stop", "passed 61 s ago: turn back now"),
    (replace(FLYING, runtime_low_s=2000.0), "reserve", "urgent", "only 13 min would be left at the landing"),
    (replace(FLYING, runtime_low_s=1000.0), "reserve", "urgent", "may stop 3 min before the landing"),
    (
        replace(FINE, runtime_low_s=2940.0),
        "reserve",
        "notice",
        "49 min left at worst, a flight with its reserve takes",
    ),
    (replace(FINE, low_voltage="notice", battery_volts=11.7), "low_voltage", "notice", "11.7 V at the battery"),
    (replace(FLYING, low_voltage="urgent", battery_volts=11.2), "low_voltage", "urgent", "come home and switch off"),
    (replace(FLYING, low_voltage="stop", battery_volts=10.7), "low_voltage", "stop", "land now"),
    (
        replace(FINE, equipment_volts=10.9),
        "low_voltage",
        "stop",
        "10.90 V at the equipment, which stops working under 11.00 V",
    ),
    (replace(FINE, battery_volts=10.4), "end_voltage", "urgent", "10.40 V, and under 10.50 V this battery is harmed"),
    (replace(FINE, heaviest_volts=10.8), "brown_out", "urgent", "when the largest load (servos) starts"),
    (
        replace(FINE, overvoltage="stop", battery_volts=15.4, touchy_volts=16.0),
        "overvoltage",
        "stop",
        "15.4 V at the battery is too much",
    ),
    (
        replace(FINE, battery_volts=14.4),
        "overvoltage",
        "urgent",
        "14.4 V, but display stands at most 14.0 V",
    ),
    (replace(FINE, battery_volts=0.1, check_volts=0.2, low_voltage="stop"), "fuse_open", "stop", "reads no battery"),
    (replace(FINE, charge_marked_s=90.0), "no_charge", "urgent", "charge marked 90 s ago, but no charge arrives"),
    (replace(FINE, charging="hot", battery_c=51.0), "charge_heat", "stop", "51 C, far too hot: stop the charger"),
    (replace(FINE, charging="cold", battery_c=-2.0), "charge_heat", "urgent", "-2 C, too cold: stop the charger"),
    (replace(FINE, charging="warm", battery_c=41.0), "charge_heat", "urgent", "41 C, too warm"),
    (replace(FINE, case_heat="notice", case_c=46.0), "heat", "notice", "46 C in the case: shade the box"),
    (replace(FINE, case_heat="urgent", case_c=56.0), "heat", "urgent", "56 C in the case: open the lid"),
    (replace(FLYING, case_heat="stop", case_c=61.0), "heat", "stop", "61 C in the case: land now"),
    (replace(FINE, fans=("running", "stalled")), "fan_stalled", "urgent", "fan 2 is driven but does not turn"),
    (
        replace(FINE, sensors=_faulty("case", "open")),
        "sensor_fault",
        "urgent",
        "no trust in the case temperature (open)",
    ),
    (replace(FINE, sensors=_faulty("intake", "frozen")), "sensor_fault", "notice", "the intake temperature (frozen)"),
    (
        replace(FINE, sensors=_faulty("check", "disagree"), check_volts=12.01),
        "sources_disagree",
        "notice",
        "12.40 V one way and 12.01 V the other",
    ),
    (replace(FLYING, restarted_s=10.0, restart_cause="watchdog"), "restarted", "urgent", "restarted 10 s ago: it hung"),
    (replace(FINE, restarted_s=10.0, restart_cause="power"), "restarted", "notice", "its power failed"),
    (replace(FLYING, silent_s=4.0), "silent", "stop", "nothing heard for 4 s, its last voltage was 12.4 V"),
    (replace(FINE, silent_s=4.0), "silent", "urgent", "check its cable and power before launching"),
    (BoxState(box="mast", wall_s=WALL_S, watched_s=40.0), "silent", "notice", "not heard yet, after 40 s"),
    (replace(FINE, findings=("capacity fell",)), "battery_doubt", "notice", "capacity fell"),
    (replace(FINE, load_known=False), "load_unknown", "notice", "[[boxes.mast.loads]] in groundbox.toml"),
    (replace(FINE, question="12.1 V before the gap and 12.9 V after"), "unmarked", "notice", "groundbox mark swap"),
]


def _after(states: list[BoxState], each_s: float = 400.0) -> list[Active]:
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
    assert ": " in one.sentence
    assert not one.sentence.endswith(".")


@pytest.mark.parametrize(("state", "kind", "severity", "words"), CASES)
def test_clears_when_all_is_well_again(state: BoxState, kind: str, severity: str, words: str) -> None:
    well = FLYING if state.in_flight else FINE
    assert _after([state, well]) == []


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


def test_silence_never_looks_like_fine() -> None:
    """A warning that was up stays up while the box is silent, and silence itself is a warning."""
    stalled = replace(FINE, fans=("stalled", "running"))
    kinds = {one.kind for one in _after([stalled, replace(FINE, silent_s=60.0)])}
    assert kinds == {"fan_stalled", "silent"}


def test_turn_back_goes_on_while_the_box_is_silent() -> None:
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
        for words in (row.on_ground, row.in_flight):
            if "charge the battery" in words or "charge it" in words:
                assert CHARGE_WITH_CARE in words or words == row.in_flight, row


def test_names_what_can_be_switched_off() -> None:
    short = replace(FLYING, runtime_low_s=2000.0, sheddable=("repeater", "USB charging"))
    assert "switch off repeater and USB charging" in _after([short])[0].sentence
    assert "switch off what is not essential" in _after([replace(short, sheddable=())])[0].sentence


def test_table_is_in_order() -> None:
    assert len(KINDS) == 19
    for row in TABLE:
        assert row.severity in SEVERITIES
        assert row.meaning
        assert row.on_ground


def test_words() -> None:
    assert [span(s) for s in (-5, 59.9, 119, 120, 7199, 7200, 11100)] == [
        *("0 s", "59 s", "119 s", "2 min", "119 min", "2 h 00 min", "3 h 05 min")
    ]
    assert [listed(n) for n in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == ["", "a", "a and b", "a, b and c"]

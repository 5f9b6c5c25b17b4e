"""The one judge: what was wrong once and must stay impossible, and properties over generated states."""

import json
from dataclasses import replace
from datetime import datetime

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.host.advice.test_rules import FINE, FLYING

from groundbox.advice import hazards
from groundbox.advice.conditions import TABLE
from groundbox.advice.judge import Judge, judge_box
from groundbox.advice.result import (
    FLIGHT_VERDICTS,
    GROUND_VERDICTS,
    SEVERITY_RANK,
    VERDICT_WORDS,
    WORST_FIRST,
    BoxAdvice,
    FlightShown,
    SessionAdvice,
)
from groundbox.advice.state import BoxState
from groundbox.advice.turn_back import HeldTime
from groundbox.advice.warner import Warner
from groundbox.advice.words import clock
from groundbox.monitor.from_store import aged

WALL_S = datetime(2026, 5, 1, 14, 0).timestamp()
GROUND, FLIGHT = FlightShown(), FlightShown(in_flight=True)
READY = replace(FINE, wall_s=WALL_S, trust="measured")
OUT = replace(FLYING, wall_s=WALL_S, runtime_low_s=5400.0, turn_back_in_s=4000.0, landing_in_s=1200.0)


def _judged(*states: BoxState, flight: FlightShown | None = None, seconds: int = 1) -> SessionAdvice:
    """Advice after the states held for so many seconds."""
    judge = Judge()
    flight = flight or (FLIGHT if states and states[0].in_flight else GROUND)
    for second in range(seconds):
        advice, _ = judge.update(float(second), WALL_S + second, states, flight)
    return advice


def test_ready_boxes_are_clear_to_launch() -> None:
    advice = _judged(READY, replace(READY, box="table", runtime_low_s=30000.0))
    assert (advice.verdict, advice.severity, advice.limiting_box) == ("clear_to_launch", "none", "mast")
    assert advice.headline == "Clear to launch: mast, runtime 2 h 30 min, a flight with its reserve needs 50 min"
    assert advice.turn_back_at is None


@pytest.mark.parametrize(("silent_s", "shown_s"), [(60.0, 9000.0), (60.1, None), (None, None)])
def test_a_runtime_of_a_silent_box_is_withdrawn_after_a_minute(silent_s: float | None, shown_s: float | None) -> None:
    box = judge_box(replace(READY, silent_s=silent_s, runtime_low_s=9000.0), (), None)
    assert box.runtime_low_s == shown_s
    assert (box.trust is None) == (shown_s is None)
    assert box.runtime_unknown_because == (None if shown_s else "no data")


@pytest.mark.parametrize("low_s", [0.0, 60.0, 9000.0])
def test_no_flight_length_is_never_clear(low_s: float) -> None:
    advice = _judged(replace(READY, flight_s=None, runtime_low_s=low_s))
    assert advice.verdict in ("unknown", "do_not_launch")
    assert advice.verdict == ("unknown" if low_s == 9000.0 else "do_not_launch")
    assert advice.severity != "none"


@pytest.mark.parametrize("state", ["ok", "open", "frozen", "absent", None])
def test_a_battery_whose_temperature_is_unknown_is_not_clear_to_launch(state: str | None) -> None:
    sensors = tuple((name, state if name == "battery" else word) for name, word in READY.sensors)
    advice = _judged(replace(READY, battery_c=None, sensors=sensors), seconds=10)
    assert advice.verdict == ("clear_to_launch" if state == "absent" else "unknown")
    assert _judged(replace(READY, battery_heat=None)).verdict == "unknown"


def test_heat_stop_in_flight_asks_for_one_act() -> None:
    advice = _judged(replace(OUT, case_heat="stop", case_c=61.0))
    assert (advice.verdict, advice.severity) == ("return_now", "stop")
    assert advice.headline == "Return now: mast, case 61 °C, limit 60 °C"
    assert advice.action == advice.boxes[0].warnings[0].action == "Return now, open the lid, keep hands off the fans"


def test_charge_heat_stop_in_flight_is_no_good_state() -> None:
    advice = _judged(replace(OUT, charging="hot", battery_c=52.0))
    assert (advice.verdict, advice.severity) == ("return_now", "stop")


def test_runtime_zero_is_warned_about_by_the_same_end_voltage() -> None:
    advice = _judged(replace(READY, battery_volts=10.72, end_volts=10.8, runtime_low_s=0.0), seconds=70)
    assert advice.verdict == "do_not_launch"
    assert {one.kind for one in advice.boxes[0].warnings} == {"end_voltage", "reserve"}


def test_turn_back_near_is_no_warning() -> None:
    """Landing as planned still fits: the countdown speaks, no warning is raised."""
    advice = _judged(replace(OUT, turn_back_in_s=250.0, landing_in_s=60.0, runtime_low_s=2000.0), seconds=40)
    assert (advice.verdict, advice.severity) == ("turn_back_by", "none")
    assert [cue.spoken for cue in advice.cues] == ["mast: turn back in five minutes", "mast: turn back in two minutes"][
        :1
    ]


def test_countdown_and_the_way_home() -> None:
    judge, spoken = Judge(), []
    for second in range(900):
        state = replace(OUT, wall_s=WALL_S + second, turn_back_in_s=700.0 - second, landing_in_s=100.0)
        advice, _ = judge.update(float(second), WALL_S + second, [state], FLIGHT)
        spoken += [cue.spoken for cue in advice.cues if cue.at_s == WALL_S + second]
    assert spoken[:3] == [f"mast: turn back in {word} minutes" for word in ("ten", "five", "two")]
    assert set(spoken[3:]) == {"mast: return now, turn-back passed"}
    assert advice.verdict == "return_now"
    home = FlightShown(in_flight=True, returning=True)
    state = replace(state, returning=True)
    numbers = [cue.number for cue in advice.cues]
    for second in range(900, 1000):
        advice, _ = judge.update(float(second), WALL_S + second, [state], home)
    assert [cue.number for cue in advice.cues] == numbers
    assert "returning" in advice.headline


def test_a_stop_condition_still_sounds_on_the_way_home() -> None:
    judge, home = Judge(), FlightShown(in_flight=True, returning=True)
    advice, _ = judge.update(0.0, WALL_S, [replace(OUT, returning=True, low_voltage="stop", battery_volts=10.7)], home)
    assert [cue.severity for cue in advice.cues] == ["stop"]


def test_a_notice_is_not_spoken_in_flight() -> None:
    assert not _judged(replace(OUT, case_heat="notice", case_c=46.0)).cues
    assert _judged(replace(READY, case_heat="notice", case_c=46.0)).cues


def test_silence_in_flight_keeps_the_last_turn_back_time() -> None:
    judge = Judge()
    judge.update(0.0, WALL_S, [replace(OUT, turn_back_in_s=1500.0)], FLIGHT)
    advice, _ = judge.update(20.0, WALL_S + 20, [replace(OUT, silent_s=20.0, turn_back_in_s=1480.0)], FLIGHT)
    assert (advice.verdict, advice.severity, advice.turn_back_stale) == ("unknown", "stop", True)
    assert advice.turn_back_at_s == WALL_S + 1500
    assert advice.action == "Turn back by 14:25, check its cable and power"
    advice, _ = judge.update(1600.0, WALL_S + 1600, [replace(OUT, silent_s=1600.0)], FLIGHT)
    assert advice.verdict == "return_now"


def test_unknown_in_flight_with_no_time_known_asks_to_return() -> None:
    advice = _judged(replace(OUT, runtime_low_s=None, turn_back_in_s=None, runtime_unknown_because="no profile"))
    assert (advice.verdict, advice.action) == ("unknown", "Return now")


def test_one_unknown_box_makes_all_unknown_and_the_earliest_time_counts() -> None:
    silent = replace(OUT, box="table", turn_back_in_s=3000.0)
    judge = Judge()
    judge.update(0.0, WALL_S, [replace(OUT, turn_back_in_s=1500.0), silent], FLIGHT)
    states = [replace(OUT, turn_back_in_s=1490.0), replace(silent, silent_s=15.0)]
    advice, _ = judge.update(10.0, WALL_S + 10, states, FLIGHT)
    assert (advice.verdict, advice.limiting_box) == ("unknown", "table")
    assert clock(advice.turn_back_at_s or 0.0) == "14:25"
    assert advice.action == "Turn back by 14:25"


@pytest.mark.parametrize(
    "change",
    [
        {"time_home_s": None},
        {"flight_s": None},
        {"load_known": False},
        {"question": "as if swapped", "battery_in_doubt": True},
        {"findings": ("capacity fell",)},
        {"case_heat": None},
        {"low_voltage": None},
        {"charging": None},
        {"sensors": tuple((name, "absent" if name == "case" else what) for name, what in FINE.sensors)},
        {"sensors": tuple((name, None if name == "case" else what) for name, what in FINE.sensors)},
        {"silent_s": None},
        {"silent_s": 12.0},
        {"runtime_low_s": None},
    ],
)
def test_what_is_unknown_is_never_clear(change: dict[str, object]) -> None:
    advice = _judged(replace(READY, **change), seconds=40)  # type: ignore[arg-type]
    assert (advice.verdict, advice.severity in ("none", "notice")) == ("unknown", False)


def test_unknown_load_or_battery_is_unknown_in_flight_too() -> None:
    for change in ({"load_known": False}, {"question": "as if swapped", "battery_in_doubt": True}):
        advice = _judged(replace(OUT, turn_back_in_s=1500.0, **change), seconds=40)  # type: ignore[arg-type]
        assert advice.verdict == "unknown"
        assert advice.action == "Turn back by 14:25, return early, its runtime is doubtful"


def test_a_box_without_any_time_asks_all_to_return() -> None:
    never = BoxState(box="table", wall_s=WALL_S, in_flight=True, watched_s=60.0)
    advice = _judged(replace(OUT, turn_back_in_s=1500.0), never)
    assert (advice.verdict, advice.limiting_box) == ("unknown", "table")
    assert advice.action.startswith("Return now")
    assert advice.sentence.endswith(f"{advice.action}.")
    assert (advice.turn_back_at, advice.glance.figure) == (None, "--"), "the other box's time is not that of all"
    assert advice.spoken == "table: return now, runtime unknown"
    assert {(row.action, row.spoken) for row in advice.if_silent} == {("Return now", "table: no data, return now")}


def test_a_box_without_any_time_counts_before_a_silent_one_with_a_stale_time() -> None:
    never = BoxState(box="table", wall_s=WALL_S, in_flight=True, watched_s=60.0)
    judge = Judge()
    judge.update(0.0, WALL_S, [replace(OUT, turn_back_in_s=1500.0), never], FLIGHT)
    advice, _ = judge.update(20.0, WALL_S + 20, [replace(OUT, silent_s=20.0), never], FLIGHT)
    assert (advice.limiting_box, advice.turn_back_at) == ("table", None)
    assert advice.action.startswith("Return now")


def test_the_countdown_of_a_known_box_is_spoken_beside_a_box_without_any_time() -> None:
    never = BoxState(box="table", wall_s=WALL_S, in_flight=True, watched_s=60.0)
    advice = _judged(replace(OUT, turn_back_in_s=599.0), never)
    assert "mast: turn back in ten minutes" in {cue.spoken for cue in advice.cues}


def test_returning_is_in_all_words() -> None:
    home = FlightShown(in_flight=True, returning=True)
    advice = _judged(replace(OUT, returning=True), flight=home)
    assert advice.action == "Fly home"
    assert advice.spoken == "mast: fly home"
    assert "the pilot is returning" in advice.headline
    assert {row.action for row in advice.if_silent} == {"Fly home"}


def test_the_lesser_act_is_not_spoken_beside_return_now() -> None:
    advice = _judged(replace(OUT, turn_back_in_s=-5.0, runtime_low_s=300.0), seconds=60)
    assert {cue.spoken for cue in advice.cues} == {"mast: return now, turn-back passed"}


def test_a_hot_battery_forbids_the_acts_of_other_warnings() -> None:
    advice = _judged(replace(READY, charging="hot", battery_c=52.0, fans=("stalled",)), seconds=5)
    assert {one.action for one in advice.boxes[0].warnings} == {advice.action}
    assert advice.action.startswith("Switch the charger off at its supply first")


def test_no_box_is_unknown() -> None:
    assert _judged().verdict == "unknown"


def test_what_viewers_say_without_news() -> None:
    advice = _judged(replace(OUT, turn_back_in_s=1500.0))
    first, last = advice.if_silent
    assert (first.after_s, first.verdict) == (10.0, "unknown")
    assert first.spoken == "mast no data turn back fourteen twenty-five"
    assert (last.after_s, last.verdict) == (1500.0, "return_now")
    assert [(row.after_s, row.verdict, row.spoken) for row in _judged(READY).if_silent] == [
        (5.0, "unknown", ""),
        (20.0, "unknown", "mast: no data"),
    ]


def test_json_round_trip() -> None:
    advice = _judged(OUT, replace(OUT, box="table"))
    text = msgspec.json.encode(advice)
    assert msgspec.json.decode(text, type=SessionAdvice) == advice
    names = {
        "verdict",
        "severity",
        "headline",
        "sentence",
        "spoken",
        "action",
        "limiting_box",
        "turn_back_at",
        "if_silent",
    }
    plain = json.loads(text)
    assert names | {"boxes"} <= plain.keys()
    for box in plain["boxes"]:
        assert (names - {"limiting_box"}) | {
            "runtime_low_s",
            "runtime_high_s",
            "trust",
            "readings",
            "warnings",
        } <= box.keys()
    assert datetime.fromisoformat(plain["turn_back_at"]).tzinfo is not None


# --- properties ---

SECONDS = st.none() | st.floats(0, 20000)
STATES = st.builds(
    BoxState,
    box=st.just("mast"),
    wall_s=st.just(WALL_S),
    silent_s=st.sampled_from([None, 0.5, 0.5, 0.5, 12.0]),
    watched_s=st.sampled_from([1.0, 100.0]),
    in_flight=st.booleans(),
    returning=st.booleans(),
    landing_in_s=st.none() | st.floats(-900, 3000),
    flight_s=st.none() | st.just(2100.0),
    time_home_s=st.none() | st.just(480.0),
    runtime_low_s=SECONDS,
    trust=st.sampled_from([None, "measured", "nameplate", "doubtful"]),
    turn_back_in_s=st.none() | st.floats(-900, 9000),
    load_known=st.sampled_from([None, True, False]),
    question=st.sampled_from([None, "as if swapped"]),
    battery_in_doubt=st.booleans(),
    findings=st.sampled_from([(), ("capacity fell",)]),
    battery_volts=st.none() | st.floats(0, 16),
    equipment_volts=st.none() | st.floats(9, 14),
    cutoff_volts=st.just(11.0),
    end_volts=st.none() | st.just(10.5),
    start_volts=st.none() | st.floats(9, 13),
    fragile_load=st.just("display"),
    fragile_volts=st.none() | st.just(14.0),
    sheddable=st.sampled_from([(), ("usb",)]),
    low_voltage=st.sampled_from([None, "clear", "clear", "notice", "urgent", "stop"]),
    overvoltage=st.sampled_from([None, "clear", "clear", "stop"]),
    charging=st.sampled_from([None, "no", "no", "no", "yes", "cold", "warm", "hot"]),
    charge_marked_s=st.none() | st.floats(0, 200),
    case_heat=st.sampled_from([None, "clear", "clear", "notice", "urgent", "stop"]),
    case_c=st.none() | st.floats(-20, 70),
    battery_c=st.none() | st.floats(-20, 60),
    humidity_percent=st.none() | st.floats(0, 100),
    fans=st.sampled_from([(), ("running",), ("stalled",)]),
    restarted_s=st.none() | st.just(10.0),
)


def _held(state: BoxState) -> HeldTime | None:
    if not state.in_flight or state.turn_back_in_s is None:
        return None
    return HeldTime(at_s=state.wall_s + state.turn_back_in_s, stale=state.is_silent, moved="")


def _box(state: BoxState, seconds: int = 300) -> BoxAdvice:
    """Advice after `state` held for so long, with its turn-back time as it is."""
    warner = Warner()
    for second in range(0, seconds, 5):
        warner.update(float(second), state)
    return judge_box(state, warner.active(state.box), _held(state))


def _rank(advice: BoxAdvice, in_flight: bool) -> int:
    return (FLIGHT_VERDICTS if in_flight else GROUND_VERDICTS).index(advice.verdict)


@settings(deadline=None, max_examples=200)
@given(STATES)
def test_unknown_input_gives_no_good_verdict(state: BoxState) -> None:
    advice = _box(state)
    if advice.verdict == "clear_to_launch":
        assert not state.in_flight
        assert not state.is_silent
        assert state.runtime_low_s is not None
        assert state.flight_s is not None
        assert state.runtime_low_s >= state.flight_s + state.reserve_s
        assert state.load_known is not False
        assert advice.severity in ("none", "notice")
    if advice.verdict == "turn_back_by":
        assert state.in_flight
        assert not state.is_silent
        assert state.turn_back_in_s is not None


@settings(deadline=None, max_examples=200)
@given(STATES)
def test_verdict_severity_words_and_act_agree(state: BoxState) -> None:
    advice = _box(state)
    assert advice.verdict in (FLIGHT_VERDICTS if state.in_flight else GROUND_VERDICTS)
    assert advice.headline.startswith(VERDICT_WORDS[advice.verdict])
    assert advice.sentence.endswith(f"{advice.action}.")
    assert advice.spoken.startswith("mast: ")
    assert len(advice.spoken.split()) <= 8
    severest = max([0, *(SEVERITY_RANK[one.severity] for one in advice.warnings)])
    assert SEVERITY_RANK[advice.severity] >= severest
    if any(one.severity == "stop" for one in advice.warnings):
        assert advice.verdict in ("do_not_launch", "return_now", "unknown")
    if advice.verdict == "return_now":
        assert advice.action.startswith("Return now")
    if advice.verdict == "unknown" and state.in_flight:
        assert advice.action.startswith("Fly home" if state.returning else ("Return now", "Turn back by"))
    assert "land now" not in f"{advice.headline} {advice.sentence}".lower()


@settings(deadline=None, max_examples=200)
@given(STATES)
def test_every_act_is_allowed_by_the_hazard_table(state: BoxState) -> None:
    advice = _box(state)
    actions = {row.action(state): row.hazard for row in TABLE if row.possible(state)}
    present = {
        row.hazard for row in TABLE for one in advice.warnings if (row.kind, row.severity) == (one.kind, one.severity)
    }
    for warning in advice.warnings:
        assert hazards.faults(actions[warning.action], warning.action, in_flight=state.in_flight) == []
        if "hot battery" in present:
            assert not hazards.forbids("hot battery", warning.action, in_flight=state.in_flight)
    assert hazards.faults("none", advice.action, in_flight=state.in_flight) == []


@settings(deadline=None, max_examples=200)
@given(STATES, st.floats(0, 20000))
def test_silence_never_makes_a_verdict_better(state: BoxState, age_s: float) -> None:
    flight = FlightShown(in_flight=state.in_flight, returning=state.returning)
    advice, _ = Judge().update(0.0, WALL_S, [state], flight)
    late = aged(advice, age_s)
    assert late.glance.word == VERDICT_WORDS[late.verdict].upper(), "also for programs that read the glance"
    assert late.action in {one.words for one in late.glance.instructions} or late is advice or age_s < 10.0
    assert WORST_FIRST.index(late.verdict) <= WORST_FIRST.index(advice.verdict) or age_s >= 5.0
    assert not (late.verdict == "clear_to_launch" and age_s >= 5.0)
    if advice.verdict in ("return_now", "do_not_launch"):
        assert late.verdict in ("return_now", "do_not_launch")
        assert late.action == advice.action or late.verdict == advice.verdict


@settings(deadline=None, max_examples=200)
@given(STATES, st.floats(0, 6000), st.floats(0, 6000))
def test_less_runtime_never_gives_a_better_verdict(state: BoxState, less_s: float, later_s: float) -> None:
    """Less charge or more load shortens the runtime; a later hour brings the turn-back time nearer."""
    worse = replace(
        state,
        runtime_low_s=None if state.runtime_low_s is None else max(state.runtime_low_s - less_s, 0.0),
        turn_back_in_s=None if state.turn_back_in_s is None else state.turn_back_in_s - less_s - later_s,
    )
    assert _rank(_box(worse), state.in_flight) <= _rank(_box(state), state.in_flight)


@settings(deadline=None, max_examples=200)
@given(STATES, st.floats(0, 3))
def test_less_voltage_never_gives_a_better_verdict(state: BoxState, less_volts: float) -> None:
    worse = replace(
        state,
        start_volts=None if state.start_volts is None else state.start_volts - less_volts,
        equipment_volts=None if state.equipment_volts is None else state.equipment_volts - less_volts,
    )
    assert _rank(_box(worse), state.in_flight) <= _rank(_box(state), state.in_flight)


@settings(deadline=None, max_examples=100)
@given(STATES, STATES)
def test_the_worst_box_counts(one: BoxState, other: BoxState) -> None:
    other = replace(other, box="table", in_flight=one.in_flight, returning=one.returning)
    flight = FlightShown(in_flight=one.in_flight, returning=one.returning)
    advice, _ = Judge().update(0.0, WALL_S, [one, other], flight)
    order = FLIGHT_VERDICTS if one.in_flight else GROUND_VERDICTS
    assert order.index(advice.verdict) == min(order.index(box.verdict) for box in advice.boxes)
    times = [box.turn_back_at_s for box in advice.boxes if box.turn_back_at_s is not None]
    untimed = advice.verdict == "unknown" and any(
        box.verdict == "unknown" and box.turn_back_at_s is None for box in advice.boxes
    )
    assert advice.turn_back_at_s == (min(times) if times and not untimed else None)
    assert advice.headline.startswith(VERDICT_WORDS[advice.verdict])
    assert advice.limiting_box in ("mast", "table")

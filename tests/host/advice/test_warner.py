"""Delays, hysteresis, acknowledgement, and that nothing flaps."""

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from groundbox.advice.conditions import TABLE
from groundbox.advice.state import BoxState
from groundbox.advice.warner import Warner
from groundbox.model import WarningChange

FINE = BoxState(
    box="mast", wall_s=1.8e9, silent_s=0.0, case_heat="clear", low_voltage="clear", cutoff_volts=11.0, charging="no"
)
WARM = replace(FINE, case_heat="notice", case_c=46.0)
HOT = replace(FINE, case_heat="urgent", case_c=56.0)
DELAYS = {(row.kind, row.severity): (row.delay_s, row.clear_s) for row in TABLE}


def _changes(warner: Warner, states: list[BoxState]) -> list[tuple[float, str, str]]:
    return [
        (float(now_s), change.change, change.severity)
        for now_s, state in enumerate(states)
        for change in warner.update(float(now_s), state)
    ]


def test_raised_once_and_cleared_after_its_time() -> None:
    assert _changes(Warner(), [WARM] * 5 + [FINE] * 20) == [(0.0, "raised", "notice"), (15.0, "cleared", "notice")]


def test_worse_is_said_again_and_better_too() -> None:
    changes = _changes(Warner(), [WARM] * 3 + [HOT] * 3 + [WARM] * 20 + [FINE] * 20)
    assert [change for _, *change in changes] == [
        ["raised", "notice"],
        ["raised", "urgent"],
        ["raised", "notice"],
        ["cleared", "notice"],
    ]


def test_acknowledged_is_silent_but_shown_until_it_gets_worse() -> None:
    warner = Warner()
    warner.update(0.0, HOT)
    assert [one.kind for one in warner.to_sound(0.0)] == ["heat"]
    assert warner.to_sound(29.0) == []
    assert len(warner.to_sound(30.0)) == 1
    (change,) = warner.acknowledge("mast", "heat", 1.8e9)
    assert change.change == "acknowledged"
    assert warner.acknowledge("mast", None, 1.8e9) == []
    warner.update(31.0, HOT)
    (shown,) = warner.active()
    assert shown.acknowledged
    assert warner.to_sound(90.0) == []
    warner.update(91.0, replace(HOT, case_heat="stop"))
    assert [one.severity for one in warner.to_sound(91.0)] == ["stop"]


def test_better_then_worse_again_is_sounded_again() -> None:
    warner = Warner()
    warner.update(0.0, HOT)
    warner.acknowledge("mast", None, 1.8e9)
    warner.update(1.0, WARM)
    warner.update(20.0, WARM)
    assert [(one.severity, one.acknowledged) for one in warner.active()] == [("notice", True)]
    warner.update(21.0, HOT)
    assert [(one.severity, one.acknowledged) for one in warner.active()] == [("urgent", False)]


def test_acknowledging_what_is_not_there() -> None:
    assert Warner().acknowledge("table", None, 1.8e9) == []


def test_a_restart_of_the_program_takes_up_where_it_was() -> None:
    warner = Warner()
    first = warner.update(0.0, HOT) + warner.acknowledge("mast", None, 1.8e9)
    again = Warner()
    again.restore(first[-1:])
    (restored,), (before,) = again.active(), warner.active()
    assert (restored.sentence, restored.acknowledged) == (before.sentence, before.acknowledged)
    assert again.update(0.0, HOT) == []
    assert _changes(again, [FINE] * 12) == [(10.0, "cleared", "urgent")]


def test_a_warning_that_is_up_shows_present_figures() -> None:
    warner = Warner()
    (raised,) = warner.update(0.0, HOT)
    assert "56" in raised.sentence
    warner.update(1.0, replace(HOT, case_c=58.0))
    assert "58" in warner.active()[0].sentence
    warner.update(2.0, replace(HOT, case_c=59.0, silent_s=60.0))
    assert "58" in warner.active()[0].sentence


def test_a_notice_sounds_once_and_stop_often() -> None:
    for severity, times in (("notice", 1), ("urgent", 4), ("stop", 10)):
        warner = Warner()
        warner.update(0.0, replace(HOT, case_heat=severity))
        assert sum(len(warner.to_sound(float(now_s))) for now_s in range(100)) == times


def test_what_cannot_come_in_flight_ends_at_the_launch() -> None:
    warner, short = Warner(), replace(FINE, runtime_low_s=600.0)
    for now_s in range(30):
        warner.update(float(now_s), short)
    assert [one.kind for one in warner.active()] == ["reserve"]
    (change,) = warner.update(30.0, replace(short, in_flight=True))
    assert (change.warning, change.change) == ("reserve", "cleared")


VALUES = st.fixed_dictionaries(
    {
        "silent_s": st.sampled_from([0.0, 0.0, 0.0, 5.0]),
        "battery_volts": st.none() | st.floats(0.0, 16.0),
        "equipment_volts": st.none() | st.floats(9.0, 13.0),
        "start_volts": st.none() | st.floats(9.0, 13.0),
        "runtime_low_s": st.none() | st.floats(0, 9000),
        "turn_back_in_s": st.none() | st.floats(-900, 900),
        "landing_in_s": st.none() | st.floats(-900, 2100),
        "flight_s": st.none() | st.just(2100.0),
        "low_voltage": st.sampled_from([None, "clear", "notice", "urgent", "stop"]),
        "overvoltage": st.sampled_from([None, "clear", "stop"]),
        "case_heat": st.sampled_from([None, "clear", "notice", "urgent", "stop"]),
        "charging": st.sampled_from([None, "no", "yes", "cold", "warm", "hot"]),
        "charge_marked_s": st.none() | st.floats(0, 200),
        "fans": st.tuples(st.sampled_from([None, "running", "stalled"])),
        "restarted_s": st.none() | st.floats(0, 400),
    }
)


@settings(deadline=None, max_examples=60)
@given(st.booleans(), st.lists(st.tuples(st.integers(1, 60), VALUES), min_size=1, max_size=15))
def test_never_raised_before_its_delay_nor_cleared_before_its_time(
    in_flight: bool, steps: list[tuple[int, dict[str, object]]]
) -> None:
    """Whatever comes: raised and cleared take turns, and a warning stays at least as long as its clearing takes."""
    warner, now_s = Warner(), 0.0
    raised: dict[str, tuple[str, float]] = {}
    for hold_s, values in steps:
        state = replace(FINE, in_flight=in_flight, **values)  # type: ignore[arg-type]
        for _ in range(hold_s):
            for change in warner.update(now_s, state):
                _take_turns(change, raised, now_s)
            shown = {one.kind: one.severity for one in warner.active("mast")}
            assert shown == {kind: severity for kind, (severity, _) in raised.items()}
            now_s += 1.0


def _take_turns(change: WarningChange, raised: dict[str, tuple[str, float]], now_s: float) -> None:
    if change.change == "cleared":
        severity, at_s = raised.pop(change.warning)
        assert severity == change.severity
        shortest = min(clear_s for (kind, _), (_, clear_s) in DELAYS.items() if kind == change.warning)
        assert now_s - at_s >= shortest
    else:
        assert change.change == "raised"
        before, at_s = raised.get(change.warning, ("", now_s))
        assert before != change.severity
        raised[change.warning] = (change.severity, at_s)


@settings(deadline=None)
@given(
    st.sampled_from(
        [
            ("start_volts", 11.0, 0.1),
            ("equipment_volts", 11.0, 0.14),
            ("runtime_low_s", 1500.0, 25.0),
        ]
    ),
    st.lists(st.floats(-1, 1), min_size=30, max_size=300),
)
def test_noise_around_a_threshold_does_not_flap(case: tuple[str, float, float], noise: list[float]) -> None:
    """Noise smaller than the hysteresis: a kind's severity changes at most once each way."""
    name, centre, width = case
    base = replace(FINE, in_flight=True, landing_in_s=600.0, battery_volts=11.4)
    warner = Warner()
    changes = [
        (change.change, change.severity)
        for now_s, wobble in enumerate(noise)
        for change in warner.update(float(now_s), replace(base, **{name: centre + width * wobble}))  # type: ignore[arg-type]
    ]
    assert len(changes) == len(set(changes))
    assert not any(change == "cleared" for change, _ in changes)

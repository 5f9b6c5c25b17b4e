"""The two-second view of a session agrees with the advice that it comes from."""

from dataclasses import replace

import pytest
from msgspec import structs
from tests.host.ui.samples import (
    FLIGHT,
    IN_FLIGHT,
    MAST,
    MAST_OUT,
    READY,
    STALLED,
    TABLE,
    TABLE_OUT,
    WALL_S,
    judged,
)

from groundbox.advice.judge import Judge
from groundbox.advice.result import VERDICT_WORDS, SessionAdvice
from groundbox.advice.words import clock

NO_PROFILE = judged(replace(MAST, runtime_low_s=None, runtime_unknown_because="no profile"), TABLE)
FAN_OUT = judged(replace(MAST_OUT, fans=("running", "stalled", "absent", "absent")), TABLE_OUT, seconds=10)
SHORT = judged(replace(MAST, runtime_low_s=1300.0), TABLE, seconds=30)


@pytest.mark.parametrize("advice", [READY, IN_FLIGHT, STALLED, NO_PROFILE, FAN_OUT, SHORT])
def test_it_has_the_verdict_the_limiting_box_and_only_acts_of_the_advice(advice: SessionAdvice) -> None:
    glance = advice.glance
    assert glance.word == VERDICT_WORDS[advice.verdict].upper()
    assert glance.detail.startswith(f"{advice.limiting_box}: ")
    acts = {words for box in advice.boxes for words in (box.action, *(one.action for one in box.warnings))}
    assert {one.words for one in glance.instructions} <= acts | {advice.action}
    assert len(glance.instructions) <= 2
    if advice.verdict in ("do_not_launch", "wait", "unknown", "return_now"):
        assert glance.instructions[0].words == advice.action


def test_in_flight_the_earlier_of_landing_and_turn_back_is_shown() -> None:
    assert (IN_FLIGHT.glance.figure, IN_FLIGHT.glance.noun) == (clock(WALL_S + 1200), "planned landing")
    late = judged(MAST_OUT, TABLE_OUT, flight=structs.replace(FLIGHT, landing_at_s=WALL_S + 9000.0))
    assert (late.glance.figure, late.glance.noun) == (clock(late.turn_back_at_s or 0.0), "turn-back time")


def test_unknown_has_no_figure_on_the_ground_and_the_last_time_in_flight() -> None:
    assert (NO_PROFILE.glance.word, NO_PROFILE.glance.figure) == ("UNKNOWN", "--")
    blind = judged(replace(MAST_OUT, runtime_low_s=None, turn_back_in_s=None), TABLE_OUT)
    assert (blind.glance.word, blind.glance.figure, blind.glance.noun) == ("UNKNOWN", "--", "runtime unknown")
    silent = _silent_beside_a_stalled_fan()
    assert (silent.glance.figure, silent.glance.noun) == ("15:05", "last turn-back time, stale")


def test_two_places_hold_two_acts() -> None:
    """An act that is part of the first one leaves its place to another box."""
    assert [(one.box, one.words) for one in _silent_beside_a_stalled_fan().glance.instructions] == [
        ("mast", "Turn back by 15:05, check its cable and power"),
        ("table", "Open the lid, keep hands off the fans"),
    ]


def _silent_beside_a_stalled_fan() -> SessionAdvice:
    judge, table = Judge(), replace(TABLE_OUT, fans=("running", "stalled", "absent", "absent"))
    for second in range(0, 40, 10):
        mast = replace(MAST_OUT, silent_s=float(second))
        advice, _ = judge.update(float(second), WALL_S + second, [mast, table], FLIGHT)
    return advice


def test_the_sum_is_whole_minutes_to_the_safe_side() -> None:
    mast = next(box for box in IN_FLIGHT.boxes if box.box == "mast")
    assert mast.sum == "mast: low 90 - reserve 15 - time home 8 = 67 min until turn-back"
    late = judged(replace(MAST_OUT, runtime_low_s=1319.0, turn_back_in_s=-61.0), TABLE_OUT)
    assert late.boxes[0].sum == "mast: low 21 - reserve 15 - time home 8 = 2 min past turn-back"
    ground = next(box for box in SHORT.boxes if box.box == "mast")
    assert ground.sum == "mast: low 21 - reserve 15 - flight 35 = 29 min short"
    assert NO_PROFILE.boxes[0].sum == ""

"""The turn-back time as shown: rounded to the safe side, earlier at once, later only after two minutes."""

from dataclasses import replace
from datetime import datetime

from hypothesis import given, settings
from hypothesis import strategies as st
from tests.host.advice.test_rules import FLYING

from groundbox.advice.turn_back import Countdown, TurnBackHold, passed
from groundbox.advice.words import clock

WALL_S = datetime(2026, 5, 1, 12, 0).timestamp()


def _shown(hold: TurnBackHold, at_s: float, left_s: float | None, set_s: float = 0.0) -> tuple[str, bool, str]:
    held = hold.update(at_s, WALL_S + at_s + set_s, left_s)
    assert held is not None
    return clock(held.at_s), held.stale, held.moved


def test_rounded_down_to_five_minutes_then_to_one() -> None:
    assert _shown(TurnBackHold(), 0.0, 95 * 60 + 59.0) == ("13:35", False, "")
    assert _shown(TurnBackHold(), 0.0, 30 * 60 + 30.0) == ("12:30", False, "")
    assert _shown(TurnBackHold(), 0.0, 29 * 60 + 59.0) == ("12:29", False, "")


def test_earlier_at_once_and_later_after_two_minutes() -> None:
    hold = TurnBackHold()
    assert _shown(hold, 0.0, 25 * 60) == ("12:25", False, "")
    assert _shown(hold, 60.0, 20 * 60) == ("12:21", False, "4 min earlier than at 12:00")
    for at_s in range(61, 181):
        assert _shown(hold, float(at_s), 28 * 60 - at_s)[0] == "12:21"
    assert _shown(hold, 181.0, 28 * 60 - 181.0) == ("12:28", False, "3 min later than at 12:00")
    assert _shown(hold, 500.0, 28 * 60 - 500.0) == ("12:28", False, "")


def test_a_short_rise_moves_nothing_later() -> None:
    hold = TurnBackHold()
    _shown(hold, 0.0, 1200.0)
    for at_s in range(1, 600):
        rise = 300.0 if (at_s // 100) % 2 else 0.0
        assert _shown(hold, float(at_s), 1200.0 - at_s + rise)[0] == "12:20"


def test_an_estimate_that_swings_about_a_step_shows_one_time() -> None:
    """89 to 91 min and back, every three minutes: 13:30 would become 13:25 and 13:30 in turn."""
    hold, seen = TurnBackHold(), set()
    for now_s in range(0, 3600, 10):
        swing_s = 60.0 if now_s // 180 % 2 else -60.0
        seen.add(_shown(hold, float(now_s), 5400.0 + swing_s - now_s)[0])
    assert seen == {"13:25"}


def test_unknown_keeps_the_last_time_marked_stale() -> None:
    hold = TurnBackHold()
    assert hold.update(0.0, WALL_S, None) is None
    _shown(hold, 1.0, 1500.0)
    assert _shown(hold, 100.0, None)[:2] == ("12:25", True)
    assert _shown(hold, 101.0, 1400.0)[:2] == ("12:25", False)


def test_a_clock_that_is_set_moves_the_shown_time_with_it() -> None:
    hold = TurnBackHold()
    _shown(hold, 0.0, 1500.0)
    assert _shown(hold, 10.0, 1490.0, set_s=-3600.0)[0] == "11:25"
    assert _shown(hold, 11.0, None, set_s=3600.0)[:2] == ("13:25", True)


def test_a_restart_takes_over_the_shown_time_as_stale() -> None:
    hold = TurnBackHold()
    hold.restore(WALL_S + 900.0, 50.0, WALL_S + 50.0)
    held = hold.update(50.0, WALL_S + 50.0, None)
    assert held is not None
    assert (clock(held.at_s), held.stale) == ("12:15", True)


@settings(deadline=None)
@given(st.lists(st.floats(600, 6000), min_size=1, max_size=200))
def test_never_later_than_the_estimate_and_never_rising_within_two_minutes(ends: list[float]) -> None:
    hold, shown = TurnBackHold(), []
    for second, end_s in enumerate(ends):
        held = hold.update(float(second), WALL_S + second, end_s - second)
        assert held is not None
        assert held.at_s <= WALL_S + end_s
        shown.append(held.at_s)
    for second, at_s in enumerate(shown):
        if second and at_s > shown[second - 1]:
            assert second > 120


def test_each_step_of_the_countdown_comes_once() -> None:
    countdown = Countdown()
    given_s = [step for left in range(800, -50, -1) if (step := countdown.due_s(float(left), True)) is not None]
    assert given_s == [600.0, 300.0, 120.0]
    assert countdown.due_s(90.0, True) is None
    assert countdown.due_s(None, False) is None
    assert countdown.due_s(90.0, True) == 120.0


def test_a_runtime_that_falls_at_once_is_named_and_no_clock_time_before_the_launch() -> None:
    short = replace(FLYING, wall_s=WALL_S, turn_back_in_s=-1380.0, runtime_low_s=0.0, time_home_s=480.0)
    assert passed(short, False) == "runtime 0 min, the way home with its reserve needs 23 min"
    assert passed(replace(short, turn_back_in_s=-90.0), False) == "turn-back time 11:58 passed 90 s ago"
    early = replace(short, turn_back_in_s=-240.0, runtime_low_s=1500.0)
    assert passed(early, False) == "turn-back time 11:56 passed 4 min ago", "rounded to the safe side, it came early"

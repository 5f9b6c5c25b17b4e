"""Buzzer, lamp, button, deadlines."""

from core.signals import Button, Signals
from groundbox.wire.messages import BUTTON_STATES
from startup.deadlines import Deadlines


def heard(signals, seconds):
    """Numbers of beeps in each group heard, and of flashes in all."""
    groups = []
    flashes = 0
    quiet_ms = 10000
    before = lamp = 0
    for _ in range(seconds * 10):
        signals.step(100)
        if signals.lamp and not lamp:
            flashes += 1
        lamp = signals.lamp
        if signals.buzzer and not before:
            if quiet_ms > 400:
                groups.append(0)
            groups[-1] += 1
        quiet_ms = 0 if signals.buzzer else quiet_ms + 100
        before = signals.buzzer
    return groups, flashes


def judged(low_voltage=0, case_heat=0, fault=0, charge=0):
    signals = Signals()
    signals.judge(low_voltage, case_heat, fault, charge)
    return signals


def test_all_well_is_quiet_and_the_lamp_shows_life():
    assert heard(judged(), 20) == ([], 4)


def test_so_many_beeps_tell_what_and_their_pace_how_bad():
    assert heard(judged(low_voltage=1), 30)[0] == [1] * 3
    assert heard(judged(case_heat=1), 30)[0] == [2] * 3
    assert heard(judged(fault=2), 40)[0] == [3] * 10
    assert heard(judged(charge=3), 40)[0][:20] == [4] * 20


def test_a_notice_is_heard_three_times_then_once_in_half_an_hour():
    signals = judged(fault=1)
    assert heard(signals, 1800) == ([3] * 3, 540)
    for _ in range(4):
        assert heard(signals, 1780)[0] == [3]
    signals.judge(0, 1, 1, 0)
    assert heard(signals, 1000)[0] == [2] * 3, "a new cause is heard as often"


def test_the_worst_is_signalled_and_of_equals_the_battery():
    assert set(heard(judged(low_voltage=1, case_heat=2), 20)[0]) == {2}
    assert set(heard(judged(low_voltage=2, case_heat=2, fault=2), 20)[0]) == {1}


def test_the_newest_cause_is_heard_and_then_the_worst_of_equals_the_newest():
    signals = judged(low_voltage=2)
    heard(signals, 60)
    signals.judge(2, 0, 2, 0)
    assert heard(signals, 40)[0] == [3] * 10
    signals.judge(2, 0, 2, 1)
    assert heard(signals, 40)[0] == [4] * 2 + [3] * 5


def test_a_new_cause_is_heard_over_a_worse_one_that_is_silenced():
    signals = judged(low_voltage=3)
    signals.silence(3)
    signals.judge(3, 0, 1, 0)
    assert heard(signals, 60)[0] == [3] * 3
    assert heard(signals, 60)[0] == []


def test_another_fault_is_heard_although_one_is_silenced():
    signals = Signals()
    signals.judge(0, 0, 1, 0, 1)
    signals.silence(3)
    signals.judge(0, 0, 1, 0, 3)
    assert heard(signals, 60)[0] == [3] * 3
    signals.silence(3)
    signals.judge(0, 0, 1, 0, 2)
    assert heard(signals, 60)[0] == [], "one of the two is gone"


def test_silenced_until_worse():
    signals = judged(low_voltage=1)
    signals.silence(3)
    assert heard(signals, 60) == ([], 6)
    signals.judge(2, 0, 0, 0)
    assert heard(signals, 4)[0] == [1]


def test_a_stop_above_the_silenced_level_still_sounds():
    signals = judged(low_voltage=3)
    signals.silence(2)
    assert heard(signals, 4)[0] == [1, 1]
    signals.judge(2, 0, 0, 0)
    assert heard(signals, 20)[0] == []


def test_a_silenced_stop_stays_silent_when_less_is_silenced():
    signals = judged(low_voltage=3)
    signals.silence(3)
    signals.silence(2)
    assert heard(signals, 20)[0] == []


def test_silenced_until_something_else_comes():
    signals = judged(low_voltage=3)
    signals.silence(3)
    signals.judge(3, 1, 0, 0)
    assert heard(signals, 4)[0]


def test_gone_and_come_again_sounds_again():
    signals = judged(low_voltage=2)
    signals.silence(3)
    signals.judge(0, 0, 0, 0)
    signals.judge(2, 0, 0, 0)
    assert heard(signals, 4)[0]


def test_a_silenced_cause_stays_silent_until_it_changes():
    signals = judged(low_voltage=2)
    signals.silence(3)
    for _ in range(60):
        signals.judge(2, 0, 0, 0)
        assert heard(signals, 60)[0] == []


def test_a_launch_ends_a_silence():
    signals = judged(low_voltage=1)
    signals.silence(3)
    assert heard(signals, 60)[0] == []
    signals.sound_again()
    assert heard(signals, 60)[0] == [1] * 3


def test_a_press_is_confirmed_once():
    for beeps in (1, 2):
        signals = judged()
        signals.confirm(beeps)
        seen = []
        for _ in range(20):
            signals.step(100)
            seen.append(signals.buzzer)
        assert sum(seen) == 3 * beeps
        assert seen[-1] == 0


def pressed(button, held_ms, step_ms=100):
    """How often a press that long was short, long, and let go in time; and the button's last state while down."""
    short = long = held = state = 0
    for down in [1] * (held_ms // step_ms) + [0] * 3:
        button.step(step_ms, down)
        short += button.short
        long += button.long
        held += button.held
        state = button.state if down else state
    return short, long, held, BUTTON_STATES[state]


def test_short_and_long_press():
    button = Button()
    for held_ms, presses in (
        (0, (0, 0, 0, "released")),
        (100, (0, 0, 0, "released")),  # one step alone is noise
        (200, (1, 0, 0, "pressed")),
        (1400, (1, 0, 0, "pressed")),
        (1500, (0, 1, 1, "pressed")),
        (5000, (0, 1, 1, "pressed")),
        (5100, (0, 1, 0, "pressed")),  # a knee
        (30000, (0, 1, 0, "pressed")),
        (30100, (0, 1, 0, "jammed")),
        (60000, (0, 1, 0, "jammed")),
        (200, (1, 0, 0, "pressed")),
    ):
        assert pressed(button, held_ms) == presses, held_ms
        assert BUTTON_STATES[button.state] == "released"
    assert pressed(button, 10000, 250) == (0, 1, 0, "pressed")


def test_one_step_let_go_does_not_end_a_press():
    button = Button()
    seen = 0
    for down in [1] * 8 + [0] + [1] * 8 + [0] * 3:
        button.step(100, down)
        assert not button.short
        seen += button.held
    assert seen == 1


def test_each_task_has_its_own_deadline():
    alive = Deadlines((1000, 3000))
    for _ in range(10):
        alive.step(100)
        alive.mark(1)
    assert not alive.late(0)
    alive.step(1)
    assert alive.late(0)
    assert not alive.late(1)
    alive.mark(0)
    assert not alive.late(0)
    for _ in range(1000000 // 1000):
        alive.step(1000)
    assert alive.late(0)
    assert alive.late(1)


def test_a_trial_sounds_over_any_other_signal():
    signals = Signals()
    signals.try_out(False, 500)
    signals.try_out(True, 300)
    seen = []
    for _ in range(8):
        signals.step(100)
        seen.append((signals.buzzer, signals.lamp))
    assert seen[:6] == [(1, 1), (1, 1), (1, 1), (1, 0), (1, 0), (0, 0)]


def test_a_new_start_shows_nothing_but_the_slow_flash():
    signals = Signals()
    seen = []
    for _ in range(50):
        signals.step(100)
        seen.append((signals.buzzer, signals.lamp))
    assert seen == [(0, 1)] * 2 + [(0, 0)] * 48
    signals.step(1)
    assert (signals.buzzer, signals.lamp) == (0, 1)

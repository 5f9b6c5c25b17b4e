"""The board's own time until turn-back: counted down with and without a host, over restarts, sounded step by step."""

from bench import Box

from core.countdown import STEPS_S, CountdownTones
from core.interface import Outputs
from core.turn_back import TurnBack
from groundbox.wire.messages import MARKS, UNKNOWN

LAUNCH = MARKS.index("launch")
LANDING = MARKS.index("landing")
RETURNING = MARKS.index("returning")
HOUR_S = 3600
DOUBT_S = 120  # a board alone ends its charge so much earlier
TABLE = [2000, 50, 0, 11500, 0, 11800, 1800, 12000, 5400, 12300, 9000, 12600, 14400]


def given(charge_mah=2100, time_s=HOUR_S, load_ma=2000, home_s=0):
    it = TurnBack()
    it.give(charge_mah, time_s, home_s, load_ma)
    return it


def run(it, seconds, ma=2000, mv=12000, charging=0, flying=1, host=False):
    for _ in range(seconds):
        if host:
            it.hear()
        it.step(1, ma, mv, charging, flying)
    return it.left_s


def test_unknown_until_something_is_known():
    it = TurnBack()
    assert it.left_s == UNKNOWN
    it.launch()
    assert run(it, 100) == UNKNOWN


def test_the_time_runs_in_flight_whatever_is_drawn_less():
    assert run(given(), 600, ma=500) == 3000
    assert run(given(), 600, ma=UNKNOWN) == 3000
    assert run(given(time_s=60), 600) == 0


def test_alone_a_larger_load_shortens_it_and_with_a_host_the_host_decides():
    assert run(given(), 600, ma=3000, host=True) == 3000
    left_s = run(given(), 600, ma=3000)
    # 2000 mAh less 3750 mA for 600 s, at 3750 mA (three quarters of the excess counts once more).
    assert abs(left_s - (2100 * 3600 - 3750 * 600) // 3750 + DOUBT_S) <= 40
    it = given()
    run(it, 600, ma=3000, host=True)
    alone_s = run(it, 11, ma=3000)
    assert alone_s < 1500
    assert run(it, 1, host=True) == 3600 - 612


def test_a_host_counts_as_present_for_ten_seconds():
    it = given()
    run(it, 300, ma=3000, host=True)
    assert run(it, 9, ma=3000) == HOUR_S - 309
    assert run(it, 1, ma=3000) < HOUR_S - 900


def test_a_budget_that_ends_a_minute_earlier_is_urgent():
    for earlier_s, urgent in ((60, 0), (61, 1), (-600, 0)):
        it = given()
        it.give(2000, HOUR_S - earlier_s, 0, 2000)
        assert it.urgent == urgent


def test_a_launch_begins_from_what_is_left_on_the_ground():
    it = given(charge_mah=2000)
    run(it, 1800, ma=500, flying=0)
    it.launch()
    assert run(it, 1, ma=500, host=True) == HOUR_S - 450 - 1


def test_alone_the_way_home_needs_more_under_a_larger_load_too():
    left_s = run(given(home_s=900), 600, ma=3000)
    assert abs(left_s - (2100 * 3600 + 2000 * 900 - 3750 * 600) // 3750 + 900 + DOUBT_S) <= 40
    assert run(given(home_s=900), 600) == 3000


def test_a_pulse_is_not_a_load():
    it = given(charge_mah=2100)
    for _ in range(300):
        run(it, 1, ma=4000)
        run(it, 1, ma=0)
    assert 2900 <= it.left_s <= 3000


def test_on_the_ground_only_the_charge_counts():
    it = given(charge_mah=2000)
    assert run(it, 1800, ma=500, flying=0) == HOUR_S - 1800 * 500 // 2000
    it.launch()
    assert run(it, 60, ma=500) == HOUR_S - 450 - 15 - DOUBT_S  # alone: 60 s at a quarter of the load


def test_without_a_measured_current_the_highest_declared_load_counts():
    it = given()
    it.table.numbers = [3000] + TABLE[1:]
    left_s = run(it, 600, ma=UNKNOWN)
    assert abs(left_s - (2100 * 3600 - 3750 * 600) // 3750 + DOUBT_S) <= 40


def test_older_than_a_day_is_unknown():
    it = given(charge_mah=100000, time_s=86400, load_ma=100)
    for _ in range(86400 // 5):
        it.step(5, 10, 12500, 0, 0)
    assert it.left_s != UNKNOWN
    it.step(1, 10, 12500, 0, 0)
    assert it.left_s == UNKNOWN
    it.launch()
    assert it.left_s == UNKNOWN


def test_another_battery_or_a_charger_makes_it_unknown():
    it = given()
    it.forget()
    assert run(it, 5) == UNKNOWN
    it = given()
    assert run(it, 1, charging=1, flying=0) == UNKNOWN
    assert run(it, 100, flying=0) == UNKNOWN
    it.give(2000, HOUR_S, 0, 2000)
    assert run(it, 1, flying=0) != UNKNOWN
    it = given()
    assert run(it, 100, charging=1) == 3500


# --- over a restart ---


def restarted(it, continues):
    again = TurnBack()
    again.restore(it.saved(), continues)
    return again


def test_a_watchdog_reset_costs_the_longest_gap_and_a_second_one_too():
    it = given()
    run(it, 600)
    again = restarted(it, True)
    assert again.left_s == 3000 - 320
    assert again.urgent
    assert restarted(again, True).left_s == 3000 - 640
    assert run(again, 11, ma=2000) <= 3000 - 331
    assert restarted(given(time_s=100), True).left_s == 0


def test_after_a_power_loss_it_is_unknown_also_in_the_next_flight_without_a_table():
    it = restarted(given(), False)
    assert run(it, 100) == UNKNOWN
    it.launch()
    assert it.left_s == UNKNOWN


def test_a_restart_keeps_an_age_a_charger_and_the_table():
    it = given()
    it.table.numbers = list(TABLE)
    run(it, 10, charging=1, flying=0)
    again = restarted(it, True)
    assert again.table.numbers == TABLE
    assert again.left_s == UNKNOWN
    run(again, 100, flying=0)
    again.launch()
    assert again.left_s == UNKNOWN
    it = given(charge_mah=100000, time_s=86400, load_ma=100)
    for _ in range(86000 // 5):
        it.step(5, 10, 12500, 0, 0)
    again = restarted(it, True)
    assert run(again, 70, ma=10, flying=0) != UNKNOWN
    assert run(again, 20, ma=10, flying=0) == UNKNOWN


# --- without a host ---


def test_alone_the_table_has_its_own_way_home():
    it = given(charge_mah=8000, time_s=80000)
    it.table.numbers = TABLE[:2] + [900] + TABLE[3:]
    it = restarted(it, False)
    run(it, 100, ma=3000, mv=12000, flying=0)
    it.launch()
    assert it.left_s == 2000 * (5400 + 900) // 3750 - 900


def alone(charge_mah=8000, seconds=100, **more):
    """After a power loss, with a table, `seconds` of load, then a launch."""
    it = given(charge_mah=charge_mah, time_s=80000)
    it.table.numbers = list(TABLE)
    it = restarted(it, False)
    run(it, seconds, flying=0, **more)
    it.launch()
    return it


def test_alone_the_load_of_the_table_counts():
    it = given(charge_mah=8000, time_s=80000, load_ma=500)
    it.table.numbers = list(TABLE)
    it = restarted(it, False)
    run(it, 100, ma=1000, mv=12050, flying=0)
    it.launch()
    assert it.left_s == 5400
    assert run(it, 300, ma=1000, mv=11750, host=True) <= 1820, "a host that speaks and gives nothing changes nothing"


def test_alone_under_the_lowest_point_nothing_is_left():
    it = given(charge_mah=8000, time_s=80000)
    it.table.numbers = TABLE[:4] + [900] + TABLE[5:]
    it = restarted(it, False)
    run(it, 100, mv=11499, flying=0)
    it.launch()
    assert it.left_s == 0


def test_alone_a_gap_in_the_voltage_needs_a_minute_again():
    it = given(charge_mah=8000, time_s=80000)
    it.table.numbers = list(TABLE)
    it = restarted(it, False)
    run(it, 100, flying=0)
    run(it, 1, mv=UNKNOWN, flying=0)
    run(it, 50, flying=0)
    it.launch()
    assert it.left_s == UNKNOWN


def test_alone_a_forgotten_battery_stays_unknown_and_a_budget_after_a_charge_counts():
    for forget in (True, False):
        it = given(charge_mah=8000, time_s=80000)
        it.table.numbers = list(TABLE)
        if forget:
            it.forget()
        else:
            run(it, 100, ma=-1000, charging=1, flying=0)
            it.give(8000, 80000, 0, 2000)
        it = restarted(it, False)
        run(it, 100, flying=0)
        it.launch()
        assert (it.left_s == UNKNOWN) == forget


def test_steps_of_five_seconds_give_the_same_means():
    means = []
    for seconds in (1, 5):
        it = given()
        it.step(seconds, 1000, 12000, 0, 1)
        for _ in range(60 // seconds):
            it.step(seconds, 3000, 12000, 0, 1)
        means.append(it.table.mean_ma)
    assert abs(means[0] - means[1]) < 100
    assert 2100 < means[0] < 2400


def test_alone_the_smaller_of_voltage_and_charge_counts():
    assert alone(mv=12000).left_s == 5400
    assert alone(mv=11900).left_s == 3600
    assert alone(mv=11400).left_s == 0
    assert alone(mv=12900).left_s == 14400 - 320 - 100
    assert alone(charge_mah=2000, mv=12900).left_s == 3600 - 320 - 100
    assert alone(mv=12000).own


def test_alone_a_lower_voltage_in_flight_shortens_it():
    it = alone(mv=12000)
    run(it, 300, mv=12000)
    assert it.left_s == 5100
    run(it, 600, mv=11800)
    assert it.left_s <= 1820
    assert run(it, 60, mv=UNKNOWN) <= 1760


def test_alone_a_smaller_load_is_read_as_if_the_table_s_load_ran():
    # 1 A less through 50 milliohms: 50 mV.
    assert alone(mv=12050, ma=1000).left_s == 5400
    assert alone(mv=12100, ma=UNKNOWN).left_s == 5400
    assert alone(mv=12000, ma=3000).left_s == 5400 * 2000 // 3750


def test_alone_without_knowledge_there_is_no_number():
    assert alone(ma=400).left_s == UNKNOWN
    assert alone(mv=UNKNOWN).left_s == UNKNOWN
    assert alone(seconds=50).left_s == UNKNOWN
    it = TurnBack()
    it.table.numbers = list(TABLE)
    run(it, 100, flying=0)
    it.launch()
    assert it.left_s == UNKNOWN, "no charge was ever counted"


def test_alone_a_charger_within_four_hours_leaves_it_unknown():
    for wait_s, known in ((14390, False), (14400, True)):
        it = given(charge_mah=20000, time_s=80000, load_ma=100)
        it.table.numbers = list(TABLE)
        run(it, 60, ma=-1000, mv=13800, charging=1, flying=0)
        for _ in range(wait_s // 10):
            it.step(5, 600, 12000, 0, 0)
            it.step(5, 600, 12000, 0, 0)
        it.launch()
        assert (it.left_s != UNKNOWN) == known


def test_a_charge_without_a_table_is_not_lost():
    it = given()
    before = it.saved()[0]
    run(it, 100, ma=-1000, charging=1, flying=0)
    assert it.saved()[0] == before


def test_a_charge_counts_to_85_percent_and_to_full_only():
    it = given(charge_mah=1000)
    it.table.numbers = list(TABLE)
    run(it, 200, ma=-2000, mv=13000, charging=1, flying=0)
    before = it.saved()[0]
    run(it, 3600, ma=-2000, mv=13500, charging=1, flying=0)
    assert abs(it.saved()[0] - before - 1700 * 3600) < 20 * 3600
    run(it, 40000, ma=-2000, mv=13500, charging=1, flying=0)
    assert it.saved()[0] == 2000 * 14400


# --- the countdown ---


def tones(countdown, seconds, left_s, counting=True, falls=True):
    """(start in tenths of a second, tenths) of each tone on the buzzer; the time runs, unless it stays."""
    outputs = Outputs()
    found = []
    for tenth in range(seconds * 10):
        if tenth % 10 == 0:
            countdown.judge(1, left_s - tenth // 10 if falls else left_s, counting)
        outputs.buzzer = outputs.lamp = 0
        countdown.step(100, outputs)
        assert outputs.buzzer == outputs.lamp
        if outputs.buzzer:
            if not found or sum(found[-1]) != tenth:
                found.append([tenth, 0])
            found[-1][1] += 1
    return [tuple(one) for one in found]


def test_three_two_and_one_tone_then_return_now():
    countdown = CountdownTones()
    assert STEPS_S == (600, 300, 120)
    assert tones(countdown, 10, 605) == [(50, 6), (60, 6), (70, 6)]
    assert tones(countdown, 294, 595) == []
    assert tones(countdown, 10, 301) == [(10, 6), (20, 6)]
    assert tones(countdown, 10, 125) == [(50, 6)]
    assert tones(countdown, 110, 115) == []
    assert tones(countdown, 6, 5) == [(50, 10)]
    assert tones(countdown, 4, 0, falls=False) == [(10, 10), (30, 10)]
    assert tones(countdown, 10, 0, counting=False, falls=False) == []


def test_a_step_is_given_once_and_again_after_it_was_far():
    countdown = CountdownTones()
    assert len(tones(countdown, 5, 130)) == 2, "late at the second step"
    assert tones(countdown, 5, 400, falls=False) == []
    assert tones(countdown, 5, 655, falls=False) == []
    assert tones(countdown, 5, 290) == []
    assert tones(countdown, 5, 661, falls=False) == []
    assert len(tones(countdown, 5, 290)) == 2
    assert tones(countdown, 5, 290, counting=False) == []
    assert len(tones(countdown, 5, 290)) == 2


def test_unknown_in_flight_is_one_long_tone_after_ten_seconds():
    countdown = CountdownTones()
    assert tones(countdown, 60, UNKNOWN, falls=False) == [(90, 30)]
    assert tones(countdown, 5, 1000) == []
    assert tones(countdown, 60, UNKNOWN, falls=False) == [(90, 30)]
    assert tones(CountdownTones(), 60, UNKNOWN, counting=False, falls=False) == []


def test_return_now_stays_when_the_time_becomes_unknown():
    countdown = CountdownTones()
    tones(countdown, 2, 0, falls=False)
    assert countdown.now
    assert tones(countdown, 4, UNKNOWN, falls=False) == [(0, 10), (20, 10)]
    assert len(tones(countdown, 20, UNKNOWN, falls=False)) == 10, "no tone of 3 s"
    assert countdown.now
    assert tones(countdown, 5, 700, falls=False) == [], "a host knows better"
    tones(countdown, 2, 0, falls=False)
    assert tones(countdown, 5, UNKNOWN, counting=False, falls=False) == []


# --- in the whole step ---


def test_a_flight_counts_down_and_a_short_press_ends_it():
    box = Box()
    box.run(5)
    box.control.turn_back.give(2000, 320, 0, 2000)
    assert box.run(20).turn_back_s in (320 - 20, 320)
    box.control.mark(LAUNCH)
    left_s = box.control.turn_back.left_s
    assert box.run(10).turn_back_s == left_s - 10
    box.run(left_s - 10)
    sounded = 0
    for _ in range(100):
        box.step(100)
        sounded += box.control.outputs.buzzer
    assert sounded == 50
    for down in (1, 1, 0, 0):
        box.button = down
        box.step(100)
    assert box.control.returning
    for _ in range(100):
        box.step(100)
        assert not box.control.outputs.buzzer
    assert box.control.reading.turn_back_s == 0


def test_a_launch_without_a_host_makes_its_own_budget():
    box = Box()
    box.control.turn_back.give(8000, 80000, 0, 2000)
    box.control.turn_back.table.numbers = list(TABLE)
    box.control.turn_back = restarted(box.control.turn_back, False)
    assert box.run(70).turn_back_s == UNKNOWN
    box.control.mark(LAUNCH)
    assert 12000 <= box.run(2).turn_back_s <= 14400


def test_marks_of_charge_and_swap_count():
    for name, known in (("charge", False), ("swap", False)):
        box = Box()
        box.control.turn_back.give(2500, HOUR_S, 0, 2000)
        box.run(2)
        box.control.mark(MARKS.index(name), 1)
        assert (box.run(2).turn_back_s != UNKNOWN) == known
    box.control.turn_back.give(2500, HOUR_S, 0, 2000)
    box.control.mark(LAUNCH)
    box.control.mark(MARKS.index("charge"), 1)
    assert box.run(2).turn_back_s == HOUR_S - 2


def test_a_step_five_seconds_late_counts_five_seconds():
    box = Box()
    box.control.turn_back.give(2500, HOUR_S, 0, 2000)
    box.control.mark(LAUNCH)
    box.step(5000)
    assert box.control.turn_back.left_s == HOUR_S - 5

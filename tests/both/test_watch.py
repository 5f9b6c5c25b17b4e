"""Low voltage, overvoltage, charging and the battery's temperature."""

from bench import Box, limits

from core.battery import BatteryWatch
from core.limits import DelayedLimit
from groundbox.wire.messages import CHARGE_STATES, LEVELS, UNKNOWN


def run(watch, mv, seconds=1, ma=2000, battery=2500):
    for _ in range(seconds):
        watch.step(1000, mv, mv, ma, battery)
    return watch.low_voltage


def charging(watch, mv, seconds=1, ma=UNKNOWN, battery=2500):
    run(watch, mv, seconds, ma, battery)
    return CHARGE_STATES[watch.charging]


def test_delays_of_the_three_levels():
    for mv, delay_s, level in ((11799, 60, 1), (11299, 30, 2), (10799, 10, 3)):
        watch = BatteryWatch(limits())
        assert run(watch, mv, delay_s - 1) < level
        assert run(watch, mv) == level


def test_a_limit_itself_is_not_below_it():
    watch = BatteryWatch(limits())
    assert run(watch, 11800, 1000) == 0


def test_a_short_dip_trips_nothing_and_is_forgotten():
    watch = BatteryWatch(limits())
    for _ in range(20):
        assert run(watch, 10000, 9) < 3
        assert run(watch, 12500, 30) == 0


def test_a_load_that_pulses_trips_by_its_share_of_time():
    watch = BatteryWatch(limits())
    for _ in range(200):  # below for 4 s in 10
        run(watch, 11200, 4)
        assert run(watch, 12000, 6) == 0
    for _ in range(200):  # below for 6 s in 10
        run(watch, 11200, 6)
        run(watch, 12000, 4)
    assert watch.low_voltage == 2


def test_clears_well_above_and_after_its_time_without_a_break():
    watch = BatteryWatch(limits())
    run(watch, 11700, 60)
    assert run(watch, 12199, 1000) == 1
    assert run(watch, 12200, 119) == 1
    assert run(watch, 12100) == 1
    assert run(watch, 12200, 119) == 1
    assert run(watch, 12200) == 0


def test_the_worst_level_is_reported_and_steps_down():
    watch = BatteryWatch(limits())
    run(watch, 10500, 60)
    assert watch.low_voltage == 3
    assert run(watch, 11300, 200) == 2
    assert run(watch, 11750, 200) == 1
    assert run(watch, 12300, 200) == 0


def test_unknown_voltage_changes_nothing():
    watch = BatteryWatch(limits())
    run(watch, 11200, 29)
    assert run(watch, UNKNOWN, 500) == 0
    assert run(watch, 11200) == 2
    assert run(watch, UNKNOWN, 500) == 2


def test_overvoltage_falls_with_temperature():
    # 15.0 V at 25 C, -30 mV/C: 15.75 V at 0, 14.4 V at 45, and no further beyond 0 and 50 C.
    for battery, limit in ((2500, 15000), (0, 15750), (-1000, 15750), (4500, 14400), (5000, 14250), (7000, 14250)):
        watch = BatteryWatch(limits())
        run(watch, limit, 100, battery=battery)
        assert watch.overvoltage == 0, battery
        run(watch, limit + 1, 9, battery=battery)
        assert watch.overvoltage == 0, battery
        run(watch, limit + 1, 1, battery=battery)
        assert watch.overvoltage == 3, battery
    watch = BatteryWatch(limits())
    run(watch, 15001, 10, battery=UNKNOWN)
    assert watch.overvoltage == 3
    run(watch, 14801, 100, battery=UNKNOWN)
    assert watch.overvoltage == 3
    run(watch, 14800, 10, battery=UNKNOWN)
    assert watch.overvoltage == 0


def test_charging_by_current():
    watch = BatteryWatch(limits())
    assert charging(watch, 12600, 4, -100) == "no"
    assert charging(watch, 12600, 1, -100) == "yes"
    assert charging(watch, 12600, 9, 500) == "yes"
    assert charging(watch, 12600, 1, 500) == "no"


def test_voltage_says_nothing_against_a_discharge():
    watch = BatteryWatch(limits())
    assert charging(watch, 12500, 10, 1000) == "no"
    assert charging(watch, 13600, 100, 1000) == "no"


def test_charging_by_rising_voltage():
    watch = BatteryWatch(limits())
    charging(watch, 12600, 100)
    mv = 13300
    for _ in range(20):
        mv += 10
        charging(watch, mv)
    assert charging(watch, mv) == "yes"
    assert charging(watch, 13500, 3600) == "yes"  # held, no longer rising
    assert charging(watch, 13200, 100) == "yes"
    assert charging(watch, 13199, 10) == "no"


def test_a_constant_or_falling_voltage_is_no_charging():
    watch = BatteryWatch(limits())
    assert charging(watch, 13500, 3600) == "no"
    mv = 13790
    for _ in range(300):
        mv -= 1
        assert charging(watch, mv) == "no"


def test_noise_is_no_rise():
    watch = BatteryWatch(limits())
    for _ in range(100):
        assert charging(watch, 13400) == "no"
        assert charging(watch, 13429) == "no"
    watch = BatteryWatch(limits())
    charging(watch, 13390)
    assert charging(watch, 13420, 5) == "yes"


def test_a_minute_long_rise_is_one_but_slower_is_drift():
    watch = BatteryWatch(limits())
    mv = 13400
    for _ in range(20):
        mv += 1
        assert charging(watch, mv, 3) == "no"


def test_rebound_after_a_load_is_no_charging():
    watch = BatteryWatch(limits())
    charging(watch, 11000, 60)
    for mv in range(11000, 12900, 10):
        assert charging(watch, mv) == "no"


def test_a_board_started_on_a_charger_sees_it():
    watch = BatteryWatch(limits())
    assert charging(watch, 14400, 5) == "yes"


def test_float_current_near_zero_goes_on_as_charging():
    watch = BatteryWatch(limits())
    charging(watch, 13700, 10, -2000)
    assert charging(watch, 13700, 3600, -20) == "yes"
    assert charging(watch, 13700, 3600, 20) == "yes"


def test_the_block_too_cold_or_warm_to_charge():
    watch = BatteryWatch(limits())
    assert charging(watch, 14000, 5, -3000, 2500) == "yes"
    for battery, state in (
        (-1, "cold"),
        (199, "cold"),
        (200, "yes"),
        (3999, "yes"),
        (4000, "warm"),
        (3800, "warm"),
        (3799, "yes"),
        (5000, "hot"),
        (4800, "hot"),
        (4799, "warm"),
        (UNKNOWN, "yes"),
    ):
        assert charging(watch, 14000, 1, -3000, battery) == state, battery
    assert charging(watch, 12000, 20, 3000, 6000) == "no"


def test_a_level_never_flips_inside_its_band():
    level = DelayedLimit()
    for depth in (1, 0, -100, -399, 0, 5, -399):
        for _ in range(5):
            level.step(1000, depth, 60, 400, 1)
            assert not level.on
    for _ in range(60):
        level.step(1000, 1, 60, 400, 1)
    assert level.on
    for depth in (0, -100, -399, 1, -399):
        for _ in range(500):
            level.step(1000, depth, 60, 400, 1)
            assert level.on
    level.step(1000, -400, 60, 400, 1)
    assert not level.on


def test_time_is_elapsed_time_whatever_the_step():
    for step_ms in (100, 250, 1000, 5000):
        level = DelayedLimit()
        passed = 0
        while not level.on:
            level.step(step_ms, 1, 60, 400, 120)
            passed += step_ms
        assert passed == 60000


def test_a_charge_current_exactly_at_its_limit_counts():
    own = limits(charge_seen_ma=100)
    assert charging(BatteryWatch(own), 12500, 5, -100) == "yes"
    assert charging(BatteryWatch(own), 12500, 60, -99) == "no"
    assert charging(BatteryWatch(own), 13900, 5, 99) == "yes", "no current to speak of: by voltage"
    assert charging(BatteryWatch(own), 13900, 60, 100) == "no", "a discharge is no charge"


def test_charging_begins_after_5_s_and_ends_after_10():
    watch = BatteryWatch(limits())
    assert charging(watch, 12500, 4, -3000) == "no"
    assert charging(watch, 12500, 1, -3000) == "yes"
    assert charging(watch, 12500, 9, 3000) == "yes"
    assert charging(watch, 12500, 1, 3000) == "no"


def test_charging_by_voltage_at_its_exact_limits():
    assert charging(BatteryWatch(limits()), 13800, 5) == "yes", "400 mV above the limit"
    assert charging(BatteryWatch(limits()), 13799, 60) == "no"
    watch = BatteryWatch(limits())
    assert charging(watch, 13370, 1) == "no"
    assert charging(watch, 13400, 5) == "yes", "at the limit and 30 mV above the minimum of the minute"
    assert charging(watch, 13200, 60) == "yes", "200 mV under the limit"
    assert charging(watch, 13199, 10) == "no"
    watch = BatteryWatch(limits())
    assert charging(watch, 13371, 1) == "no"
    assert charging(watch, 13400, 30) == "no", "a rise of 29 mV is noise"


def test_a_rise_counts_within_one_minute_only():
    for rest_s, state in ((59, "yes"), (60, "no")):
        watch = BatteryWatch(limits())
        charging(watch, 13370, 1)
        charging(watch, 13390, rest_s - 1)
        assert charging(watch, 13410, 5) == state, rest_s


def test_overvoltage_clears_200_mv_below_after_its_time():
    watch = BatteryWatch(limits())
    run(watch, 15001, 10)
    assert watch.overvoltage == 3
    run(watch, 14801, 100)
    assert watch.overvoltage == 3
    run(watch, 14800, 9)
    assert watch.overvoltage == 3
    run(watch, 14800, 1)
    assert watch.overvoltage == 0


def test_the_battery_temperature_has_2_k_of_hysteresis():
    watch = BatteryWatch(limits())
    for battery, state in (
        (3999, "yes"),
        (4000, "warm"),
        (3800, "warm"),
        (3799, "yes"),
        (5000, "hot"),
        (4800, "hot"),
        (4799, "warm"),
        (2500, "yes"),
        (0, "yes"),
        (-1, "cold"),
        (199, "cold"),
        (200, "yes"),
    ):
        assert charging(watch, 14000, 10, -3000, battery) == state, battery


def test_a_limit_counts_down_as_fast_as_up():
    limit = DelayedLimit()
    for _ in range(9):
        limit.step(1000, 1, 10, 5, 20)
    for _ in range(3):
        limit.step(1000, 0, 10, 5, 20)
    for _ in range(3):
        limit.step(1000, 1, 10, 5, 20)
    assert not limit.on
    limit.step(1000, 1, 10, 5, 20)
    assert limit.on
    for _ in range(19):
        limit.step(1000, -5, 10, 5, 20)
    assert limit.on
    limit.step(1000, -4, 10, 5, 20)
    for _ in range(19):
        limit.step(1000, -5, 10, 5, 20)
    assert limit.on
    limit.step(1000, -5, 10, 5, 20)
    assert not limit.on


def test_a_watch_starts_with_nothing_to_report():
    watch = BatteryWatch(limits())
    assert (watch.low_voltage, watch.overvoltage, watch.charging) == (0, 0, 0)


def heat(watch, centi_c):
    watch.judge_heat(centi_c)
    return LEVELS[watch.heat]


def test_a_hot_battery_is_named_whether_it_charges_or_not():
    watch = BatteryWatch(limits())
    assert heat(watch, 5499) == "clear"
    assert heat(watch, 5500) == "urgent"
    assert heat(watch, 5301) == "urgent"
    assert heat(watch, 5300) == "urgent" and heat(watch, 5299) == "clear"
    assert heat(watch, 6000) == "stop"
    assert heat(watch, UNKNOWN) == "stop"
    assert heat(watch, 5800) == "stop"
    assert heat(watch, 5799) == "urgent"
    assert watch.charging == 0


def test_a_hot_battery_sounds_and_has_the_fans_full():
    box = Box()
    box.battery = 6500
    box.run(3)
    assert LEVELS[box.control.reading.battery_heat] == "stop"
    assert LEVELS[box.control.signals.severity] == "stop"
    assert box.control.outputs.fan1_percent == 100
    box = Box(battery_sensor_kind=0)
    box.case = 6500
    box.run(3)
    assert LEVELS[box.control.reading.battery_heat] == "clear", "the case has its own levels"

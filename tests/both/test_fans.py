"""Starting pulse, tachometer, stall and masking, and the partner of a stalled fan."""

from array import array

from bench import limits

from core.fan_drive import FanDrive
from core.fans import FanPair, Fans
from core.interface import Outputs
from groundbox.wire.messages import FAN_STATES, UNKNOWN


def run(fan, percent, seconds, pulses):
    """Drives one fan for some seconds with so many pulses in each."""
    for _ in range(seconds):
        for _ in range(10):
            fan.drive(100, percent)
        fan.measure(1000, pulses)
    return FAN_STATES[fan.state]


def test_starting_pulse_then_the_speed_asked_for():
    fan = FanDrive(limits(), 1)
    seen = []
    for _ in range(8):
        fan.drive(100, 30)
        seen.append(fan.percent)
    assert seen == [100] * 5 + [30] * 3
    fan.drive(100, 0)
    assert fan.percent == 0
    fan.drive(100, 30)
    assert fan.percent == 100


def test_a_switched_fan_knows_only_full():
    fan = FanDrive(limits(fan1_kind=1), 1)
    for _ in range(20):
        fan.drive(100, 30)
        assert fan.percent == 100


def test_rpm_by_the_pulses_a_turn():
    fan = FanDrive(limits(), 1)
    fan.drive(100, 100)
    fan.measure(1000, 50)
    assert fan.rpm == 1500
    fan.measure(1100, 55)
    assert fan.rpm == 1500
    fan = FanDrive(limits(fan_pulses_per_turn=3), 1)
    fan.drive(100, 100)
    fan.measure(2000, 50)
    assert fan.rpm == 500


def test_noise_on_the_tachometer_line_stays_within_the_registry():
    fan = FanDrive(limits(fan_pulses_per_turn=1), 1)
    fan.drive(100, 100)
    fan.measure(1000, 65535)
    assert fan.rpm == 30000


def test_states_of_a_healthy_start():
    fan = FanDrive(limits(), 1)
    assert FAN_STATES[fan.state] == "off"
    assert run(fan, 100, 3, 100) == "starting"
    assert run(fan, 100, 1, 100) == "running"
    assert run(fan, 0, 1, 0) == "off"


def test_a_dead_fan_is_stalled_five_seconds_after_the_mask():
    fan = FanDrive(limits(), 1)
    assert run(fan, 100, 3, 0) == "starting"
    assert run(fan, 100, 4, 0) == "running"
    assert run(fan, 100, 1, 0) == "stalled"


def test_a_fan_that_dies_running():
    fan = FanDrive(limits(), 1)
    run(fan, 100, 60, 100)
    assert run(fan, 100, 4, 0) == "running"
    assert run(fan, 100, 1, 0) == "stalled"


def test_the_limit_is_a_fifth_of_the_speed_expected_at_this_drive():
    for percent, enough in ((100, 20), (30, 6)):
        fan = FanDrive(limits(), 1)
        assert run(fan, percent, 60, enough) == "running"
        assert run(fan, percent, 60, enough - 1) == "stalled"


def test_a_short_gap_is_ridden_through():
    fan = FanDrive(limits(), 1)
    run(fan, 100, 10, 100)
    for _ in range(10):
        assert run(fan, 100, 4, 0) == "running"
        assert run(fan, 100, 1, 100) == "running"


def test_stalled_stays_until_it_has_turned_for_two_seconds():
    fan = FanDrive(limits(), 1)
    assert run(fan, 100, 10, 0) == "stalled"
    assert fan.percent == 100  # it is driven on
    assert run(fan, 0, 100, 0) == "stalled"  # off, nothing is proved
    assert run(fan, 100, 1, 100) == "stalled"
    assert run(fan, 100, 1, 0) == "stalled"
    assert run(fan, 100, 1, 100) == "stalled"
    assert run(fan, 100, 1, 100) == "running"


def test_without_tachometer_nothing_is_judged():
    fan = FanDrive(limits(fan1_tach=0), 1)
    assert run(fan, 100, 100, 0) == "unsupervised"
    assert fan.rpm == UNKNOWN
    assert run(fan, 0, 1, 0) == "off"


def test_the_speed_is_unknown_once_the_tachometer_is_taken_out():
    values = limits()
    fan = FanDrive(values, 1)
    run(fan, 100, 10, 100)
    assert fan.rpm > 0
    values.fan1_tach = 0
    fan.apply()
    run(fan, 100, 1, 0)
    assert fan.rpm == UNKNOWN


def test_an_absent_fan_is_never_driven():
    fan = FanDrive(limits(), 3)
    assert run(fan, 100, 10, 0) == "absent"
    assert (fan.percent, fan.rpm) == (0, UNKNOWN)


def test_the_partner_of_a_stalled_fan_goes_full():
    pair = FanPair(limits(), 1)
    for _ in range(10):
        for _ in range(10):
            pair.drive(100, 30)
        pair.measure(1000, 0, 30)
    pair.drive(100, 30)
    assert pair.fault
    assert (pair.first.percent, pair.second.percent) == (100, 100)
    pair.drive(100, 0)
    assert (pair.first.percent, pair.second.percent) == (0, 0)


def test_the_fans_of_a_pair_start_and_stop_together():
    pair = FanPair(limits(), 1)
    for percent in (0, 30, 100, 60, 0, 30, 0):
        for _ in range(7):
            pair.drive(100, percent)
            assert pair.first.percent == pair.second.percent


def test_the_other_pair_is_left_alone():
    fans = Fans(limits(fan3_kind=2, fan4_kind=2))
    outputs = Outputs()
    pulses = array("H", (0, 0, 0, 0))
    for _ in range(10):
        for _ in range(10):
            fans.drive(100, 30, outputs)
        for i in (1, 2, 3):
            pulses[i] = (pulses[i] + 30) & 0xFFFF
        fans.measure(1000, pulses)
    fans.drive(100, 30, outputs)
    assert fans.fault
    assert (outputs.fan1_percent, outputs.fan2_percent) == (100, 100)
    assert (outputs.fan3_percent, outputs.fan4_percent) == (30, 30)


def test_counters_may_wrap():
    fans = Fans(limits())
    outputs = Outputs()
    pulses = array("H", (65500, 65500, 0, 0))
    fans.measure(1000, pulses)
    for _ in range(10):
        fans.drive(100, 100, outputs)
    pulses[0] = (65500 + 100) & 0xFFFF
    fans.measure(1000, pulses)
    assert fans.pair1.first.rpm == 3000


def test_fitting_another_fan_at_run_time():
    own = limits()
    fan = FanDrive(own, 3)
    values = dict(own.settings)
    values["fan3_kind"] = 2
    own.take(values)
    fan.apply()
    assert run(fan, 100, 1, 100) == "starting"
    values["fan3_kind"] = 0
    own.take(values)
    fan.apply()
    assert run(fan, 100, 1, 0) == "absent"


def test_a_trial_drives_a_fan_for_a_while_and_never_less_than_wanted():
    fans = Fans(limits())
    outputs = Outputs()
    assert fans.try_out(1, 40, 5000)
    assert not fans.try_out(2, 40, 5000), "not fitted"
    fans.drive(1000, 0, outputs)
    assert (outputs.fan1_percent, outputs.fan2_percent) == (0, 100), "its starting pulse"
    fans.drive(1000, 0, outputs)
    assert (outputs.fan1_percent, outputs.fan2_percent) == (0, 40)
    fans.drive(1000, 100, outputs)
    assert (outputs.fan1_percent, outputs.fan2_percent) == (100, 100)
    for _ in range(3):
        fans.drive(1000, 0, outputs)
    assert outputs.fan2_percent == 0


def test_ten_times_the_rated_speed_is_no_speed():
    fan = FanDrive(limits(), 1)
    run(fan, 100, 20, 100)
    assert run(fan, 100, 4, 1000) == "running"
    assert run(fan, 100, 1, 1000) == "too_fast"
    assert fan.in_doubt
    assert run(fan, 100, 1, 100) == "too_fast"
    assert run(fan, 100, 1, 100) == "running"
    assert not fan.in_doubt


def test_too_fast_begins_at_one_and_a_half_times_the_full_speed_also_of_the_fastest_fan():
    for full_rpm, fine, noise in ((3000, 149, 150), (20000, 999, 1000)):
        fan = FanDrive(limits(fan1_full_rpm=full_rpm), 1)
        assert run(fan, 100, 60, fine) == "running"
        assert run(fan, 100, 60, noise) == "too_fast"


def test_a_fan_that_is_off_and_turns_on_is_named_after_it_had_time_to_stop():
    fan = FanDrive(limits(), 1)
    run(fan, 100, 20, 100)
    assert run(fan, 0, 24, 100) == "off"
    assert run(fan, 0, 1, 100) == "runs_on"
    assert not fan.in_doubt, "it turns"
    assert run(fan, 100, 60, 100) == "runs_on", "until it has stood still"
    assert run(fan, 0, 21, 0) == "runs_on"
    assert run(fan, 0, 1, 0) == "off"
    assert run(fan, 0, 60, 33) == "off", "wind turns it"


def test_a_fan_that_runs_on_can_still_stall():
    fan = FanDrive(limits(), 1)
    assert run(fan, 0, 60, 100) == "runs_on"
    assert run(fan, 100, 8, 0) == "stalled"


def test_a_fan_declared_as_never_stopping_is_not_judged_while_off():
    own = limits(fan1_kind=3)
    fan = FanDrive(own, 1)
    assert run(fan, 0, 60, 100) == "off"
    assert run(fan, 30, 60, 30) == "running"
    assert run(fan, 30, 60, 0) == "stalled"
    values = dict(own.settings)
    values["fan1_kind"] = 2
    own.take(values)
    fan.apply()
    run(fan, 100, 10, 100)
    assert run(fan, 0, 60, 100) == "runs_on"
    values["fan1_kind"] = 3
    own.take(values)
    fan.apply()
    assert FAN_STATES[fan.state] == "off"


def test_the_partner_of_a_fan_with_a_noisy_tachometer_goes_full():
    pair = FanPair(limits(), 1)
    for _ in range(10):
        for _ in range(10):
            pair.drive(100, 30)
        pair.measure(1000, 1000, 30)
    pair.drive(100, 30)
    assert pair.fault and pair.second.percent == 100

"""The vote on the case sensor, and the bucket of a loose contact."""

from bench import Box, limits, ntc_counts

from core.plausibility import CaseVote
from core.thermometer import Thermometer
from groundbox.wire.messages import LEVELS, SENSOR_STATES, UNKNOWN


def minutes(vote, number, case, battery, intake=UNKNOWN, charging=0, ma=2000):
    """Lets so many minutes pass; `case` and `battery` are (first, change in each minute)."""
    for minute in range(number):
        for _ in range(60):
            vote.step(1000, case[0] + minute * case[1], battery[0] + minute * battery[1], intake, charging, ma)
    return vote.doubt


def test_battery_and_intake_outvote_a_case_that_reads_ten_kelvin_less():
    vote = CaseVote()
    assert not minutes(vote, 60, (1500, 0), (2500, 0), 2800)
    assert not minutes(vote, 4, (1499, 0), (2500, 0), 2800)
    assert minutes(vote, 1, (1499, 0), (2500, 0), 2800)
    assert minutes(vote, 29, (2500, 0), (2500, 0), 2800)
    assert not minutes(vote, 2, (2500, 0), (2500, 0), 2800)


def test_one_against_one_is_no_vote():
    assert not minutes(CaseVote(), 60, (1000, 0), (2500, 0))
    assert not minutes(CaseVote(), 60, (1000, 0), (2500, 0), 1000), "a battery out of a warm room"
    assert not minutes(CaseVote(), 60, (1000, 0), (1000, 0), 2500), "a box out of a cellar"


def test_a_battery_that_warms_contradicts_a_case_that_stays_cold():
    vote = CaseVote()
    # 0.3 K a minute: 1.8 K in 6 min, so what warms it is at least 6.3 K above it: 39 °C when it is at 32.7 °C.
    assert not minutes(vote, 9, (3400, 0), (3000, 30), ma=500)
    assert minutes(vote, 1, (3400, 0), (3270, 30), ma=500)


def test_a_rise_under_full_fans_is_not_judged():
    vote = CaseVote()
    for minute in range(60):
        for _ in range(60):
            vote.step(1000, 3200, 3000 + 30 * minute, UNKNOWN, 0, 500, 100)
    assert not vote.doubt
    assert not minutes(vote, 6, (3200, 0), (4800, 30))
    assert minutes(vote, 1, (3200, 0), (4980, 30))


def test_while_the_fans_blow_a_rise_must_show_five_kelvin_more():
    for percent, enough in ((0, 3400), (30, 2900)):
        for case, doubt in ((enough, True), (enough + 70, False)):
            vote = CaseVote()
            for second in range(600):
                vote.step(1000, case, 3000 + second // 60 * 30, UNKNOWN, 0, 500, percent)
            assert vote.doubt is doubt, (percent, case)


def test_a_warm_case_explains_the_rise():
    assert not minutes(CaseVote(), 60, (4500, 0), (2500, 30))


def test_a_case_that_warms_as_fast_explains_it():
    assert not minutes(CaseVote(), 60, (2000, 30), (2500, 30))


def test_a_charge_and_the_hour_after_it_explain_the_rise():
    vote = CaseVote()
    assert not minutes(vote, 30, (2500, 0), (2500, 30), charging=1)
    assert not minutes(vote, 59, (2500, 0), (3400, 30))
    assert minutes(vote, 10, (2500, 0), (5200, 30))


def test_a_large_current_explains_as_much_as_it_can():
    assert minutes(CaseVote(), 12, (3000, 0), (3000, 30), ma=2000)
    assert not minutes(CaseVote(), 12, (3000, 0), (3000, 30), ma=15000)
    assert not minutes(CaseVote(), 12, (3200, 0), (3000, 30), ma=UNKNOWN)
    assert minutes(CaseVote(), 20, (3200, 0), (3000, 30), ma=UNKNOWN)


def test_another_battery_is_no_rise():
    for step in (300, 1000, 2000):
        vote = CaseVote()
        minutes(vote, 20, (2500, 0), (2500, 0), 2400)
        assert not minutes(vote, 1, (2500, 0), (2500 + step // 2, 0), 2400)
        assert not minutes(vote, 30, (2500, 0), (2500 + step, -5), 2400)
        vote = CaseVote()
        minutes(vote, 20, (3000, 0), (2000, 20), 2400)
        assert not minutes(vote, 6, (3000, 0), (2400 + step, 10), 2400), "after a slow rise"


def test_seconds_without_a_value_are_bridged_and_a_minute_begins_again():
    vote = CaseVote()
    minutes(vote, 5, (3000, 0), (3000, 30))
    vote.step(1000, UNKNOWN, 3150, UNKNOWN, 0, 2000)
    assert minutes(vote, 6, (3000, 0), (3150, 30))
    vote = CaseVote()
    minutes(vote, 5, (3000, 0), (3000, 30))
    for _ in range(60):
        vote.step(1000, UNKNOWN, 3150, UNKNOWN, 0, 2000)
    assert not minutes(vote, 6, (3000, 0), (3150, 30))


def test_a_doubted_case_has_the_fans_full_and_is_urgent():
    box = Box()
    box.case = 1000
    box.run(290)
    assert SENSOR_STATES[box.control.reading.case_sensor] == "ok"
    assert box.control.outputs.fan1_percent == 0
    box.run(20)
    assert SENSOR_STATES[box.control.reading.case_sensor] == "implausible"
    assert box.control.reading.case_centi_c == UNKNOWN
    assert box.control.outputs.fan1_percent == 100
    assert LEVELS[box.control.signals.severity] == "urgent"
    box.case = 2500
    box.run(10)
    assert SENSOR_STATES[box.control.reading.case_sensor] == "implausible"
    box.control.sensors.vote.step(1800000, 2500, 2500, 2500, 0, 2000)
    box.run(10)
    assert SENSOR_STATES[box.control.reading.case_sensor] == "ok"


def states(thermometer, counts, seconds):
    """States of a thermometer over `seconds`, one of `counts` after the other in each."""
    found = []
    for second in range(seconds):
        for _ in range(10):
            thermometer.put(counts[second % len(counts)])
        thermometer.settle(1000, UNKNOWN)
        found.append(SENSOR_STATES[thermometer.channel.state])
    return found


def test_a_contact_that_comes_and_goes_is_named():
    warm = ntc_counts(2500)
    thermometer = Thermometer(limits(), "case")
    found = states(thermometer, (warm, 65535, warm), 40)
    assert found[:10] == ["ok"] * 10
    assert found[-1] == "intermittent"
    assert thermometer.channel.value == UNKNOWN
    assert states(thermometer, (warm,), 120)[-1] == "intermittent"
    assert states(thermometer, (warm,), 60)[-1] == "ok"


def test_jumps_that_no_air_makes_are_a_loose_contact_too():
    thermometer = Thermometer(limits(), "case")
    assert states(thermometer, (ntc_counts(2500), ntc_counts(1990)), 20)[-1] == "intermittent"
    thermometer = Thermometer(limits(), "case")
    assert set(states(thermometer, (ntc_counts(2500), ntc_counts(2010)), 600)) == {"ok"}


def test_a_bad_second_each_half_minute_is_no_loose_contact():
    warm = ntc_counts(2500)
    assert set(states(Thermometer(limits(), "case"), (65535,) + (warm,) * 30, 3600)) == {"ok"}


def test_a_broken_wire_stays_open():
    warm = ntc_counts(2500)
    thermometer = Thermometer(limits(), "case")
    states(thermometer, (warm,), 5)
    assert states(thermometer, (65535,), 300)[-1] == "open"
    assert states(thermometer, (warm,), 4)[-1] == "ok"

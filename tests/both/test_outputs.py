"""Essential and sheddable outputs: what sheds them, how long it warns, when they come back."""

from bench import limits

from core.outputs import OutputSwitch, ShedWatch
from groundbox.wire.messages import OUTPUT_STATES, UNKNOWN

OFF = OUTPUT_STATES.index("off")
SHED = OUTPUT_STATES.index("shed")


class Watch:
    """What ShedWatch found."""

    def __init__(self):
        self.level = 0
        self.spare = False


def output(number=2, **changes):
    it = OutputSwitch(limits(**changes), number)
    it.watch = Watch()
    return it


def state(it, level=0, spare=False, charging=0, heat=0, in_flight=0, seconds=1):
    """The output's state after so many seconds."""
    it.watch.level = level
    it.watch.spare = spare
    for _ in range(seconds):
        it.step(1000, it.watch, charging, heat, in_flight)
        assert it.feeds == (OUTPUT_STATES[it.state] in ("on", "shed_soon"))
    return OUTPUT_STATES[it.state]


def test_on_from_the_first_moment():
    assert OUTPUT_STATES[output().state] == "on"
    assert OUTPUT_STATES[output(1).state] == "on"
    for number, feeds in ((1, 1), (2, 0)):  # as the hardware has them
        it = output(number, output1_kind=0, output2_kind=0)
        assert (OUTPUT_STATES[it.state], it.feeds) == ("absent", feeds)
        assert not it.switch(1)
        it.restore(OFF, True)
        assert (OUTPUT_STATES[it.state], it.feeds) == ("absent", feeds)


def test_an_essential_output_is_never_shed():
    it = output(1)
    for level in (0, 1, 2, 3, 0, 3):
        for spare in (False, True):
            for charging in (0, 1, 4):
                assert state(it, level, spare, charging, heat=level) == "on"
    it.restore(SHED, True)
    assert (OUTPUT_STATES[it.state], it.feeds) == ("on", 1)


def test_shed_at_its_level():
    for shed_level in (1, 2, 3):
        it = output(output2_shed_level=shed_level)
        for level in range(shed_level):
            assert state(it, level) == "on"
        assert state(it, shed_level) == "shed"
    assert state(output(output2_shed_level=1), 3) == "shed"


def test_shed_stays_shed_when_the_voltage_rebounds():
    it = output()
    state(it, 2)
    for level in (2, 1, 0, 0, 1, 2, 3, 0):
        assert state(it, level, seconds=1000) == "shed"


def test_in_flight_it_is_shed_a_minute_after_its_warning():
    for level, heat in ((2, 0), (0, 3)):
        it = output()
        assert state(it, level, heat=heat, in_flight=1, seconds=60) == "shed_soon"
        assert state(it, level, heat=heat, in_flight=1) == "shed"
    it = output()
    state(it, 2, in_flight=1, seconds=59)
    assert state(it, 1, in_flight=1) == "on", "the cause is gone"
    assert state(it, 2, in_flight=1, seconds=60) == "shed_soon", "the whole minute again"
    it = output()
    state(it, 2, in_flight=1, seconds=5)
    assert state(it, 2, in_flight=0) == "shed", "landed: nothing to wait for"
    it = output()
    state(it, 2, in_flight=1)
    it.switch(1)
    assert state(it, 2, in_flight=1, seconds=300) == "on", "a person wants it on"


def test_a_charge_restores_it_once_no_level_is_left():
    it = output()
    state(it, 3)
    assert state(it, 3, charging=1, seconds=500) == "shed"
    assert state(it, 1, charging=1, seconds=500) == "shed"
    assert state(it, 0, charging=1) == "on"
    assert state(it, 0) == "on"


def test_the_time_off_doubles_up_to_an_hour():
    it = output()
    for minutes in (1, 2, 4, 8, 16, 32, 64, 64):
        assert state(it, 2) == "shed"
        assert state(it, 0, charging=1, seconds=60 * minutes - 1) == "shed"
        assert state(it, 0, charging=1) == "on"
    state(it, 0, seconds=3599)
    state(it, 2)
    assert state(it, 0, charging=1, seconds=60) == "shed", "not an hour on: still the long one"
    it.switch(1)
    state(it, 2)
    state(it, 3)
    assert state(it, 0, charging=1, seconds=60) == "on", "a person switched it: the first again"
    it = output()
    state(it, 2)
    state(it, 0, charging=1, seconds=3661)
    state(it, 2)
    assert state(it, 0, charging=1, seconds=60) == "on", "an hour on"


def test_the_third_heat_level_sheds_also_while_charging_and_the_first_restores():
    it = output()
    for heat in (1, 2):
        assert state(it, heat=heat) == "on"
    assert state(it, heat=3, charging=1) == "shed"
    assert state(it, heat=2, seconds=1000) == "shed"
    assert state(it, heat=1) == "on", "no charger needed: the battery was not the cause"
    assert state(it, heat=3) == "shed"
    state(it, 2, heat=3)
    assert state(it, 0, heat=0, seconds=1000) == "shed", "the battery is low as well"
    assert state(it, 0, heat=0, charging=1) == "on"


def test_still_low_when_charging_ends_sheds_it_again():
    it = output()
    state(it, 1, charging=1)
    state(it, 3, charging=1)
    assert OUTPUT_STATES[it.state] == "on"
    assert state(it, 3) == "shed"


def test_a_person_switches_it_on_and_is_obeyed_until_it_gets_worse():
    it = output()
    state(it, 2)
    assert it.switch(1)
    assert state(it, 2, seconds=100) == "on"
    assert state(it, 3) == "shed"
    it.switch(1)
    state(it, 3)
    assert state(it, 0) == "on"
    assert state(it, 2) == "shed"
    it = output()
    state(it, heat=3)
    it.switch(1)
    assert state(it, heat=3, seconds=100) == "on"
    state(it, heat=2)
    assert state(it, heat=3) == "shed"


def test_what_a_person_switched_off_stays_off():
    it = output()
    it.switch(0)
    for level in (0, 2, 3, 0):
        for charging in (0, 1, 0):
            assert state(it, level, charging=charging, heat=level, seconds=100) == "off"


def test_after_landing_the_battery_is_spared():
    it = output()
    assert state(it, 0, spare=True) == "shed"
    it.switch(1)
    assert state(it, 0, spare=True) == "on"
    assert state(it, 3, spare=True) == "shed"
    it = output(output2_shed_level=3)
    state(it, 2)
    assert state(it, 2, spare=True) == "shed"
    it.switch(1)
    assert state(it, 2) == "on"
    assert state(it, 2, spare=True) == "shed"


def test_the_last_state_comes_back_after_a_restart():
    for name, then in (("on", "on"), ("off", "off"), ("shed", "shed"), ("shed_soon", "on"), ("starting", "on")):
        it = output()
        it.restore(OUTPUT_STATES.index(name), False)
        assert OUTPUT_STATES[it.state] == then
    it.restore(SHED, False)
    assert state(it, 0, seconds=1000) == "shed"
    assert state(it, 0, charging=1) == "on"


def test_after_a_power_loss_a_sheddable_output_starts_later():
    it = output(output2_start_s=5)
    it.restore(OUTPUT_STATES.index("on"), True)
    assert (OUTPUT_STATES[it.state], it.feeds) == ("starting", 0)
    assert state(it, seconds=4) == "starting"
    assert state(it) == "on"
    it.restore(OUTPUT_STATES.index("on"), True)
    assert state(it, heat=3) == "shed"
    for name in ("off", "shed"):
        it.restore(OUTPUT_STATES.index(name), True)
        assert OUTPUT_STATES[it.state] == name
    it = output(output2_start_s=0)
    it.restore(OUTPUT_STATES.index("on"), True)
    assert OUTPUT_STATES[it.state] == "on"
    it = output(1)
    it.restore(OUTPUT_STATES.index("on"), True)
    assert OUTPUT_STATES[it.state] == "on"


def shed_level(watch, mv, seconds, sources=2, landed=0):
    for _ in range(seconds):
        watch.step(1000, mv, sources > 1, landed)
    return watch.level


def test_two_sources_shed_at_every_level_and_one_only_at_stop_after_a_minute():
    for mv, delay_s, level in ((11799, 60, 1), (11299, 30, 2), (10799, 10, 3)):
        watch = ShedWatch(limits())
        assert shed_level(watch, mv, delay_s - 1) < level
        assert shed_level(watch, mv, 1) == level
    watch = ShedWatch(limits())
    assert shed_level(watch, 10800, 1000, sources=1) == 0
    assert shed_level(watch, 10799, 59, sources=1) == 0
    assert shed_level(watch, 10799, 1, sources=1) == 3
    watch = ShedWatch(limits(low_stop_s=90, low_urgent_s=90, low_notice_s=90))
    assert shed_level(watch, 10799, 89, sources=1) == 0
    assert shed_level(watch, 10799, 1, sources=1) == 3


def test_a_source_that_fails_takes_its_levels_with_it():
    watch = ShedWatch(limits())
    assert shed_level(watch, 11200, 30) == 2
    assert shed_level(watch, 11200, 1, sources=1) == 0
    assert shed_level(watch, UNKNOWN, 100, sources=0) == 0
    assert shed_level(watch, 11200, 29) == 0
    assert shed_level(watch, 11200, 1) == 2


def test_sparing_only_after_a_landing_and_with_two_sources():
    watch = ShedWatch(limits())
    shed_level(watch, 11850, 1000)
    shed_level(watch, 11850, 1000, sources=1, landed=1)
    assert not watch.spare
    shed_level(watch, 11850, 59, landed=1)
    assert not watch.spare
    shed_level(watch, 11850, 1, landed=1)
    assert watch.spare
    shed_level(watch, 11850, 1)
    assert not watch.spare

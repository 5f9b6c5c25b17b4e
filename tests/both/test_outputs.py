"""Essential and sheddable outputs."""

from bench import limits

from core.outputs import OutputSwitch
from groundbox.wire.messages import OUTPUT_STATES

ESSENTIAL = 1
SHEDDABLE = 2


def output(kind=SHEDDABLE, shed_level=2):
    return OutputSwitch(limits(output1_kind=kind, output1_shed_level=shed_level), 1)


def state(it, level=0, spare=False, charging=0):
    it.step(level, spare, charging)
    return OUTPUT_STATES[it.state]


def test_on_from_the_first_moment():
    assert OUTPUT_STATES[output().state] == "on"
    assert OUTPUT_STATES[output(ESSENTIAL).state] == "on"
    assert OUTPUT_STATES[output(0).state] == "absent"


def test_an_essential_output_is_never_switched_by_the_battery():
    it = output(ESSENTIAL)
    for level in (0, 1, 2, 3, 0, 3):
        for spare in (False, True):
            for charging in (0, 1, 4):
                assert state(it, level, spare, charging) == "on"
    it.restore(OUTPUT_STATES.index("shed"))
    assert OUTPUT_STATES[it.state] == "on"


def test_dropped_at_its_level():
    for shed_level in (1, 2, 3):
        it = output(shed_level=shed_level)
        for level in range(shed_level):
            assert state(it, level) == "on"
        assert state(it, shed_level) == "shed"
    assert state(output(shed_level=1), 3) == "shed"


def test_dropped_stays_dropped_when_the_voltage_rebounds():
    it = output()
    state(it, 2)
    for level in (2, 1, 0, 0, 1, 2, 3, 0):
        assert state(it, level) == "shed"


def test_charging_brings_it_back():
    it = output()
    state(it, 3)
    assert state(it, 3, charging=1) == "on"
    assert state(it, 3, charging=1) == "on"
    assert state(it, 0) == "on"


def test_still_low_when_charging_ends_drops_it_again():
    it = output()
    state(it, 3)
    state(it, 3, charging=1)
    assert state(it, 3) == "shed"


def test_a_person_brings_it_back_and_is_obeyed_until_it_gets_worse():
    it = output()
    state(it, 2)
    assert it.switch(1)
    for _ in range(100):
        assert state(it, 2) == "on"
    assert state(it, 3) == "shed"
    it.switch(1)
    state(it, 3)
    assert state(it, 0) == "on"
    assert state(it, 2) == "shed"


def test_what_a_person_switched_off_stays_off():
    it = output()
    it.switch(0)
    for level in (0, 2, 3, 0):
        for charging in (0, 1, 0):
            assert state(it, level, charging=charging) == "off"


def test_after_landing_the_battery_is_spared():
    it = output()
    assert state(it, 0, spare=True) == "shed"
    it.switch(1)
    assert state(it, 0, spare=True) == "on"
    assert state(it, 3, spare=True) == "shed"
    it = output(shed_level=3)
    state(it, 2)
    assert state(it, 2, spare=True) == "shed"
    it.switch(1)
    assert state(it, 2) == "on"
    assert state(it, 2, spare=True) == "shed"


def test_the_last_state_comes_back_after_a_restart():
    for name in ("on", "off", "shed"):
        it = output()
        it.restore(OUTPUT_STATES.index(name))
        assert OUTPUT_STATES[it.state] == name
    it = output(0)
    it.restore(OUTPUT_STATES.index("off"))
    assert OUTPUT_STATES[it.state] == "absent"
    assert not it.switch(1)


def test_declared_essential_while_dropped_it_comes_back():
    own = limits(output1_kind=SHEDDABLE)
    it = OutputSwitch(own, 1)
    state(it, 3)
    values = dict(own.settings)
    values["output1_kind"] = ESSENTIAL
    own.take(values)
    it.apply()
    assert OUTPUT_STATES[it.state] == "on"

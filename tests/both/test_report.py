"""How bad each fault is, as buzzer and lamp tell it."""

from bench import Box

from core.reading import charge_severity, fault_severity
from groundbox.wire.messages import CHARGE_STATES, LEVELS, UNKNOWN


def severity(seconds=20, **changes):
    """Fault severity of a Box after 3 good seconds and so many with these changes."""
    box = Box()
    box.run(3)
    for name in changes:
        setattr(box, name, changes[name])
    box.run(seconds)
    return LEVELS[fault_severity(box.control)]


def test_nothing_wrong():
    assert severity() == "clear"


def test_blind_is_urgent():
    assert severity(case=UNKNOWN) == "urgent"
    assert severity(case_counts=65535) == "urgent"
    assert severity(battery_mv=UNKNOWN, check_mv=UNKNOWN) == "urgent"
    assert severity(battery_mv=5) == "urgent"


def test_one_of_several_sensors_is_a_notice():
    assert severity(battery_mv=UNKNOWN, check_mv=12500) == "notice"
    assert severity(check_mv=UNKNOWN) == "notice"
    assert severity(check_mv=12800) == "notice"
    assert severity(battery_ma=UNKNOWN) == "notice"
    assert severity(battery=UNKNOWN) == "notice"
    assert severity(intake=UNKNOWN) == "notice"


def test_a_stalled_fan_is_urgent_when_it_matters():
    assert severity(case=3600, stuck=(2,)) == "notice"
    assert severity(case=3600, stuck=(2,), battery_ma=-2000) == "urgent"
    assert severity(case=4600, stuck=(2,)) == "urgent"
    assert severity(case=4600) == "clear"


def test_a_fan_that_runs_on_is_a_notice():
    box = Box()
    box.run(3)
    for _ in range(30):
        box.run(1)
        box.inputs.pulses[0] = (box.inputs.pulses[0] + 100) & 0xFFFF
    assert LEVELS[fault_severity(box.control)] == "notice"


def test_a_first_second_without_voltage_is_not_reported_yet():
    box = Box()
    box.battery_mv = UNKNOWN
    box.run(1)
    assert fault_severity(box.control) == 0


def test_absent_sensors_are_not_missed():
    box = Box(check_adc_fitted=0, current_fitted=0, battery_sensor_kind=0, intake_sensor_kind=0)
    box.run(20)
    assert fault_severity(box.control) == 0


class Watch:
    def __init__(self, overvoltage, charging):
        self.overvoltage = overvoltage
        self.heat = 0
        self.charging = CHARGE_STATES.index(charging)


def test_what_charging_does_to_the_battery():
    for charging, level in (("no", "clear"), ("yes", "clear"), ("warm", "notice"), ("cold", "urgent"), ("hot", "stop")):
        assert LEVELS[charge_severity(Watch(0, charging))] == level
        assert LEVELS[charge_severity(Watch(3, charging))] == "stop"

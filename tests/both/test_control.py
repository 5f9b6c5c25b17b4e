"""The whole step: what goes in at one end comes out as drives, readings and events at the other."""

from bench import Box

from core import conversion
from groundbox.wire.line import encode
from groundbox.wire.messages import (
    BUTTON_STATES,
    CHANNELS,
    CHARGE_STATES,
    LEVELS,
    MARKS,
    OUTPUT_STATES,
    PLACES,
    SENSOR_STATES,
    TRIED,
    UNKNOWN,
    fields_of,
)

LAUNCH = MARKS.index("launch")
LANDING = MARKS.index("landing")
RETURNING = MARKS.index("returning")


def events(box):
    found = []
    for sequence in range(box.outbox.oldest, box.outbox.sequence + 1):
        name, values = box.outbox.unpack(sequence)
        if name == "event":
            found.append((values[1], values[2]))
    return found


def fans(box):
    return box.control.outputs.fan1_percent, box.control.outputs.fan2_percent


def test_a_reading_each_second_numbered_and_dated():
    box = Box()
    box.run(5)
    assert box.outbox.sequence == 5
    for sequence in range(1, 6):
        name, values = box.outbox.unpack(sequence)
        assert name == "reading"
        assert values[0] == sequence * 1000
        assert encode(name, ["table", 1, sequence] + values)


def test_uneven_steps_still_give_one_reading_a_second():
    box = Box()
    ms = 0
    for step_ms in (100, 130, 90, 110, 99, 101, 400, 2, 68, 100) * 30:
        box.step(step_ms)
        ms += step_ms
    assert box.outbox.sequence == ms // 1000
    assert box.control.uptime_s * 1000 + box.control.uptime_ms == ms


def test_a_step_five_seconds_late_makes_one_reading():
    box = Box()
    box.run(3)
    box.step(5000)
    assert box.outbox.sequence == 4
    assert box.control.uptime_s == 8


def test_healthy_box():
    reading = Box().run(10)
    assert abs(reading.battery_mv - 12500) <= 3
    assert abs(reading.check_mv - 12500) <= 3
    assert abs(reading.battery_ma - 2000) <= 3
    assert abs(reading.case_centi_c - 2500) <= 2
    assert reading.humidity_centi_percent == UNKNOWN
    for place in ("voltage", "check", "current", "case", "battery", "intake"):
        assert SENSOR_STATES[getattr(reading, place + "_sensor")] == "ok", place
    assert (reading.fan1_percent, reading.fan1_rpm, reading.fan3_percent, reading.fan3_rpm) == (0, 0, UNKNOWN, UNKNOWN)
    assert OUTPUT_STATES[reading.output1] == "on"
    assert PLACES[reading.place] == "ground"
    assert CHARGE_STATES[reading.charging] == "no"


def test_the_thermostat_drives_the_pair():
    box = Box()
    box.run(3)
    assert fans(box) == (0, 0)
    box.case = 3600
    reading = box.run(5)
    assert fans(box) == (100, 100)
    assert abs(reading.fan1_rpm - 3000) <= 60
    box.case = 3000
    box.run(40)
    assert fans(box) == (0, 0)


def test_a_lost_case_sensor_means_fans_full():
    box = Box()
    box.run(3)
    box.case = UNKNOWN
    box.run(4)
    assert fans(box) == (0, 0)
    reading = box.run(1)
    assert fans(box) == (100, 100)
    assert SENSOR_STATES[reading.case_sensor] == "silent"
    assert reading.case_centi_c == UNKNOWN
    for counts, state in ((65535, "open"), (0, "shorted")):
        box = Box()
        box.run(3)
        box.case_counts = counts
        reading = box.run(2)
        assert SENSOR_STATES[reading.case_sensor] == state
        assert fans(box) == (100, 100)
        box.case_counts = None
        box.run(40)
        assert fans(box) == (0, 0)


def test_a_frozen_case_sensor_means_fans_full():
    box = Box()
    box.case_counts = 32000
    box.run(600)
    assert fans(box) == (0, 0)
    box.battery = 2900
    reading = box.run(310)
    assert SENSOR_STATES[reading.case_sensor] == "frozen"
    assert fans(box) == (100, 100)


def test_alone_a_case_sensor_is_frozen_when_its_own_fans_do_not_move_it():
    box = Box(battery_sensor_kind=0, intake_sensor_kind=0)
    box.case_counts = 20000
    reading = box.run(250)
    assert reading.case_centi_c > 3500
    assert SENSOR_STATES[reading.case_sensor] == "ok"
    assert SENSOR_STATES[box.run(60).case_sensor] == "frozen"


def test_an_intake_fault_moves_no_fan():
    box = Box()
    box.run(3)
    box.intake = UNKNOWN
    reading = box.run(20)
    assert SENSOR_STATES[reading.intake_sensor] == "silent"
    assert fans(box) == (0, 0)
    assert LEVELS[box.control.signals.severity] == "notice"


def test_a_stalled_fan_is_a_fault_urgent_while_charging():
    box = Box(fan_mode=1)
    box.case = 3550
    box.run(10)
    assert fans(box) == (34, 34)
    box.stuck = (1,)
    reading = box.run(6)
    assert reading.fan1_rpm == 0
    assert fans(box) == (100, 100)
    assert LEVELS[box.control.signals.severity] == "notice"
    box.battery_ma = -3000
    box.run(6)
    assert LEVELS[box.control.signals.severity] == "urgent"


def test_charging_runs_the_fans():
    box = Box()
    box.battery_ma = -3000
    reading = box.run(6)
    assert CHARGE_STATES[reading.charging] == "yes"
    box.run(1)
    assert fans(box) == (30, 30)


def test_low_voltage_drops_what_may_be_dropped_and_says_so():
    box = Box()
    box.battery_mv = 11200
    box.run(30)
    outputs = box.control.outputs
    assert (outputs.output1_on, outputs.output2_on) == (1, 0)
    ((kind, value),) = events(box)
    assert kind == "output2_shed"
    assert abs(value - 1120) <= 1
    box.battery_mv = 12600
    box.run(300)
    assert outputs.output2_on == 0
    assert [kind for kind, _ in events(box)] == []
    box.battery_ma = -3000
    box.run(6)
    assert (outputs.output1_on, outputs.output2_on) == (1, 1)
    assert [kind for kind, _ in events(box)] == ["output2_on"]


def test_after_landing_the_battery_is_spared():
    box = Box()
    box.battery_mv = 11850
    box.control.mark(LAUNCH)
    box.run(200)
    assert box.control.outputs.output2_on == 1
    box.control.mark(LANDING)
    box.run(60)
    assert box.control.outputs.output2_on == 0


def test_a_person_switches():
    box = Box()
    box.run(1)
    assert box.control.switch(2, 0)
    assert box.control.outputs.output2_on == 0
    assert box.control.switch(2, 1)
    assert box.control.outputs.output2_on == 1
    assert [kind for kind, _ in events(box)] == ["output2_off", "output2_on"]
    box = Box(output2_kind=0)
    assert not box.control.switch(2, 1)
    assert box.control.outputs.output2_on == 0  # as the hardware has it


def test_state_of_the_last_start_comes_back():
    box = Box()
    box.control.restore(1, 0, OUTPUT_STATES.index("on"), OUTPUT_STATES.index("shed"), False)
    assert (box.control.outputs.output1_on, box.control.outputs.output2_on) == (1, 0)
    reading = box.run(5)
    assert PLACES[reading.place] == "flight"
    assert OUTPUT_STATES[reading.output2] == "shed"
    box = Box()
    box.control.restore(0, 0, OUTPUT_STATES.index("on"), OUTPUT_STATES.index("on"), True)
    assert box.control.outputs.output2_on == 0
    box.run(8)
    assert box.control.outputs.output2_on == 1
    assert events(box) == [], "no person and no battery switched it"


def test_the_button_marks_and_silences():
    box = Box()
    box.button = 1
    box.run(2)
    assert (PLACES[box.control.place], events(box)[-1][0]) == ("flight", "launch")
    box.button = 0
    box.run(1)
    for last in ("returning", "landing"):
        box.button = 1
        box.run(2)
        assert box.control.place == 1, "a press counts when it is let go"
        box.button = 0
        box.run(1)
        assert events(box)[-1][0] == last
    assert (box.control.place, box.control.landed) == (0, 1)
    press(box, 300)
    assert events(box)[-1][0] == "silenced"


def beeps(box, seconds):
    """Beeps heard while so many seconds pass."""
    found = before = 0
    for _ in range(seconds * 10):
        box.step(100)
        found += box.control.outputs.buzzer > before
        before = box.control.outputs.buzzer
    return found


def test_each_long_press_is_confirmed_by_one_beep_and_a_landing_by_two_more():
    box = Box()
    for count in (0, 0, 2, 0, 0, 2):  # launch, two presses of a landing, and again
        box.button = 1
        assert beeps(box, 3) == 1
        box.button = 0
        assert beeps(box, 3) == count


def test_a_knee_on_the_button_is_no_landing():
    """Each case: how long it is down and up, in ms."""
    for down_ms, up_ms in ((100, 500), (1400, 500), (3000, 8000), (5500, 500), (20000, 1000), (300, 300)):
        box = Box()
        box.control.mark(LAUNCH)
        for _ in range(6):
            press(box, down_ms)
            box.run(1)
            for _ in range(up_ms // 100):
                box.step(100)
        assert box.control.place == 1, (down_ms, up_ms)
    box = Box()
    press(box, 3000)
    assert box.control.place == 1
    press(box, 3000)
    assert box.control.place == 1, "the press of the launch is no half of a landing"
    press(box, 3000)
    assert box.control.place == 0


def test_a_jammed_button_is_a_notice():
    box = Box()
    box.button = 1
    assert BUTTON_STATES[box.run(30).button] == "pressed"
    assert BUTTON_STATES[box.run(1).button] == "jammed"
    assert LEVELS[box.control.signals.severity] == "notice"
    box.button = 0
    assert BUTTON_STATES[box.run(1).button] == "released"
    assert LEVELS[box.control.signals.severity] == "clear"


def test_a_divider_that_drifts_warns_and_sheds_nothing():
    box = Box()
    box.control.mark(LAUNCH)
    box.run(5)
    for high, low in ((12700, 10000), (12700, 5000)):
        for box.battery_mv, box.check_mv in ((high, low), (low, high)):
            reading = box.run(300)
            assert LEVELS[reading.low_voltage] == "stop"
            assert OUTPUT_STATES[reading.output2] == "on"
            box.battery_mv = box.check_mv = 12700
            box.run(300)
    box.battery_mv = box.check_mv = 11200
    assert OUTPUT_STATES[box.run(31).output2] == "shed_soon"
    assert LEVELS[box.control.signals.severity] == "urgent"
    assert OUTPUT_STATES[box.run(60).output2] == "shed"


def test_either_source_alone_sheds_at_stop_only():
    for name in ("battery_mv", "check_mv"):
        box = Box()
        box.run(3)
        box.battery_mv = box.check_mv = 11200
        setattr(box, name, UNKNOWN)
        reading = box.run(300)
        assert (LEVELS[reading.low_voltage], OUTPUT_STATES[reading.output2]) == ("urgent", "on"), name


def test_a_low_source_and_a_charge_that_is_used_up_shed_together():
    """Each case: charge of the budget, current measured, output 2 after a minute at 11.2 V of one source."""
    for mah, ma, state in ((10, 2000, "shed"), (5000, 2000, "on"), (10, UNKNOWN, "on"), (None, 2000, "on")):
        box = Box()
        box.run(3)
        if mah is not None:
            box.control.turn_back.give(mah, 1800, 300, 2000)
        box.run(30)
        box.check_mv = 11200
        box.battery_ma = ma
        reading = box.run(60)
        assert (LEVELS[reading.low_voltage], OUTPUT_STATES[reading.output2]) == ("urgent", state), (mah, ma)


def test_one_source_sheds_in_flight_after_a_minute_at_stop_and_a_minute_of_warning():
    box = Box(check_adc_fitted=0)
    box.control.mark(LAUNCH)
    box.battery_mv = 10850
    assert OUTPUT_STATES[box.run(600).output2] == "on"
    box.battery_mv = 10700
    assert OUTPUT_STATES[box.run(59).output2] == "on"
    assert OUTPUT_STATES[box.run(2).output2] == "shed_soon"
    assert OUTPUT_STATES[box.run(58).output2] == "shed_soon"
    assert OUTPUT_STATES[box.run(3).output2] == "shed"


def test_the_third_heat_level_sheds_what_may_be_shed():
    box = Box()
    box.case = 5950
    assert OUTPUT_STATES[box.run(10).output2] == "on"
    box.case = 6050
    reading = box.run(2)
    assert (OUTPUT_STATES[reading.output1], OUTPUT_STATES[reading.output2]) == ("on", "shed")
    assert (box.control.outputs.output1_on, box.control.outputs.output2_on) == (1, 0)
    assert [kind for kind, _ in events(box)] == ["output2_shed"]


def test_fans_run_full_from_a_judgement_that_fails_until_one_succeeds():
    box = Box()
    box.run(3)
    assert fans(box) == (0, 0)
    sound = box.control.watch.step

    def fail(*_):
        raise ValueError("seeded")

    box.control.watch.step = fail
    failed = 0
    for _ in range(20):
        try:
            box.step(100)
        except ValueError:
            failed += 1
    assert failed == 2
    assert fans(box) == (100, 100)
    box.control.watch.step = sound
    box.run(2)
    assert fans(box) == (0, 0)


def test_it_lands_only_after_it_said_so():
    box = Box()
    box.battery_mv = 11850
    box.run(200)
    assert box.control.outputs.output2_on == 1


def test_every_mark_is_an_event():
    box = Box()
    for name in ("launch", "landing", "charge", "swap"):
        assert box.control.mark(MARKS.index(name))
    assert [kind for kind, _ in events(box)] == ["launch", "landing", "charge", "swap"]


def press(box, ms):
    box.button = 1
    for _ in range(ms // 100):
        box.step(100)
    box.button = 0
    box.step(100)
    box.step(100)


def test_the_first_short_press_of_a_flight_says_that_the_pilot_is_returning():
    box = Box()
    press(box, 300)
    for how in (UNKNOWN, 1):
        box.control.mark(LAUNCH, how)
        press(box, 300)
        press(box, 300)
        box.control.mark(LANDING, how)
        press(box, 300)
    flight = ["launch", "silenced", "returning", "silenced", "landing", "silenced"]
    assert [kind for kind, _ in events(box)] == ["silenced"] + flight + flight
    assert [value for kind, value in events(box) if kind == "returning"] == [None, None]


def test_the_host_marks_the_return_once_a_flight_and_only_in_flight():
    box = Box()
    assert not box.control.mark(RETURNING, 1)
    assert events(box) == []
    box.control.mark(LAUNCH, 1)
    assert box.control.mark(RETURNING, 1)
    assert box.control.mark(RETURNING, 1)
    assert events(box) == [("launch", 1), ("returning", 1)]
    press(box, 300)
    assert [kind for kind, _ in events(box)][2:] == ["silenced"]


def test_a_return_silences_all_but_a_stop_and_a_second_press_everything():
    box = Box()
    box.control.mark(LAUNCH)
    box.battery_mv = 11200
    box.run(40)
    assert beeps(box, 8) == 2
    press(box, 300)
    assert beeps(box, 20) == 0
    box.battery_mv = 10700
    box.run(12)
    assert LEVELS[box.control.signals.severity] == "stop"
    assert beeps(box, 8) == 4
    press(box, 300)
    assert beeps(box, 8) == 0
    box.control.mark(LANDING)
    box.control.mark(LAUNCH)
    press(box, 300)
    assert beeps(box, 8) == 4


def test_changed_settings_come_into_force_with_all_state_kept():
    box = Box()
    box.run(5)
    values = dict(box.control._limits.settings)
    values.update({"fan_on_centi_c": 2400, "fan_off_centi_c": 2000, "case_sensor_kind": 3, "output2_kind": 0})
    box.control.apply(values)
    box.case_counts = 400
    reading = box.run(5)
    assert reading.case_centi_c == 2500
    assert fans(box) == (100, 100)
    assert OUTPUT_STATES[reading.output2] == "absent"
    assert box.control.uptime_s == 10


def test_uncorrected_values_for_calibration():
    box = Box(voltage_raw1_mv=11100, voltage_true1_mv=11000, voltage_raw2_mv=14600, voltage_true2_mv=14500)
    reading = box.run(3)
    assert abs(reading.battery_mv - 12400) <= 3
    of = box.control.uncorrected_of
    assert abs(of(CHANNELS.index("voltage")) - 12500) <= 3
    assert abs(of(CHANNELS.index("check")) - 12500) <= 3
    assert abs(of(CHANNELS.index("current")) - 2000) <= 3
    for name in ("case", "battery", "intake"):
        assert abs(of(CHANNELS.index(name)) - 2500) <= 3
    box.case_counts = 65535
    box.battery_mv = UNKNOWN
    box.run(6)
    assert of(CHANNELS.index("case")) == UNKNOWN
    assert of(CHANNELS.index("voltage")) == UNKNOWN


def test_whatever_the_sensors_say_the_line_can_be_sent():
    extremes = (
        {"battery_mv": 40000, "check_mv": 18000, "battery_ma": 40000, "case": 12400, "battery": -3900},
        {"battery_mv": 0, "check_mv": 0, "battery_ma": -40000, "case": -3900, "battery": 12400},
        {"battery_mv": 31000, "check_mv": 17000, "battery_ma": -32000},
        {"battery_mv": UNKNOWN, "check_mv": UNKNOWN, "battery_ma": UNKNOWN, "battery": UNKNOWN, "intake": UNKNOWN},
    )
    for changes in extremes:
        box = Box()
        for name in changes:
            setattr(box, name, changes[name])
        box.run(8)
        for sequence in range(1, box.outbox.sequence + 1):
            name, values = box.outbox.unpack(sequence)
            assert encode(name, ["x", 1, sequence] + values)


def test_every_field_of_the_reading_is_filled():
    """A field added to the registry and forgotten here would stay as it was made."""
    box = Box(humidity_fitted=1, fan3_kind=2, fan4_kind=2)
    box.inputs.humidity_centi_percent = 4000
    box.control.turn_back.give(2000, 3600, 0, 2000)
    box.case = 3600
    reading = box.run(3)
    for field in fields_of("reading")[4:]:
        if not isinstance(field[1], tuple):
            assert getattr(reading, field[0]) != UNKNOWN, field[0]


def test_a_start_onewire_sensors_have_not_answered_yet():
    box = Box(case_sensor_kind=3)
    box.case_counts = conversion.SHORTED
    assert SENSOR_STATES[box.run(2).case_sensor] == "shorted"
    assert fans(box) == (100, 100)


def test_every_part_is_tried_out_by_its_own_number():
    """A fan gets at least the percent asked; lamp and buzzer get nothing of a fan's, and the reverse."""
    for part, name in enumerate(TRIED):
        box = Box(fan3_kind=2, fan4_kind=2)
        box.run(3)
        assert box.control.try_out(part, 60, 2000)
        box.run(1)
        outputs = box.control.outputs
        driven = (outputs.fan1_percent, outputs.fan2_percent, outputs.fan3_percent, outputs.fan4_percent)
        assert driven == tuple([60 if name == f"fan{fan}" else 0 for fan in (1, 2, 3, 4)]), name
        assert outputs.buzzer == (1 if name == "buzzer" else 0)
        if name == "lamp":
            assert outputs.lamp == 1
        box.run(2)
        assert (outputs.fan1_percent, outputs.buzzer) == (0, 0)
    assert not Box().control.try_out(3, 60, 2000), "fan 4 is not fitted"


def test_place_landed_and_returning_are_0_or_1():
    box = Box()
    seen = [(box.control.place, box.control.landed, box.control.returning)]
    for kind in (LAUNCH, RETURNING, LANDING, LAUNCH):
        box.control.mark(kind)
        seen.append((box.control.place, box.control.landed, box.control.returning))
    assert seen == [(0, 0, 0), (1, 0, 0), (1, 0, 1), (0, 1, 0), (1, 0, 0)]

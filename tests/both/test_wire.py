"""Settings and their relations, the line form, and the indexes the firmware has compiled in."""

from groundbox.wire import settings
from groundbox.wire.line import decode, encode
from groundbox.wire.messages import EVENTS, MARKS, fields_of


def test_defaults_are_allowed():
    values = settings.defaults()
    assert settings.refusal_of_all(values, values) == ""
    for name, default, low, high in settings.SETTINGS:
        assert low <= default <= high, name
        assert len(name) <= 32, name


def test_no_value_outside_its_range_is_taken():
    values = settings.defaults()
    for name, _, low, high in settings.SETTINGS:
        assert settings.refusal(name, low - 1, values), name
        assert settings.refusal(name, high + 1, values), name
    assert settings.refusal("case_color", 1, values) == "no setting is called case_color"
    assert settings.refusal("over_mv", "15000", values) == "over_mv wants a whole number"
    assert settings.refusal("over_mv", 16001, values) == "over_mv is 16001; wants 14400 to 16000"


def test_relations_hold_whichever_side_moves():
    values = settings.defaults()
    assert settings.refusal("low_urgent_mv", 11800, values)
    assert settings.refusal("low_notice_mv", 11300, values)
    assert settings.refusal("low_stop_mv", 11300, values)
    assert settings.refusal("fan_off_centi_c", 3400, values)
    assert settings.refusal("fan_on_centi_c", 4500, values)
    assert settings.refusal("case_stop_centi_c", 5500, values)
    assert settings.refusal("check_adc_fitted", 0, values) == ""
    values["check_adc_fitted"] = 0
    assert settings.refusal("voltage_monitor_kind", 0, values)
    assert values["voltage_monitor_kind"] == 1


def test_settings_that_contradict_are_refused_with_the_reason():
    for changes, reason in (
        ({"case_notice_centi_c": 6800}, "case_notice_centi_c is 6800; wants 3500 to 5500"),
        ({"case_notice_centi_c": 5500}, "case_urgent_centi_c minus case_notice_centi_c is 0; wants 100 to 3500"),
        ({"fan_shortest_pause_s": 600}, "fan_shortest_pause_s is 600; wants 0 to 120"),
        (
            {"fan_start_mask_ms": 15000, "fan_shortest_run_s": 15},
            "1000 fan_shortest_run_s minus fan_start_mask_ms minus 1000 fan_stall_s is -5000; wants 0 to 600000",
        ),
        ({"fan_start_mask_ms": 1000, "fan_start_pulse_ms": 1500}, "fan_start_mask_ms minus fan_start_pulse_ms is -500"),
        ({"low_stop_s": 600}, "low_urgent_s minus low_stop_s is -570; wants 0 to 600"),
        ({"low_notice_s": 20}, "low_notice_s minus low_urgent_s is -10"),
        ({"low_notice_mv": 12400}, "low_notice_mv plus low_clear_mv is 12800; wants 10000 to 12700"),
        ({"over_mv": 14400, "over_mv_per_c": 60}, "over_mv minus 25 over_mv_per_c is 12900; wants 13800 to 16000"),
        (
            {"fan_on_centi_c": 3900, "fan_off_centi_c": 3600, "case_clear_centi_c": 700},
            "case_notice_centi_c minus case_cl",
        ),
        ({"spare_mv": 11000, "low_stop_mv": 10950}, "spare_mv minus low_stop_mv is 50"),
        ({"voltage_monitor_kind": 0}, "current_fitted is 1 and voltage_monitor_kind is 0"),
    ):
        refused = settings.refusal_of_all(changes, settings.defaults())
        assert refused.startswith(reason), refused
        assert len(refused) <= 120, "it fits into an answer"


def test_the_defaults_and_a_run_that_just_outlasts_the_mask_are_taken():
    assert settings.refusal_of_all({}, settings.defaults()) == ""
    assert settings.refusal_of_all({"fan_shortest_run_s": 8}, settings.defaults()) == ""
    assert settings.refusal_of_all({"fan_shortest_run_s": 7}, settings.defaults())


def test_changes_that_only_fit_together_are_taken_together():
    values = settings.defaults()
    assert settings.refusal("fan_on_centi_c", 2500, values)
    assert settings.refusal_of_all({"fan_on_centi_c": 2500, "fan_off_centi_c": 2100}, values) == ""


def test_calibration_far_off_is_refused():
    values = settings.defaults()
    good = settings.calibration("voltage", 1, 12010, 12000)
    assert good == {"voltage_raw1_mv": 12010, "voltage_true1_mv": 12000}
    assert settings.refusal_of_all(good, values) == ""
    assert settings.refusal_of_all(settings.calibration("voltage", 1, 14000, 14000), values)
    assert settings.refusal_of_all(settings.calibration("voltage", 1, 12000, 13100), values)
    assert settings.refusal_of_all(settings.calibration("current", 2, 1200, 1000), values)
    both_by_1000 = {"voltage_true1_mv": 12000, "voltage_true2_mv": 15500}
    assert settings.refusal_of_all(both_by_1000, values) == ""
    for first, second in ((1005, 500), (500, 1005), (-1005, -500), (-500, -1005)):
        points = {"voltage_raw2_mv": 16900, "voltage_true1_mv": 11000 + first, "voltage_true2_mv": 16900 + second}
        assert settings.refusal_of_all(points, values) == "voltage calibration: corrects by more than 1000"
    points = {"voltage_raw2_mv": 16000, "voltage_true1_mv": 11000, "voltage_true2_mv": 16625}
    assert settings.refusal_of_all(points, values) == "", "an eighth of the span is allowed"
    points["voltage_true2_mv"] = 16626
    assert "off by more than an eighth" in settings.refusal_of_all(points, values)
    points = {"voltage_raw2_mv": 12000, "voltage_true2_mv": 12000}
    assert settings.refusal_of_all(points, values) == ""
    points = {"voltage_raw2_mv": 11999, "voltage_true2_mv": 11999}
    assert "second point reads 999 above first" in settings.refusal_of_all(points, values)


def test_the_distance_between_two_settings_may_be_its_minimum_and_its_maximum():
    ranges = {name: (low, high) for name, _, low, high in settings.SETTINGS}
    relations = settings.RELATIONS
    try:
        for relation in relations:
            settings.RELATIONS = (relation,)  # one at a time: the first that is broken is the one reported
            if len(relation) > 6 or (relation[2], relation[4]) != (1, -1):
                continue
            minimum, maximum, higher, lower = relation[0], relation[1], relation[3], relation[5]
            for gap, allowed in ((minimum, True), (minimum - 1, False), (maximum, True), (maximum + 1, False)):
                low = max(ranges[lower][0], ranges[higher][0] - gap)
                if low <= ranges[lower][1] and low + gap <= ranges[higher][1]:
                    reason = settings.refusal_of_all({lower: low, higher: low + gap}, settings.defaults())
                    assert (reason == "") == allowed, (reason, gap)
    finally:
        settings.RELATIONS = relations


def test_every_reason_fits_its_field_in_the_answer():
    values = settings.defaults()
    longest = [field for field in fields_of("answer") if field[0] == "reason"][0][3]
    for name, _, low, high in settings.SETTINGS:
        for value in (low - 1, low, high, high + 1):
            assert len(settings.refusal(name, value, values)) <= longest, name


def test_a_line_comes_back_as_it_went():
    fields = [field[0] for field in fields_of("event")]
    values = ["mast", 3, 7, 123456, "launch", None]
    assert len(values) == len(fields)
    assert decode(encode("event", values)) == ("event", values)


def test_compiled_in_indexes_are_those_of_the_registry():
    of = {}
    for field in fields_of("reading"):
        of[field[0]] = field[1]
    sensor = of["voltage_sensor"]
    assert (sensor.index("ok"), sensor.index("open"), sensor.index("shorted"), sensor.index("range")) == (0, 1, 2, 3)
    assert sensor[4:] == ("frozen", "disagree", "silent", "absent", "intermittent", "implausible")
    assert of["fan1_state"] == (
        "absent",
        "off",
        "starting",
        "running",
        "stalled",
        "unsupervised",
        "too_fast",
        "runs_on",
    )
    assert of["output2"] == ("absent", "on", "off", "shed", "shed_soon", "starting")
    assert of["button"] == ("released", "pressed", "jammed")
    assert of["charging"] == ("no", "yes", "cold", "warm", "hot")
    assert of["low_voltage"] == ("clear", "notice", "urgent", "stop")
    assert of["place"] == ("ground", "flight")
    assert MARKS[:3] == ("launch", "landing", "returning")
    assert EVENTS[1:5] == ("launch", "landing", "charge", "swap")
    assert EVENTS[14] == "returning"
    assert set(MARKS) <= set(EVENTS)
    assert EVENTS[5] == "silenced"
    assert EVENTS[6:11] == ("output2_shed", "output1_on", "output2_on", "output1_off", "output2_off")
    assert settings.SENSOR_KINDS.index("onewire") == 3
    assert settings.FAN_KINDS.index("switched") == 1
    assert settings.FAN_KINDS.index("pwm_never_stops") == 3
    assert settings.OUTPUT_KINDS.index("sheddable") == 2
    assert settings.FAN_MODES.index("proportional") == 1
    assert settings.MONITOR_KINDS == ("none", "ina226", "ina219")

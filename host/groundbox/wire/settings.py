"""The board's settings, once, for both interpreters: names with unit, defaults, compiled-in ranges and relations.

All whole numbers. A settings dictionary `{name: value}` carries every name. The meanings are in
meanings.py, which stays on the host (text costs memory on the board). Limits and delays: common practice, no source.
"""

MONITOR_KINDS = ("none", "ina226", "ina219")
SENSOR_KINDS = ("none", "ntc_b3950", "ntc_b3435", "onewire")
FAN_KINDS = ("none", "switched", "pwm", "pwm_never_stops")
FAN_MODES = ("on_off", "proportional")
OUTPUT_KINDS = ("none", "essential", "sheddable")

# Channel name of the `calibrate` message -> unit in its settings' names.
UNITS = {"voltage": "mv", "check": "mv", "current": "ma", "case": "centi_c", "battery": "centi_c", "intake": "centi_c"}

# (name, default, low, high)
SETTINGS = (
    # What is fitted.
    ("voltage_monitor_kind", 1, 0, 2),
    ("check_adc_fitted", 1, 0, 1),
    ("current_fitted", 1, 0, 1),
    ("case_sensor_kind", 1, 1, 3),
    ("battery_sensor_kind", 0, 0, 3),  # until a person fits one: its pin reads VSYS/3 on the commonest board
    ("intake_sensor_kind", 1, 0, 3),
    ("humidity_fitted", 0, 0, 1),
    ("display_fitted", 0, 0, 1),
    ("fan1_kind", 2, 0, 3),
    ("fan2_kind", 2, 0, 3),
    ("fan3_kind", 0, 0, 3),
    ("fan4_kind", 0, 0, 3),
    ("fan1_tach", 1, 0, 1),
    ("fan2_tach", 1, 0, 1),
    ("fan3_tach", 1, 0, 1),
    ("fan4_tach", 1, 0, 1),
    ("fan1_full_rpm", 3000, 500, 20000),
    ("fan2_full_rpm", 3000, 500, 20000),
    ("fan3_full_rpm", 3000, 500, 20000),
    ("fan4_full_rpm", 3000, 500, 20000),
    ("fan_pulses_per_turn", 2, 1, 4),
    ("output1_kind", 1, 0, 1),
    ("output2_kind", 2, 0, 2),
    ("output2_shed_level", 2, 1, 3),
    ("output2_start_s", 5, 0, 60),
    ("radio_allowed", 0, 0, 1),
    ("radio_silent_in_flight", 0, 0, 1),
    # Measuring.
    ("sample_hz", 500, 10, 2000),
    ("reference_mv", 3000, 2400, 3400),
    ("divider_ratio_e3", 6000, 4900, 9600),
    ("shunt_micro_ohm", 2000, 200, 100000),
    ("ntc_pullup_ohm", 10000, 2000, 100000),
    ("frozen_s", 300, 60, 3600),
    ("disagree_mv", 150, 50, 500),
    ("disagree_s", 10, 2, 120),
    # Two-point calibration: what was read uncorrected, and what was true then.
    ("voltage_raw1_mv", 11000, 8000, 18000),
    ("voltage_true1_mv", 11000, 8000, 18000),
    ("voltage_raw2_mv", 14500, 8000, 18000),
    ("voltage_true2_mv", 14500, 8000, 18000),
    ("check_raw1_mv", 11000, 8000, 18000),
    ("check_true1_mv", 11000, 8000, 18000),
    ("check_raw2_mv", 14500, 8000, 18000),
    ("check_true2_mv", 14500, 8000, 18000),
    ("current_raw1_ma", 0, -30000, 30000),
    ("current_true1_ma", 0, -30000, 30000),
    ("current_raw2_ma", 5000, -30000, 30000),
    ("current_true2_ma", 5000, -30000, 30000),
    ("case_raw1_centi_c", 0, -2000, 8000),
    ("case_true1_centi_c", 0, -2000, 8000),
    ("case_raw2_centi_c", 5000, -2000, 8000),
    ("case_true2_centi_c", 5000, -2000, 8000),
    ("battery_raw1_centi_c", 0, -2000, 8000),
    ("battery_true1_centi_c", 0, -2000, 8000),
    ("battery_raw2_centi_c", 5000, -2000, 8000),
    ("battery_true2_centi_c", 5000, -2000, 8000),
    ("intake_raw1_centi_c", 0, -2000, 8000),
    ("intake_true1_centi_c", 0, -2000, 8000),
    ("intake_raw2_centi_c", 5000, -2000, 8000),
    ("intake_true2_centi_c", 5000, -2000, 8000),
    # Battery.
    ("low_notice_mv", 11800, 10000, 12400),
    ("low_notice_s", 60, 1, 600),
    ("low_urgent_mv", 11300, 10000, 12400),
    ("low_urgent_s", 30, 1, 600),
    ("low_stop_mv", 10800, 10000, 12400),
    ("low_stop_s", 10, 1, 600),
    ("low_clear_mv", 400, 100, 1000),
    ("low_clear_s", 120, 5, 900),
    ("spare_mv", 11900, 11000, 12600),
    ("spare_s", 60, 5, 900),
    ("over_mv", 15000, 14400, 16000),
    ("over_mv_per_c", 30, 0, 60),
    ("over_s", 10, 1, 120),
    ("charge_seen_mv", 13400, 13000, 14000),
    ("charge_seen_ma", 100, 20, 2000),
    ("battery_cold_centi_c", 0, -1000, 1000),
    ("battery_warm_centi_c", 4000, 3000, 4500),
    ("battery_hot_centi_c", 5000, 4000, 5400),
    # Data sheets of sealed lead-acid batteries end discharge at 50 to 60 °C: from memory.
    ("battery_urgent_centi_c", 5500, 4500, 6000),
    ("battery_stop_centi_c", 6000, 5000, 6500),
    # Fans and heat.
    ("fan_mode", 0, 0, 1),
    ("fan_on_centi_c", 3500, 2000, 5000),
    ("fan_off_centi_c", 3100, 1000, 4800),
    ("fan_full_centi_c", 4300, 2500, 6000),
    ("fan_lowest_percent", 30, 10, 100),
    ("fan_start_pulse_ms", 500, 0, 3000),
    ("fan_start_mask_ms", 3000, 1000, 15000),
    ("fan_stall_percent", 20, 5, 60),
    ("fan_stall_s", 5, 1, 60),
    ("fan_shortest_run_s", 30, 0, 600),
    ("fan_shortest_pause_s", 30, 0, 120),
    ("intake_warmer_centi_c", 200, 50, 1000),
    ("case_notice_centi_c", 4500, 3500, 5500),
    ("case_urgent_centi_c", 5500, 4000, 6000),
    ("case_stop_centi_c", 6000, 4500, 6500),
    ("case_clear_centi_c", 200, 50, 1000),
)

# (minimum, maximum, coefficient, setting, coefficient, setting, ...): the sum of the products must lie between the two.
# meanings.RELATIONS has the reason of each, in the same order.
RELATIONS = (
    (50, 2400, 1, "low_notice_mv", -1, "low_urgent_mv"),
    (50, 2400, 1, "low_urgent_mv", -1, "low_stop_mv"),
    (0, 600, 1, "low_notice_s", -1, "low_urgent_s"),
    (0, 600, 1, "low_urgent_s", -1, "low_stop_s"),
    (10000, 12700, 1, "low_notice_mv", 1, "low_clear_mv"),
    (100, 2600, 1, "spare_mv", -1, "low_stop_mv"),
    (13800, 16000, 1, "over_mv", -25, "over_mv_per_c"),
    (200, 1000, 1, "fan_on_centi_c", -1, "fan_off_centi_c"),
    (100, 3000, 1, "fan_full_centi_c", -1, "fan_on_centi_c"),
    (0, 15000, 1, "fan_start_mask_ms", -1, "fan_start_pulse_ms"),
    (0, 600000, 1000, "fan_shortest_run_s", -1, "fan_start_mask_ms", -1000, "fan_stall_s"),
    (100, 5000, 1, "case_notice_centi_c", -1, "fan_on_centi_c"),
    (0, 5000, 1, "case_notice_centi_c", -1, "case_clear_centi_c", -1, "fan_on_centi_c"),
    (100, 3500, 1, "case_urgent_centi_c", -1, "case_notice_centi_c"),
    (100, 3500, 1, "case_stop_centi_c", -1, "case_urgent_centi_c"),
    (100, 3000, 1, "battery_hot_centi_c", -1, "battery_warm_centi_c"),
    (100, 3000, 1, "battery_urgent_centi_c", -1, "battery_hot_centi_c"),
    (100, 3000, 1, "battery_stop_centi_c", -1, "battery_urgent_centi_c"),
)
_MIN_FULL_SCALE_MV = 16500  # so that every overvoltage limit can be measured
_MIN_SPAN = 1000  # between the two points of a calibration, in mV, mA or centi-C
_MAX_OFFSET = 1000


def defaults() -> dict[str, int]:
    """New settings dictionary with every default."""
    return {name: default for name, default, _, _ in SETTINGS}


def range_of(name: str) -> tuple[int, int] | None:
    """(low, high) compiled in for `name`; None for a name that is no setting."""
    for setting in SETTINGS:
        if setting[0] == name:
            return setting[2], setting[3]
    return None


def refusal(name: str, value: int, current: dict[str, int]) -> str:
    """Why `value` may not be set for `name` beside the `current` settings; "" when it may."""
    return refusal_of_all({name: value}, current)


def refusal_of_all(changes: dict[str, int], current: dict[str, int]) -> str:
    """Why these `changes` may not be made together; "" when they may.

    Names, types, compiled-in ranges and the relations between settings are checked, in that order.
    """
    for name, value in changes.items():
        bounds = range_of(name)
        if bounds is None:
            return "no setting is called %s" % name
        if not isinstance(value, int) or isinstance(value, bool):
            return "%s wants a whole number" % name
        if not bounds[0] <= value <= bounds[1]:
            return "%s is %d; wants %d to %d" % (name, value, bounds[0], bounds[1])
    values = dict(current)
    values.update(changes)
    return contradiction(values)[0]


def calibration(channel: str, point: int, raw: int, true_value: int) -> dict[str, int]:
    """The two settings to change when `channel` reads `raw` uncorrected and a trusted instrument shows `true_value`."""
    unit = UNITS[channel]
    return {"%s_raw%d_%s" % (channel, point, unit): raw, "%s_true%d_%s" % (channel, point, unit): true_value}


def sum_of(relation: tuple[int | str, ...]) -> str:
    """The sum of one of RELATIONS in words: "fan_on_centi_c minus fan_off_centi_c"."""
    text = ""
    for i in range(2, len(relation), 2):
        coefficient = int(relation[i])
        if text:
            text += " minus " if coefficient < 0 else " plus "
        text += ("%d " % abs(coefficient) if abs(coefficient) != 1 else "") + str(relation[i + 1])
    return text


def contradiction(s: dict[str, int]) -> tuple[str, tuple[str, ...]]:
    """The first relation that settings `s` break and the settings in it; "" and none when they break none."""
    for relation in RELATIONS:
        total = 0
        for i in range(2, len(relation), 2):
            total += int(relation[i]) * s[str(relation[i + 1])]
        if not int(relation[0]) <= total <= int(relation[1]):
            reason = "%s is %d; wants %d to %d" % (sum_of(relation), total, int(relation[0]), int(relation[1]))
            return reason, tuple(str(relation[i + 1]) for i in range(2, len(relation), 2))
    if not s["voltage_monitor_kind"] and not s["check_adc_fitted"]:
        reason = "voltage_monitor_kind and check_adc_fitted are both 0; one must measure"
        return reason, ("voltage_monitor_kind", "check_adc_fitted")
    if s["current_fitted"] and not s["voltage_monitor_kind"]:
        reason = "current_fitted is 1 and voltage_monitor_kind is 0; the shunt monitor measures the current"
        return reason, ("current_fitted", "voltage_monitor_kind")
    if OUTPUT_KINDS[s["output2_kind"]] == "essential":
        reason = "output2_kind is 1; output 2 is off while the board starts: wire essential loads to output 1"
        return reason, ("output2_kind",)
    full_mv = s["reference_mv"] * s["divider_ratio_e3"] // 1000
    if full_mv < _MIN_FULL_SCALE_MV:
        reason = "reference_mv by divider_ratio_e3 reaches %d mV; wants %d" % (full_mv, _MIN_FULL_SCALE_MV)
        return reason, ("reference_mv", "divider_ratio_e3")
    for channel, unit in UNITS.items():
        names = tuple("%s_%s_%s" % (channel, point, unit) for point in ("raw1", "true1", "raw2", "true2"))
        reason = _bad_line(channel, *[s[name] for name in names])
        if reason:
            return reason, names
    return "", ()


def _bad_line(channel: str, raw1: int, true1: int, raw2: int, true2: int) -> str:
    """Why a channel's two points make no calibration: too near each other, or further off than wiring explains."""
    span = raw2 - raw1
    if span < _MIN_SPAN:
        return "%s calibration: second point reads %d above first; wants %d" % (channel, span, _MIN_SPAN)
    if abs(true2 - true1 - span) * 8 > span:
        return "%s calibration: slope of %d in %d is off by more than an eighth" % (channel, true2 - true1, span)
    if abs(true1 - raw1) > _MAX_OFFSET or abs(true2 - raw2) > _MAX_OFFSET:
        return "%s calibration: corrects by more than %d" % (channel, _MAX_OFFSET)
    return ""

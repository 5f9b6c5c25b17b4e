"""The thermostat's precedence, hysteresis and least times."""

from bench import limits

from core.thermostat import Thermostat
from groundbox.wire.messages import UNKNOWN

COLD = 2500
BAND = 3300
WARM = 3600
HOT = 4500
FRESH = 0
LOST = 5000


def step(thermostat, case, seconds=1, age_ms=FRESH, intake=UNKNOWN, charging=0, fan_fault=False):
    for _ in range(seconds):
        thermostat.step(1000, case, age_ms, intake, charging, fan_fault)
    return thermostat.percent


def started(**changes):
    """A thermostat whose fans have just started."""
    thermostat = Thermostat(limits(**changes))
    assert step(thermostat, WARM) == 100
    return thermostat


def test_on_at_its_limit_off_at_the_other():
    thermostat = Thermostat(limits())
    assert step(thermostat, 3499, 100) == 0
    assert step(thermostat, 3500) == 100
    assert step(thermostat, 3101, 100) == 100
    assert step(thermostat, 3100) == 0


def test_inside_the_band_nothing_ever_flips():
    for start in (COLD, WARM):
        thermostat = Thermostat(
            limits(fan_shortest_run_s=2, fan_start_mask_ms=1000, fan_stall_s=1, fan_shortest_pause_s=0)
        )
        first = step(thermostat, start)
        case = 3101
        for _ in range(398):
            assert step(thermostat, case) == first
            case += 1
        for _ in range(398):
            assert step(thermostat, case - 1) == first
            case -= 1


def test_shortest_run_and_pause():
    thermostat = started()
    assert step(thermostat, COLD, 29) == 100
    assert step(thermostat, COLD) == 0
    assert step(thermostat, WARM, 29) == 0
    assert step(thermostat, WARM) == 100


def test_no_pause_is_owed_at_the_start():
    assert step(Thermostat(limits()), WARM) == 100


def test_a_lost_case_sensor_overrides_everything():
    thermostat = Thermostat(limits())
    assert step(thermostat, COLD, age_ms=LOST - 1) == 0
    assert step(thermostat, UNKNOWN, age_ms=LOST) == 100
    # In its pause, and with the intake hotter, all the same.
    thermostat = started()
    step(thermostat, COLD, 30)
    assert thermostat.percent == 0
    assert step(thermostat, UNKNOWN, age_ms=LOST, intake=9000) == 100


def test_a_case_not_read_for_less_than_five_seconds_changes_nothing():
    thermostat = started()
    assert step(thermostat, UNKNOWN, 4, age_ms=LOST - 1000) == 100
    step(thermostat, COLD, 30)
    assert step(thermostat, UNKNOWN, 4, age_ms=LOST - 1000) == 0


def test_a_start_blows_fully_until_there_is_something_to_judge_by():
    thermostat = Thermostat(limits())
    assert thermostat.percent == 100
    assert step(thermostat, UNKNOWN, 4, age_ms=0) == 100
    assert step(thermostat, COLD) == 0
    assert step(thermostat, WARM) == 100, "the start owes no pause"


def test_the_hot_limit_overrides_pause_and_intake():
    thermostat = started()
    step(thermostat, COLD, 30)
    assert thermostat.percent == 0
    assert step(thermostat, HOT, intake=HOT + 1000) == 100
    assert thermostat.case_heat == 1


def test_the_hot_limit_holds_over_its_gap():
    thermostat = Thermostat(limits(fan_mode=1, fan_full_centi_c=6000))
    assert step(thermostat, HOT) == 100
    assert step(thermostat, HOT - 200) == 100
    assert step(thermostat, HOT - 201) < 100


def test_heat_levels_rise_at_their_limits_and_fall_two_degrees_lower():
    thermostat = Thermostat(limits())
    for case, level in (
        (4499, 0),
        (4500, 1),
        (5499, 1),
        (5500, 2),
        (5999, 2),
        (6000, 3),
        (5801, 3),
        (5800, 3),
        (5799, 2),
    ):
        step(thermostat, case)
        assert thermostat.case_heat == level, case
    step(thermostat, 5299)
    assert thermostat.case_heat == 1
    step(thermostat, 4299)
    assert thermostat.case_heat == 0
    step(thermostat, 9000)
    assert thermostat.case_heat == 3


def test_a_lost_case_sensor_does_not_clear_the_heat():
    thermostat = Thermostat(limits())
    step(thermostat, 5600)
    step(thermostat, UNKNOWN, 100, age_ms=LOST)
    assert thermostat.case_heat == 2


def test_charging_runs_at_least_at_the_lowest_speed_pause_or_not():
    thermostat = Thermostat(limits())
    assert step(thermostat, COLD, charging=1) == 30
    thermostat = started()
    assert step(thermostat, COLD, 30) == 0
    assert step(thermostat, COLD, charging=1) == 30
    assert step(thermostat, WARM, 30, charging=1) == 100
    # Its end does: the fans have run long enough here, so they stop, and then pause.
    assert step(thermostat, COLD, 31) == 0


def test_what_charging_started_stays_slow_and_runs_its_least_time():
    thermostat = Thermostat(limits())
    assert step(thermostat, COLD, 10, charging=1) == 30
    assert step(thermostat, COLD, 20) == 30
    assert step(thermostat, COLD) == 0


def test_a_warm_intake_caps_the_speed():
    thermostat = started()
    assert step(thermostat, WARM, intake=WARM + 199) == 100
    assert step(thermostat, WARM, intake=WARM + 200) == 30
    assert step(thermostat, WARM, intake=WARM + 101) == 30
    assert step(thermostat, WARM, intake=WARM + 99) == 100
    assert step(thermostat, WARM, intake=UNKNOWN) == 100


def test_a_warm_intake_with_charging_still_runs_at_the_lowest_speed():
    thermostat = Thermostat(limits())
    assert step(thermostat, COLD, intake=COLD + 500, charging=1) == 30


def test_a_warm_intake_starts_nothing():
    assert step(Thermostat(limits()), COLD, 100, intake=COLD + 1000) == 0


def test_an_intake_fault_forces_nothing():
    thermostat = Thermostat(limits())
    assert step(thermostat, COLD, 100, intake=UNKNOWN) == 0


def test_a_stalled_fan_means_full_while_air_is_wanted_and_no_least_times():
    thermostat = Thermostat(limits(fan_mode=1))
    assert step(thermostat, WARM) < 100
    assert step(thermostat, WARM, fan_fault=True) == 100
    assert step(thermostat, COLD, fan_fault=True) == 0
    assert step(thermostat, WARM, fan_fault=True) == 100
    assert step(thermostat, WARM, intake=WARM + 1000, fan_fault=True) == 100
    assert step(thermostat, COLD, charging=1, fan_fault=True) == 100


def test_in_proportion():
    thermostat = Thermostat(limits(fan_mode=1))
    assert step(thermostat, 3400, 10) == 0
    assert step(thermostat, 3500) == 30
    assert step(thermostat, 3900) == 65
    assert step(thermostat, 4300) == 100
    assert step(thermostat, 4400) == 100
    assert step(thermostat, 3200, 60) == 30
    assert step(thermostat, 3100) == 0


def test_changed_settings_count_at_once():
    own = limits()
    thermostat = Thermostat(own)
    assert step(thermostat, 3000, 100) == 0
    own.take({"fan_on_centi_c": 2900, "fan_off_centi_c": 2500})
    assert step(thermostat, 3000) == 100


def test_the_order_of_precedence():
    """Each row: what applies, and what must come of it; every row wins over all below it."""
    rows = (
        # case, age, intake, charging, fault, wanted before -> percent
        (COLD, LOST, 9000, 0, False, False, 100),  # case sensor lost
        (HOT, FRESH, 9000, 0, False, False, 100),  # hot limit
        (HOT, FRESH, 9000, 1, True, True, 100),
        (COLD, FRESH, 9000, 1, True, False, 100),  # fan fault, while charging asks for air
        (COLD, FRESH, 9000, 1, False, False, 30),  # charging
        (WARM, FRESH, 9000, 1, False, True, 30),
        (WARM, FRESH, 9000, 0, False, True, 30),  # intake warmer
        (COLD, FRESH, 9000, 0, False, True, 30),  # ... than least run
        (COLD, FRESH, UNKNOWN, 0, False, True, 100),  # least run
        (WARM, FRESH, UNKNOWN, 0, False, False, 100),  # thermostat
        (BAND, FRESH, UNKNOWN, 0, False, True, 100),
        (BAND, FRESH, UNKNOWN, 0, False, False, 0),
        (COLD, FRESH, UNKNOWN, 0, False, False, 0),
    )
    for case, age_ms, intake, charging, fault, before, percent in rows:
        thermostat = started() if before else Thermostat(limits())
        assert step(thermostat, case, 1, age_ms, intake, charging, fault) == percent, (case, age_ms, intake, before)

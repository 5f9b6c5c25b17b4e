"""Raw numbers to millivolts, milliamperes and hundredths of a degree; which voltage source is used."""

from bench import limits, ntc_counts, settings

from core import conversion
from core.conversion import Calibration
from core.interface import Inputs, Outputs, SampleRing
from core.supply import Supply
from core.thermometer import Thermometer
from core.voltage import Accumulator
from groundbox.wire.messages import SENSOR_STATES, UNKNOWN


def test_window_reduces_what_came_since_the_last_take():
    window = SampleRing()
    window.take()
    assert window.count == 0
    for raw in (40000, 39000, 41000):
        window.put(raw)
    window.take()
    assert (window.count, window.total, window.low, window.high) == (3, 120000, 39000, 41000)
    window.put(65535)
    window.take()
    assert (window.count, window.total, window.low, window.high) == (1, 65535, 65535, 65535)


def test_window_keeps_what_fits_and_goes_on():
    window = SampleRing()
    for i in range(1500):
        window.put(i)
        if i % 100 == 99:
            window.take()
            assert (window.count, window.low, window.high) == (100, i - 99, i)
    for _ in range(5000):
        window.put(7)
    window.take()
    assert window.count < 512
    assert window.total == 7 * window.count


def test_means():
    means = Accumulator()
    for value in (-3, 5, 5):
        means.put(value)
    assert (means.count, means.mean(), means.low, means.high) == (3, 2, -3, 5)
    means.clear()
    assert means.count == 0


def test_calibration_goes_through_its_two_points():
    values = settings(voltage_raw1_mv=11020, voltage_true1_mv=11000, voltage_raw2_mv=14100, voltage_true2_mv=14000)
    line = Calibration(values, "voltage", "mv")
    assert line.true(11020) == 11000
    assert line.true(14100) == 14000
    assert abs(line.true(12560) - 12500) <= 1
    values = settings(current_raw1_ma=-20, current_true1_ma=0, current_raw2_ma=5050, current_true2_ma=5000)
    line = Calibration(values, "current", "ma")
    assert line.true(-20) == 0
    assert line.true(5050) == 5000
    assert abs(line.true(-5090) + 5000) <= 2


def test_ntc_rows_come_out_exactly_and_between_them_it_falls():
    for kind in (1, 2):
        table = conversion.thermistor_table(kind, 10000)
        for i in range(len(table)):
            assert conversion.thermistor_centi_c(table, table[i]) == -4000 + 500 * i
        last = 20000
        for raw in range(table[-1], table[0] + 1, 97):
            centi_c = conversion.thermistor_centi_c(table, raw)
            assert centi_c <= last
            last = centi_c
        assert conversion.thermistor_centi_c(table, table[0] + 1) == UNKNOWN
        assert conversion.thermistor_centi_c(table, table[-1] - 1) == UNKNOWN


def test_onewire_scratchpads():
    assert conversion.scratchpad_raw(bytes((0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0x1C))) == 1360
    assert conversion.scratchpad_raw(bytes((0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0x1D))) == UNKNOWN
    assert conversion.scratchpad_raw(bytes((0x51, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0x1C))) == UNKNOWN
    assert conversion.scratchpad_raw(bytes([255] * 9)) == UNKNOWN
    assert conversion.scratchpad_raw(bytes(9)) == conversion.SHORTED


class Bench:
    """A Supply and what it is fed, second by second."""

    def __init__(self, **changes):
        self.inputs = Inputs()
        self.supply = Supply(limits(**changes))
        self.noise = 0

    def run(self, bus_mv, adc_mv, seconds=1, ma=2000, noise=1, dip_mv=None):
        inputs = self.inputs
        for _ in range(seconds):
            for i in range(10):
                self.noise ^= noise
                inputs.monitor_bus = bus_mv if bus_mv == UNKNOWN else bus_mv * 4 // 5 + self.noise
                inputs.monitor_shunt = ma if ma == UNKNOWN else (ma * 4 // 5 + self.noise) & 0xFFFF
                if adc_mv != UNKNOWN:
                    for _ in range(49):
                        inputs.window.put(adc_mv * 65535 // 18000 + self.noise)
                    last = dip_mv if dip_mv is not None and i == 4 else adc_mv
                    inputs.window.put(last * 65535 // 18000 + self.noise)
                self.supply.sense(inputs)
            self.supply.settle(1000)
        return self.states()

    def states(self):
        supply = self.supply
        return tuple([SENSOR_STATES[c.state] for c in (supply.battery, supply.check, supply.current)])


def test_a_healthy_battery():
    bench = Bench()
    assert bench.run(12000, 12000, 3) == ("ok", "ok", "ok")
    supply = bench.supply
    assert abs(supply.battery_mv - 12000) <= 2
    assert abs(supply.check_mv - 12000) <= 2
    assert abs(supply.battery_ma - 2000) <= 2
    assert supply.battery_min_mv <= supply.battery_mv <= supply.battery_max_mv
    assert supply.low_mv == supply.high_mv == supply.battery_mv


def test_a_dip_of_one_fast_sample_shows_in_the_minimum():
    bench = Bench()
    bench.run(12000, 12010, 1, dip_mv=9000)
    assert abs(bench.supply.battery_min_mv - 8990) <= 20  # as deep under the mean as the fast samples saw
    assert abs(bench.supply.battery_mv - 12000) <= 2
    assert bench.supply.battery_max_mv - bench.supply.battery_mv <= 20


def test_charging_current_is_negative():
    bench = Bench()
    bench.run(13500, 13500, 1, ma=-3000)
    assert abs(bench.supply.battery_ma + 3000) <= 2
    assert bench.supply.battery_min_ma <= bench.supply.battery_ma <= bench.supply.battery_max_ma


def test_a_silent_monitor_leaves_the_check_to_speak():
    bench = Bench()
    bench.run(12000, 12005, 3)
    assert bench.run(UNKNOWN, 12005, 5, ma=UNKNOWN) == ("silent", "ok", "silent")
    assert abs(bench.supply.battery_mv - 12005) <= 2
    assert bench.supply.battery_ma == UNKNOWN


def test_a_second_without_the_monitor_is_the_checks():
    bench = Bench()
    bench.run(12000, 12000, 5)
    bench.run(UNKNOWN, 11500)
    assert abs(bench.supply.battery_mv - 11500) <= 2
    bench.run(UNKNOWN, UNKNOWN)
    assert abs(bench.supply.battery_mv - 12000) <= 2
    bench.run(12000, UNKNOWN)
    assert abs(bench.supply.battery_mv - 12000) <= 2


def test_an_open_sense_lead_and_an_open_fuse():
    bench = Bench()
    assert bench.run(5, 12000, 2) == ("open", "ok", "ok")
    assert abs(bench.supply.battery_mv - 12000) <= 2
    assert bench.run(5, 5, 2) == ("open", "open", "ok")
    assert (bench.supply.battery_mv, bench.supply.battery_min_mv, bench.supply.low_mv) == (UNKNOWN,) * 3


def test_a_divider_stuck_at_the_top_is_out_of_range():
    bench = Bench()
    for _ in range(20):
        bench.inputs.window.put(65535)
        bench.inputs.monitor_bus = 9600
        bench.supply.sense(bench.inputs)
        bench.supply.settle(1000)
    assert bench.states()[1] == "range"


def test_what_counts_as_nothing_there_and_as_too_much():
    for mv, state in ((990, "open"), (1010, "ok"), (30990, "ok"), (31010, "range")):
        assert Bench(check_adc_fitted=0).run(mv, UNKNOWN, 2)[0] == state, mv


def test_extremes_stay_within_the_registry():
    bench = Bench()
    bench.run(1100, 12000, 1, dip_mv=2000)
    assert bench.supply.battery_min_mv == 0
    for _ in range(10):
        bench.inputs.window.put(1000 * 65535 // 18000)
        bench.inputs.window.put(17000 * 65535 // 18000)
    bench.run(30900, 1000, 1)
    assert bench.supply.battery_max_mv == 32000
    bench.run(12000, 12000, 1, ma=31500)
    assert bench.supply.battery_max_ma <= 32000
    assert bench.run(12000, 12000, 3, ma=33000)[2] == "range"


def test_a_rise_shows_in_the_maximum():
    bench = Bench()
    bench.run(12000, 12000, 1, dip_mv=14000)
    assert abs(bench.supply.battery_max_mv - 14000) <= 20
    assert bench.supply.battery_mv - bench.supply.battery_min_mv <= 50


def test_sources_disagree_after_their_time_and_agree_again():
    bench = Bench()
    bench.run(12000, 12000, 3)
    bench.run(12000, 12149, 100)
    assert not bench.supply.disagree
    bench.run(12000, 12153, 9)
    assert not bench.supply.disagree
    bench.run(12000, 12153, 1)
    assert bench.supply.disagree
    assert abs(bench.supply.low_mv - 12000) <= 2
    assert abs(bench.supply.high_mv - 12153) <= 2
    bench.run(12000, 12000, 9)
    assert bench.supply.disagree
    bench.run(12000, 12000, 1)
    assert not bench.supply.disagree


def test_a_source_that_starts_late_does_not_disagree():
    bench = Bench(disagree_s=2)
    for _ in range(4):
        bench.run(UNKNOWN, 12000)
        assert not bench.supply.disagree
        assert bench.supply.low_mv in (UNKNOWN, bench.supply.battery_mv)
    bench.run(12000, 12000, 10)
    assert not bench.supply.disagree


def test_what_is_taken_out_by_the_settings_says_nothing_more():
    bench = Bench()
    bench.run(12000, 12300, 20)
    assert bench.supply.disagree
    values = settings(check_adc_fitted=0, current_fitted=0)
    bench.supply._limits.take(values)
    bench.supply.apply()
    assert bench.run(12000, UNKNOWN) == ("ok", "absent", "absent")
    supply = bench.supply
    assert (supply.check_mv, supply.battery_ma, supply.battery_max_ma, supply.disagree) == (UNKNOWN,) * 3 + (False,)
    assert bench.run(UNKNOWN, UNKNOWN, 6) == ("silent", "absent", "absent")
    assert supply.battery_mv == UNKNOWN
    bench.supply._limits.take(settings())
    bench.supply.apply()
    assert bench.run(12000, 12000, 4) == ("ok", "ok", "ok")


def test_a_frozen_monitor_differs_from_a_quiet_battery():
    bench = Bench()
    assert bench.run(12000, 12000, 400, noise=0)[0] == "ok"
    assert bench.run(12000, 11890, 300, noise=0)[0] == "ok"
    assert bench.run(12000, 11890, 1, noise=0)[0] == "frozen"
    assert abs(bench.supply.battery_mv - 11890) <= 2
    assert bench.run(11880, 11890, 3, noise=1)[0] == "ok"


def test_a_frozen_current_differs_from_a_steady_one():
    bench = Bench()
    for mv in range(12500, 12250, -50):
        assert bench.run(mv, mv, 100, noise=0)[2] == "ok"
    assert bench.run(12100, 12100, 303, noise=0)[2] == "frozen"


def test_without_monitor_the_divider_is_the_primary():
    bench = Bench(voltage_monitor_kind=0, current_fitted=0)
    assert bench.run(UNKNOWN, 12000, 3, dip_mv=10000) == ("ok", "absent", "absent")
    assert abs(bench.supply.battery_mv - 12000) <= 10
    assert abs(bench.supply.battery_min_mv - 10000) <= 10


def test_without_divider_the_monitor_tells_the_extremes():
    bench = Bench(check_adc_fitted=0)
    assert bench.run(12000, UNKNOWN, 3) == ("ok", "absent", "ok")
    assert abs(bench.supply.battery_min_mv - 12000) <= 2


def test_ina219_reads_alike():
    bench = Bench(voltage_monitor_kind=2)
    bench.inputs.monitor_bus = 0x5D98
    bench.inputs.monitor_shunt = 2000
    bench.supply.sense(bench.inputs)
    bench.supply.settle(1000)
    assert (bench.supply.battery_mv, bench.supply.battery_ma) == (11980, 10000)


def warm(thermometer, raw, seconds=1, rival=UNKNOWN, noise=0):
    for i in range(seconds):
        for k in range(10):
            thermometer.put(raw + (i + k) * noise % 2)
        thermometer.settle(1000, rival)
    return SENSOR_STATES[thermometer.channel.state]


def test_thermistor_faults_have_different_names():
    raw = ntc_counts(2500)
    assert warm(Thermometer(limits(), "case"), raw, 5) == "ok"
    assert warm(Thermometer(limits(), "case"), 65535, 5) == "open"
    assert warm(Thermometer(limits(), "case"), 65000, 5) == "open"
    assert warm(Thermometer(limits(), "case"), 0, 5) == "shorted"
    assert warm(Thermometer(limits(), "case"), 900, 5) == "shorted"
    assert warm(Thermometer(limits(), "case"), 64300, 5) == "range"
    assert warm(Thermometer(limits(), "case"), 1900, 5) == "range"


def test_a_plug_half_out_is_open_though_most_samples_are_good():
    thermometer = Thermometer(limits(), "case")
    warm(thermometer, ntc_counts(2500), 5)
    for _ in range(2):
        for k in range(10):
            thermometer.put(65535 if k == 3 else ntc_counts(2500))
        thermometer.settle(1000, UNKNOWN)
    assert SENSOR_STATES[thermometer.channel.state] == "open"


def test_a_frozen_thermistor():
    thermometer = Thermometer(limits(), "case")
    raw = ntc_counts(2500)
    assert warm(thermometer, raw, 5000, 2500) == "ok"
    assert warm(thermometer, raw, 303, 2900) == "frozen"
    thermometer = Thermometer(limits(), "case")
    warm(thermometer, raw, 10, 2500)
    assert warm(thermometer, raw, 3000, 2900, noise=1) == "ok"


def test_a_battery_block_is_given_four_times_as_long():
    thermometer = Thermometer(limits(), "battery")
    raw = ntc_counts(2500)
    warm(thermometer, raw, 10, 2500)
    assert warm(thermometer, raw, 1190, 2900) == "ok"
    assert warm(thermometer, raw, 13, 2900) == "frozen"


def test_onewire_sensor():
    thermometer = Thermometer(limits(case_sensor_kind=3), "case")
    assert warm(thermometer, 401) == "ok"
    assert thermometer.channel.value == 2506  # 25.0625 C
    assert warm(thermometer, conversion.SHORTED, 2) == "shorted"
    assert warm(thermometer, 401, 3) == "ok"
    assert warm(thermometer, -880, 2) == "range"
    assert warm(thermometer, 2001, 2) == "range"


def test_power_on_value_is_no_temperature_unless_it_is_that_hot():
    thermometer = Thermometer(limits(case_sensor_kind=3), "case")
    warm(thermometer, 401, 3)
    assert warm(thermometer, 1360) == "ok"
    assert thermometer.channel.value == 2506
    assert warm(thermometer, 1360) == "frozen"
    thermometer = Thermometer(limits(case_sensor_kind=3), "case")
    assert warm(thermometer, 1360, 2) == "frozen"
    thermometer = Thermometer(limits(case_sensor_kind=3), "case")
    warm(thermometer, 1300, 3)
    assert warm(thermometer, 1360, 3) == "ok"
    assert thermometer.channel.value == 8500


def test_calibrated_temperature():
    changes = {"case_raw1_centi_c": 20, "case_true1_centi_c": 0, "case_raw2_centi_c": 5020, "case_true2_centi_c": 5000}
    thermometer = Thermometer(limits(**changes), "case")
    warm(thermometer, ntc_counts(3000))
    assert abs(thermometer.channel.value - 2980) <= 2
    assert abs(thermometer.plain - 3000) <= 2


def test_absent_and_fitted_later():
    own = limits(intake_sensor_kind=0)
    thermometer = Thermometer(own, "intake")
    assert warm(thermometer, 30000, 10) == "absent"
    values = dict(own.settings)
    values["intake_sensor_kind"] = 1
    own.take(values)
    thermometer.apply()
    assert warm(thermometer, ntc_counts(2500)) == "ok"
    assert abs(thermometer.channel.value - 2500) <= 2


def test_the_shunt_register_is_twos_complement():
    """Data sheets, shunt voltage register: 2.5 uV (INA226) and 10 uV (INA219) an LSB, 0x8000 and above negative."""
    for register, value in ((0, 0), (1, 1), (0x7FFF, 32767), (0x8000, -32768), (0xC000, -16384), (0xFFFF, -1)):
        assert conversion.shunt_ma(1, register, 2500) == value, register
        assert conversion.shunt_ma(2, register, 10000) == value, register
    assert conversion.shunt_ma(1, 0x8000, 200) == -409600
    assert conversion.shunt_ma(2, 800, 2000) == 4000


def test_the_bus_register_of_each_kind():
    """1.25 mV an LSB (INA226); 4 mV an LSB above three flag bits (INA219)."""
    assert conversion.bus_mv(1, 9600) == 12000
    assert conversion.bus_mv(1, 0xFFFF) == 81918
    for flags in range(8):
        assert conversion.bus_mv(2, 3000 << 3 | flags) == 12000


def test_a_rival_must_move_by_3_k_before_a_thermistor_counts_as_frozen():
    for rival, state in ((2799, "ok"), (2800, "frozen")):
        thermometer = Thermometer(limits(), "case")
        warm(thermometer, ntc_counts(2500), 10, 2500)
        assert warm(thermometer, ntc_counts(2500), 1000, rival) == state, rival


def test_a_shorted_data_line_has_a_number_below_every_temperature():
    assert conversion.scratchpad_raw(bytes(9)) == -32767


def test_before_the_first_step_fans_are_off_and_outputs_on():
    outputs = Outputs()
    assert (outputs.fan1_percent, outputs.fan2_percent, outputs.fan3_percent, outputs.fan4_percent) == (0, 0, 0, 0)
    assert (outputs.output1_on, outputs.output2_on, outputs.buzzer, outputs.lamp) == (1, 1, 0, 0)

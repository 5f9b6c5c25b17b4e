"""Sizing: properties where no published number exists, and the errors of a wrong box file."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from msgspec import to_builtins

from groundbox.errors import BadInput
from groundbox.plan.size.air import SizeCase, fan_flow_m3_h, flow_m3_h, minutes_to, settled_c, size_air
from groundbox.plan.size.all_parts import size_box
from groundbox.plan.size.battery import TYPICAL_ROWS, DutyPeriod, rating_factor, section_sizes, size_battery
from groundbox.plan.size.box_file import SizeAir, SizeDivider, SizeParts, load_box
from groundbox.plan.size.fuse import FuseBranch, opens_after_s, size_fuse
from groundbox.plan.size.sensor import size_divider, size_hold_up, size_tachometer, size_thermistor
from groundbox.plan.size.wire import CARRIES_AMPS, WireRun, area_mm2, carries_amps, size_wire
from groundbox.ui.cmd_size import command

EXAMPLE = Path(__file__).parents[3] / "host" / "groundbox" / "examples" / "bog_mast_box.toml"


def test_more_load_never_needs_less() -> None:
    needs = [size_battery([DutyPeriod(amps=amps, minutes=90)]).values["needed_ah"] for amps in (0.5, 1, 2, 4)]
    assert needs == sorted(needs)


def test_a_load_dropped_at_the_end_does_not_shrink_the_battery() -> None:
    early = size_battery([DutyPeriod(amps=5, minutes=30)])
    longer = size_battery([DutyPeriod(amps=5, minutes=30), DutyPeriod(amps=0.01, minutes=600)])
    assert longer.values["needed_ah"] >= early.values["needed_ah"]


def test_a_load_at_any_time_is_added_to_the_worst_section() -> None:
    plain = size_battery([DutyPeriod(amps=1, minutes=60)])
    more = size_battery([DutyPeriod(amps=1, minutes=60)], anytime=DutyPeriod(amps=3, minutes=1))
    assert more.values["needed_ah"] > plain.values["needed_ah"]


def test_each_change_of_load_counts_from_there_to_the_end_of_its_section() -> None:
    """IEEE 485: 2 A for an hour, then 1 A for half an hour; by hand."""
    hour, ninety, half = (rating_factor(minutes, TYPICAL_ROWS, 17.0) for minutes in (60, 90, 30))
    duty = [DutyPeriod(amps=2, minutes=60), DutyPeriod(amps=1, minutes=30)]
    assert section_sizes(duty, TYPICAL_ROWS, 17.0) == pytest.approx([2 * hour, 2 * ninety - half])


def test_a_conductor_carries_what_its_row_states_and_a_thinner_one_less() -> None:
    assert [carries_amps(mm2) for mm2, _ in CARRIES_AMPS] == [amps for _, amps in CARRIES_AMPS]
    assert [carries_amps(mm2) for mm2 in (0.1, 0.49, 0.5, 0.74)] == [1.25, 2.5, 6.0, 6.0]


def test_too_thin_a_wire_is_a_problem() -> None:
    result = size_wire("servos", WireRun(one_way_m=20, amps=1, stall_amps=5, awg=24))
    assert result.stop
    assert "problem: " in result.answer


def test_asked_for_a_gauge_the_thinnest_that_serves_is_named() -> None:
    run = WireRun(one_way_m=5, amps=2, stall_amps=4)
    result = size_wire("x", run)
    assert not result.stop
    assert result.values["load_volts_at_peak"] >= run.lowest_volts


def test_fuse_faults() -> None:
    good = FuseBranch(amps=2, wire_carries_amps=10, start_amps=6, start_s=0.05)
    assert not size_fuse("x", good, battery_ah=7.2).stop
    for change, words in (
        ({"wire_carries_amps": 2.0}, "more than the wire carries"),
        ({"parent_amps": 4.0}, "not selective"),
        ({"fuse_to_post_cm": 40.0}, "unfused wire"),
        ({"powered_pairs": 2}, "need 2 fuses"),
        ({"interrupting_amps": 200.0}, "interrupts"),
        ({"rating_amps": 2.0}, "under the"),
        ({"rating_amps": 3.0, "start_amps": 20.0, "start_s": 1.0}, "starting current"),
    ):
        fields = {"amps": 2, "wire_carries_amps": 10, **change}
        result = size_fuse("x", FuseBranch(**fields), battery_ah=7.2)
        assert result.stop, change
        assert words in result.answer


def test_a_fuse_opens_sooner_the_more_flows() -> None:
    times = [opens_after_s(fraction, 2) for fraction in (1.4, 2, 3.5, 6)]
    assert times == sorted(times, reverse=True)
    assert opens_after_s(1.1, 2) is None


CASE = SizeCase(watts=50, intake_c=30, limit_c=45, fan_m3_h=25, fan_pa=20, opening_m2=0.003)


def test_no_fan_cools_under_the_intake_air() -> None:
    result = size_air(SizeCase(watts=5, intake_c=40, limit_c=38))
    assert result.stop
    assert "no fan can do this" in result.answer


def test_an_obstacle_costs_flow() -> None:
    clear = fan_flow_m3_h(CASE)
    for name in ("filter", "rain hood", "duct"):
        assert fan_flow_m3_h(CASE, obstacles=(name,)) < clear
    assert fan_flow_m3_h(CASE, fans=1) < clear < 25
    assert fan_flow_m3_h(CASE, fans=0) == 0


def test_time_to_overheat() -> None:
    hot = settled_c(CASE, fan_flow_m3_h(CASE))
    alone, none = minutes_to(CASE, fan_flow_m3_h(CASE, fans=1), hot), minutes_to(CASE, 0, hot)
    assert none is not None
    assert alone is None or alone > none
    assert minutes_to(CASE, 0, 60) == 0


def test_divider_faults() -> None:
    assert not size_divider(SizeDivider()).stop
    even, uneven = (
        size_divider(SizeDivider(adc_uneven_volts=volts)).values["worst_error_volts"] for volts in (0, 0.01)
    )
    assert uneven - even == pytest.approx(0.01 * 118 / 18)
    assert "full scale" in size_divider(SizeDivider(bottom_ohm=30e3)).answer
    assert "clamp" in size_divider(SizeDivider(top_ohm=10e3, bottom_ohm=1.8e3)).answer


def test_the_example_says_formula_source_and_numbers() -> None:
    results = size_box(load_box(EXAMPLE))
    topics = {result.topic for result in results}
    assert {"battery", "runtime", "air", "charging air", "battery divider", "hold-up capacitor"} <= topics
    for result in results:
        assert result.formula
        assert result.source
        assert result.numbers
    assert any("hydrogen" in caution for result in results for caution in result.cautions)


def test_runtime_bands_by_the_estimator() -> None:
    values = next(result.values for result in size_box(load_box(EXAMPLE)) if result.topic == "runtime")
    for state in ("new", "worn"):
        bands = [values[f"{state}_{name}_min"] for name in ("low", "expected", "high")]
        assert bands == sorted(bands)
    assert values["worn_expected_min"] < values["new_expected_min"]


def test_command_text_and_json() -> None:
    text = CliRunner().invoke(command, [str(EXAMPLE)])
    assert text.exit_code == 0
    assert text.output.startswith("RIGHT: every part fits\n")
    assert "formula" not in text.output
    assert "formula" in CliRunner().invoke(command, [str(EXAMPLE), "--formulas"]).output
    tree = json.loads(CliRunner().invoke(command, [str(EXAMPLE), "--json"]).output)
    assert tree["results"][0]["values"]["ordinary_ah"] > 0
    assert any("hydrogen" in caution for caution in tree["cautions"])


def _box(tmp_path: Path, text: str) -> Path:
    file = tmp_path / "box.toml"
    file.write_text(text)
    return file


def test_what_is_not_right_comes_first_and_ends_with_status_1(tmp_path: Path) -> None:
    file = _box(tmp_path, GOOD + '[[wire]]\nname = "main"\none_way_m = 1\namps = 20\nmm2 = 1.0\n')
    text = CliRunner().invoke(command, [str(file)])
    assert (text.exit_code, text.output.splitlines()[0]) == (1, "NOT RIGHT: change wire main")
    tree = CliRunner().invoke(command, [str(file), "--json"])
    assert (tree.exit_code, json.loads(tree.output)["verdict"]) == (1, "not_right")


def test_the_battery_named_lasts_to_the_box_s_own_cutoff(tmp_path: Path) -> None:
    """The section method ends at 1.75 V per cell (10.5 V); a cutoff of 11.6 V needs a larger battery."""
    text = 'name = "x"\ncutoff_volts = {}\n[[duty]]\namps = 3\nminutes = 300\n'
    named = []
    for volts in (10.5, 11.6):
        battery, runtime, *_ = size_box(load_box(_box(tmp_path, text.format(volts))))
        assert battery.values["ordinary_ah"] == runtime.numbers["battery_ah"]
        assert not battery.stop
        assert not runtime.stop, "the size that is named does not contradict its own runtime"
        named.append(battery.values["ordinary_ah"])
    assert named[1] > named[0]


def test_below_the_factors_of_the_standard_the_sheet_must_say(tmp_path: Path) -> None:
    cold = _box(tmp_path, GOOD + "[battery]\ncoldest_c = -10\n")
    battery = size_box(load_box(cold))[0]
    assert battery.stop
    assert "no factor is known below -3.9 °C" in battery.answer
    sheet = size_box(load_box(_box(tmp_path, GOOD + "[battery]\ncoldest_c = -10\ntemperature_factor = 1.7\n")))[0]
    assert not sheet.stop
    assert sheet.values["needed_ah"] == pytest.approx(battery.values["needed_ah"] * 1.7 / 1.52)


def test_a_wire_carries_its_fuse_and_a_battery_lead_is_never_thin(tmp_path: Path) -> None:
    text = GOOD + (
        '[[wire]]\nname = "main"\none_way_m = 0.3\namps = 0.5\n[[wire]]\nname = "load"\none_way_m = 0.3\namps = 2\n'
        '[[fuse]]\nname = "f"\nwire = "main"\namps = 0.5\n'
        '[[fuse]]\nname = "g"\nwire = "load"\namps = 2\nrating_amps = 15\nbehind = "f"\n'
    )
    found = {result.topic: result for result in size_box(load_box(_box(tmp_path, text)))}
    assert found["wire main"].values["mm2"] >= area_mm2(18) - 1e-9
    assert found["wire load"].values["carries_amps"] >= 15
    thin = text.replace("amps = 0.5\n[[wire]]", "amps = 0.5\nawg = 26\n[[wire]]")
    assert (
        "a battery's lead must be AWG 18"
        in {result.topic: result.answer for result in size_box(load_box(_box(tmp_path, thin)))}["wire main"]
    )


GOOD = 'name = "x"\n[[duty]]\namps = 1\nminutes = 60\n'


@pytest.mark.parametrize(
    ("text", "place", "fix"),
    [
        ("name = ", "", "is not TOML"),
        ('name = "x"', "duty", "is missing; type at least 1 of [[duty]] tables"),
        (GOOD.replace("amps = 1", "amps = -1"), "duty 1, amps", "amperes, 0 or more"),
        (GOOD.replace("amps = 1", 'amps = "1"'), "duty 1, amps", "without quotes"),
        (GOOD.replace("amps = 1", "amps = nan"), "duty 1, amps", "nan is not a number that can be used"),
        (GOOD.replace("minutes", "minuts"), "duty 1, minuts", "did you mean minutes (minutes, above 0)?"),
        (GOOD + "[battery]\ncell = 6", "battery.cell", "did you mean cells (a whole number, 1 to 24)?"),
        ("cutoff_volts = 13\n" + GOOD, "cutoff_volts", "lower it"),
        (GOOD + '[[wire]]\nname="a"\none_way_m=1\namps=1\n' * 2, "wire 2, name", "twice"),
        (GOOD + '[[fuse]]\nname="a"\namps=1\nwire="b"', "fuse 1, wire", "no wire"),
        (
            GOOD + '[air]\nwatts=1\nintake_c=1\nlimit_c=2\nobstacles=["fliter"]',
            "air.obstacles",
            'did you mean "filter"',
        ),
    ],
)
def test_a_wrong_file_is_an_error_with_place_and_fix(tmp_path: Path, text: str, place: str, fix: str) -> None:
    file = tmp_path / "box.toml"
    file.write_text(text)
    with pytest.raises(BadInput) as caught:
        load_box(file)
    assert caught.value.place == place
    assert fix in caught.value.problem
    assert str(caught.value).startswith(str(file))
    assert "\n" not in str(caught.value)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="cannot be read"):
        load_box(tmp_path / "none.toml")


def test_small_parts_by_hand() -> None:
    """Worked by hand: beta formula at 25 °C, 2.2 R C, and charge over voltage for the hold-up capacitor."""
    parts = SizeParts(ntc_beta_k=3950.0, hold_amps=0.05, hold_s=0.08, hold_from_volts=11.0, hold_to_volts=7.0)
    thermistor = size_thermistor(parts).values
    assert thermistor["fraction_at_25c"] == pytest.approx(0.5)
    assert thermistor["fraction_per_k_at_25c"] == pytest.approx(0.25 * 3950 / 298.15**2)
    assert thermistor["own_watts"] == pytest.approx(1.65**2 / 10e3)
    assert size_hold_up(parts).values["farad"] == pytest.approx(0.001)
    assert size_tachometer(parts).values["rise_s"] == pytest.approx(0.22e-3)
    assert size_tachometer(parts).values["half_period_s"] == pytest.approx(2.5e-3)
    assert not size_tachometer(SizeParts(tach_farad=1.25e-3 / 2.2e4)).stop, "exactly half of the half period"
    assert size_tachometer(SizeParts(tach_farad=1.26e-3 / 2.2e4)).stop


def test_exactly_at_a_limit_a_part_is_no_problem() -> None:
    assert not size_wire("x", WireRun(one_way_m=0.1, amps=18.3, mm2=2.5)).stop
    assert size_wire("x", WireRun(one_way_m=0.1, amps=18.4, mm2=2.5)).stop
    assert opens_after_s(1.35, 1) == pytest.approx(0.75)
    assert opens_after_s(1.34, 1) is None
    branch = FuseBranch(amps=2, wire_carries_amps=5.0, rating_amps=5.0, parent_amps=8.0, fuse_to_post_cm=15.0)
    assert not size_fuse("x", branch, battery_ah=7.2).stop


def test_air_is_a_stop_only_with_fans_that_do_not_hold_the_limit() -> None:
    case = SizeCase(watts=40, intake_c=30, limit_c=40, wall_m2=0.1, obstacles=("filter", "duct"))
    assert not size_air(case).stop, "without fans only the needed air is stated"
    weak = size_air(replace(case, fan_m3_h=2, fan_pa=5, opening_m2=0.001))
    assert weak.stop
    assert weak.numbers["heads"] == pytest.approx(2.8 + 12 + 2)
    assert not size_air(replace(case, fan_m3_h=200, fan_pa=80, opening_m2=0.01)).stop


def test_fuses_in_a_circle_are_an_error(tmp_path: Path) -> None:
    file = tmp_path / "box.toml"
    text = EXAMPLE.read_text()
    assert text.count('name = "main"\n') == 1
    file.write_text(text.replace('name = "main"\n', 'name = "main"\nbehind = "servo branch"\n'))
    with pytest.raises(BadInput) as caught:
        load_box(file)
    assert "is a circle" in str(caught.value)


def test_a_wire_by_hand() -> None:
    """10 m of 2.5 mm² at 20 °C: 6.8964 ohm a km, so 0.137928 ohm there and back; at 2 A 0.28 V and 0.55 W."""
    values = size_wire("x", WireRun(one_way_m=10, amps=2, mm2=2.5, copper_c=20)).values
    assert values["loop_ohm"] == pytest.approx(0.137928)
    assert values["lost_watts"] == pytest.approx(2 * 2 * 0.137928)
    assert values["lost_fraction"] == pytest.approx(2 * 0.137928 / 12)


def test_a_case_at_its_limit_has_no_minutes_left() -> None:
    case = SizeCase(watts=40, intake_c=30, limit_c=40, wall_m2=0.1)
    assert minutes_to(case, 0.0, 40.0) == 0.0


def test_air_and_wire_by_hand() -> None:
    """100 W at 10 K: 100 / (1.184 kg/m³ x 1007 J/(kg K) x 10 K) m³/s; gauges by ASTM B258."""
    assert flow_m3_h(100, 10) == pytest.approx(30.194, abs=0.01)
    assert flow_m3_h(100, 10, air_c=35) == pytest.approx(30.194 * 308.15 / 298.15, abs=0.01)
    assert flow_m3_h(100, 10, altitude_m=1000) > 33
    for awg, mm2 in ((10, 5.261), (18, 0.8231), (24, 0.2047)):
        assert area_mm2(awg) == pytest.approx(mm2, rel=1e-3)


def test_what_a_box_file_leaves_out() -> None:
    assert to_builtins(SizeDivider()) == {
        "top_ohm": 100e3,
        "bottom_ohm": 18e3,
        "resistor_tolerance": 0.001,
        "filter_farad": 100e-9,
        "reference_volts": 3.0,
        "reference_tolerance": 0.001,
        "adc_bits": 10.0,
        "adc_offset_volts": 0.002,
        "adc_uneven_volts": 0.0037,
        "highest_volts": 16.0,
        "surge_volts": 40.0,
        "clamp_amps": 0.001,
    }
    assert to_builtins(SizeParts()) == {
        "ntc_ohm_25c": 10e3,
        "ntc_beta_k": 3950.0,
        "ntc_series_ohm": 10e3,
        "tach_pull_up_ohm": 10e3,
        "tach_farad": 10e-9,
        "highest_rpm": 6000.0,
        "logic_volts": 3.3,
        "hold_amps": 0.16,
        "hold_s": 0.05,
        "hold_from_volts": 11.0,
        "hold_to_volts": 7.0,
    }
    air = to_builtins(SizeAir(watts=20.0, intake_c=30.0, limit_c=45.0))
    assert (air["lid_absorbs"], air["display_absorbs"], air["wall_m2"], air["mass_kg"]) == (0.6, 0.9, 0.5, 5.0)

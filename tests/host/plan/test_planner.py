"""The plan of a day: its verdicts and reserves, new plans during the day, fixes, the evening, its command."""

import json
import sys
from dataclasses import replace
from datetime import date
from math import inf
from pathlib import Path

import pytest
from click import Command
from click.testing import CliRunner
from msgspec.structs import replace as struct_replace

from groundbox.advice.result import CLEAR_TO_LAUNCH, DO_NOT_LAUNCH, WAIT
from groundbox.battery.limits import RuntimeLimits
from groundbox.battery.profile import BatteryProfile, DischargeRow
from groundbox.battery.values import Phase
from groundbox.errors import BadInput
from groundbox.plan.battery_pool import initial_bank, pool_of, runtime
from groundbox.plan.day import Day
from groundbox.plan.day_file import in_parallel, load_day
from groundbox.plan.day_keys import DayLoad
from groundbox.plan.demand import case_and_fans
from groundbox.plan.evening import cautions, evening, months_until
from groundbox.plan.fixes import Change, changed, changes_of, find_fixes, flies_all
from groundbox.plan.planner import Plan, delays_of, plan_day
from groundbox.plan.replan import KnownNow, replan
from groundbox.plan.timetable import timetable
from groundbox.ui.cmd_plan import command
from groundbox.ui.cmd_size import command as size_command
from groundbox.ui.day_plot import svg_plot, text_plot

sys.path.insert(0, str(Path(__file__).parent))
from days import EXAMPLE, bog_day, easy_day, random_day  # noqa: E402


@pytest.fixture(scope="module")
def plan() -> Plan:
    return plan_day(bog_day(), seconds=2)


@pytest.fixture(scope="module")
def easy() -> Plan:
    return plan_day(easy_day(), seconds=2)


def _keeps_every_reserve(plan: Plan) -> None:
    lengths = {flight.name: flight.flight.length_min for flight in plan.day.flights}
    for answer in plan.outcome.answers:
        if answer.verdict == DO_NOT_LAUNCH:
            continue
        assert answer.margin_min is not None
        assert answer.margin_min >= 0
        assert answer.runtime_low_min is not None
        reserve = plan.day.boxes[answer.box].reserve_min
        assert answer.runtime_low_min >= lengths[answer.flight] + reserve
        assert answer.soc_launch is not None
        assert answer.soc_landing is not None
        assert answer.soc_landing.expected < answer.soc_launch.expected
        assert answer.soc_launch.low <= answer.soc_launch.expected <= answer.soc_launch.high
    for run in plan.outcome.charges:
        battery = plan.day.batteries[run.battery].profile
        assert run.amps <= (battery.max_charge_amps or 0.3 * battery.c20_ah) + 1e-9
        for answer in plan.outcome.answers:
            if answer.battery == run.battery and answer.launch_min is not None:
                end = answer.launch_min + lengths[answer.flight]
                assert run.end_min <= answer.launch_min + 1e-6 or run.start_min >= end - 1e-6


def test_the_invented_session_flies_by_charging(plan: Plan) -> None:
    assert plan.works
    _keeps_every_reserve(plan)
    assert any(run.battery == "M9" for run in plan.outcome.charges)
    assert not any(run.in_flight for run in plan.outcome.charges), "these chargers stay on the ground"
    for (battery, _, _), points in plan.table.problem.gains.items():
        assert points[0][0] == 0.0
        assert points[-1][0] == pytest.approx(plan.table.problem.capacity_ah[battery])


def test_a_weaker_battery_waits_for_its_charge_with_its_box_off() -> None:
    """The weaker the battery of the mast, the sooner a launch waits; what is waited beyond the gap, the box is off."""
    day = bog_day()
    for health in (0.6, 0.55, 0.5, 0.45, 0.4):
        plan = plan_day(_with_battery(day, "M9", health=health), seconds=1)
        late = [answer for answer in plan.outcome.answers if answer.verdict == WAIT and answer.box == "mast"]
        if late:
            break
    assert late, "none of these batteries makes a launch wait"
    _keeps_every_reserve(plan)
    offs = [pause for pause in plan.outcome.pauses if pause.box == "mast"]
    assert offs
    launches = [answer.launch_min for answer in plan.outcome.answers if answer.launch_min is not None]
    assert all(any(pause.end_min <= launch for launch in launches) for pause in offs)


def test_without_a_charger_the_mast_does_not_last_the_day() -> None:
    plan = plan_day(replace(bog_day(), chargers={}), seconds=1)
    _keeps_every_reserve(plan)
    as_it_is = replace(plan.day, off=frozenset())
    assert not flies_all(as_it_is, plan.pool)


def test_an_easy_day_is_proven_and_on_time(easy: Plan) -> None:
    assert easy.works
    assert easy.schedule.open_gap is None
    assert all(answer.verdict == CLEAR_TO_LAUNCH for answer in easy.outcome.answers)
    _keeps_every_reserve(easy)


def test_a_launch_may_be_late_in_fine_steps_up_to_six_flights() -> None:
    """The longest wait of this day is 60 min: steps of 10 min, and of 30 min for more flights."""
    day = random_day(1, batteries=2, flights=6, chargers=1)
    assert delays_of(day) == (0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0)
    assert delays_of(random_day(1, batteries=2, flights=7, chargers=1)) == (0.0, 30.0, 60.0)
    assert delays_of(replace(day, longest_wait_min=0.0)) == (0.0,)


def test_turn_back_leaves_reserve_and_time_home(easy: Plan) -> None:
    for answer in easy.outcome.answers:
        assert answer.turn_back_min is not None
        assert answer.launch_min is not None
        assert answer.runtime_low_min is not None
        assert answer.turn_back_min == pytest.approx(answer.launch_min + answer.runtime_low_min - 15 - 8)


def test_a_load_is_kept_off_where_that_flies_more() -> None:
    day = bog_day()
    mast = day.boxes["mast"]
    hungry = [load for load in mast.load if load.name != "servos"]
    lamp = struct_replace(hungry[0], name="floodlight", watts=45.0, sheddable=True)
    plan = plan_day(
        replace(easy_day(), boxes={**day.boxes, "mast": struct_replace(mast, load=[*hungry, lamp])}, chargers={}),
        seconds=1,
    )
    assert ("mast", "floodlight") in plan.day.off
    _keeps_every_reserve(plan)
    off = [bool(answer.loads_off) for answer in plan.outcome.answers if answer.box == "mast"]
    assert any(off), "off in some flight, on again in those that stand it"


@pytest.mark.parametrize("seed", range(4))
def test_a_load_that_no_person_declared_sheddable_is_never_switched_off(seed: int) -> None:
    """Every load is essential unless declared sheddable, also where switching one off flies more."""
    day = random_day(seed, batteries=2, flights=4, chargers=0)
    lean = plan_day(day, seconds=0.5)
    boxes = {
        name: struct_replace(box, load=[struct_replace(load, sheddable=False) for load in box.load])
        for name, box in day.boxes.items()
    }
    plan = plan_day(replace(day, boxes=boxes), seconds=0.5)
    assert plan.day.off == frozenset()
    assert all(answer.loads_off == () for answer in plan.outcome.answers)
    assert all(load == "extra" for _, load in lean.day.off)
    assert not [change for change in changes_of(plan.day) if change.kind == "load off"]
    assert DayLoad(name="servos", watts=4).sheddable is False


def _with_battery(day: Day, name: str, **fields: object) -> Day:
    battery = day.batteries[name]
    return replace(
        day, batteries={**day.batteries, name: replace(battery, battery=struct_replace(battery.battery, **fields))}
    )


def test_a_charger_above_the_batterys_limit_is_refused() -> None:
    day = bog_day()
    strong = struct_replace(day.chargers["fixed"], amps=3.5)
    table = timetable(replace(day, chargers={"fixed": strong}), pool_of(day))
    assert not table.problem.gains or all(key[0] != 1 for key in table.problem.gains)
    assert "2.7 A at most" in " ".join(table.refused["M9", "fixed"])


@pytest.mark.parametrize(
    ("ambient", "words"), [({"12": -8.0}, "no charge below 0 °C"), ({"12": 39.0}, "no charge above 40 °C")]
)
def test_no_charge_too_cold_or_too_warm(ambient: dict[str, float], words: str) -> None:
    day = bog_day()
    weather = struct_replace(day.weather, ambient_c=ambient)
    table = timetable(replace(day, weather=weather), pool_of(day))
    assert not table.problem.gains
    assert words in " ".join(table.refused["T18", "bench"])


def test_no_charge_of_a_battery_under_its_lowest_rest_voltage() -> None:
    day = _with_battery(bog_day(), "M9", rest_volts=10.1)
    table = timetable(day, pool_of(day))
    assert "inspect" in " ".join(table.refused["M9", "bench"])


def test_no_charge_above_the_highest_volts_of_a_connected_load() -> None:
    day = bog_day()
    table_box = day.boxes["table"]
    loads = [struct_replace(load, highest_volts=14.0) if load.name == "display" else load for load in table_box.load]
    day = replace(day, boxes={**day.boxes, "table": struct_replace(table_box, load=loads)})
    found = timetable(day, pool_of(day))
    assert "display takes 14 V at most" in " ".join(found.refused["T18", "bench"])
    assert any(key[:2] == ("M9", "bench") for key in found.amps)


def test_a_car_gives_no_more_than_it_can_spare() -> None:
    day = bog_day()
    poor = struct_replace(day.sources["car"], spare_wh=20.0)
    plan = plan_day(replace(day, sources={**day.sources, "car": poor}), seconds=1)
    hours = sum((run.end_min - run.start_min) / 60 * run.amps for run in plan.outcome.charges if run.charger == "fixed")
    assert hours * 14.2 / 0.85 <= 20.0 + 1e-6


def test_solar_gives_what_the_hour_gives() -> None:
    day = bog_day()
    sun = struct_replace(day.sources["car"], name="sun", amps_by_hour={"13": 0.0, "16": 6.0}, spare_wh=None)
    charger = struct_replace(day.chargers["fixed"], source="sun")
    table = timetable(replace(day, sources={"sun": sun}, chargers={"fixed": charger}), pool_of(day))
    gains = {
        slot: points[0][1] / table.problem.slot_min[slot] for (b, _, slot), points in table.problem.gains.items() if b
    }
    assert gains[min(gains)] < gains[max(gains)]


def test_batteries_in_parallel_count_as_one(easy: Plan) -> None:
    """Two equal blocks of 9 Ah are one of 18 Ah: the same runtime at the same load, the same limit for its charger."""
    profile = BatteryProfile(
        c20_ah=9.0,
        max_charge_amps=2.5,
        discharge=[DischargeRow(amps=0.45, minutes=1200), DischargeRow(amps=5, minutes=70)],
    )
    both = in_parallel(profile, 2)
    assert (both.c20_ah, both.max_charge_amps) == (18.0, 5.0)
    assert [row.amps for row in both.discharge] == [0.9, 10.0]
    limits, out = RuntimeLimits(cutoff_volts=11.0), []
    for one, amps in ((profile, 1.0), (both, 2.0)):
        bank = initial_bank(one, health=None, soc=1.0, soc_sd=0.02)
        out.append(runtime(bank, one, limits, [Phase(seconds=inf, amps=amps)], 25.0).low_min)
    assert out[0] == pytest.approx(out[1])
    plan = plan_day(_with_battery(bog_day(), "M9", in_parallel=2), seconds=0.5)
    assert any("one bad battery" in caution for caution in cautions(plan.day))
    assert not any("one bad battery" in caution for caution in cautions(easy.day))


def test_a_charger_that_stays_on_in_flight_gives_more_and_no_launch_counts_on_it() -> None:
    day = bog_day()
    solar = struct_replace(day.chargers["bench"], source=None, in_flight=True, boxes=["mast"], settable_amps=[2.5])
    days = [replace(day, chargers={"bench": struct_replace(solar, in_flight=stays)}) for stays in (True, False)]
    one, without = plan_day(days[0], seconds=3), plan_day(days[1], seconds=1)
    assert any(run.in_flight for run in one.outcome.charges)
    assert not any(run.in_flight for run in without.outcome.charges)
    assert one.schedule.objective.late_min <= without.schedule.objective.late_min
    assert any("in flight" in caution for caution in cautions(one.day))
    needs = [timetable(given, pool_of(given)).problem.fits for given in days]
    assert needs[0] == needs[1]


def test_a_spare_is_swapped_in_and_the_swap_is_listed() -> None:
    day = bog_day()
    spare = changed(day, Change(kind="spare", what=("mast",), cost=4, sentence=""))
    plan = plan_day(replace(spare, chargers={}), seconds=1)
    _keeps_every_reserve(plan)
    flown = [answer for answer in plan.outcome.answers if answer.box == "mast" and answer.battery is not None]
    assert len({answer.battery for answer in flown}) == 2
    swaps = [answer for answer in flown if answer.instead_of is not None]
    assert swaps
    assert all(answer.battery != answer.instead_of for answer in swaps)
    for swap, answer in zip(plan.outcome.swaps, swaps, strict=True):
        assert (swap.flight, swap.box, swap.battery) == (answer.flight, answer.box, answer.battery)
        assert swap.start_min < swap.end_min == answer.launch_min


# -- replanning -------------------------------------------------------------------------------------------------------


def test_a_flight_that_ran_long_moves_the_next(plan: Plan) -> None:
    answer = replan(plan, KnownNow(minute=115.0, done=("north edge",)))
    launches = [found.launch_min for found in answer.plan.outcome.answers if found.launch_min is not None]
    assert min(launches) >= 115
    assert any("old cutting" in sentence for sentence in answer.news)


def test_a_charger_that_was_not_connected(plan: Plan) -> None:
    answer = replan(plan, KnownNow(minute=95.0, done=("north edge",), charges={"M9": 0.62}, failed=("bench",)))
    assert any("no more M9 on bench" in sentence for sentence in answer.news)
    _keeps_every_reserve(answer.plan)


def test_a_swapped_battery(easy: Plan) -> None:
    answer = replan(easy, KnownNow(minute=60.0, done=("north edge",), charges={"M9": 0.05}))
    assert any("mast" in sentence for sentence in answer.news)


def test_what_the_estimator_learned_counts(easy: Plan) -> None:
    """Live: the estimator's own particles, here of one worn to a third, replace its profile."""
    worn = initial_bank(easy.pool.profiles["M9"], health=0.33, soc=0.9, soc_sd=0.02)
    answer = replan(easy, KnownNow(minute=60.0, done=("north edge",), banks={"M9": worn}))
    margins = {(found.flight, found.box): found.margin_min for found in easy.outcome.answers}
    for found in answer.plan.outcome.answers:
        if found.box == "mast" and found.margin_min is not None:
            before = margins[found.flight, found.box]
            assert before is not None
            assert found.margin_min < before - 30
    assert any("mast" in sentence for sentence in answer.news)


def test_no_news_when_all_goes_as_planned(easy: Plan) -> None:
    assert not [sentence for sentence in replan(easy, KnownNow(minute=5.0)).news if "launch" in sentence]


def test_nothing_left_to_fly(easy: Plan) -> None:
    done = tuple(flight.name for flight in easy.day.flights)
    assert replan(easy, KnownNow(minute=300.0, done=done)).news == ("no flight is left today",)


# -- fixes ------------------------------------------------------------------------------------------------------------


def test_fixes_are_smallest_and_fly_every_flight() -> None:
    day = replace(bog_day(), chargers={}, flights=bog_day().flights[:3])
    pool = pool_of(day)
    found = find_fixes(day, pool).fixes
    assert found
    assert [fix.cost for fix in found] == sorted(fix.cost for fix in found)
    singles = {fix.changes[0] for fix in found if len(fix.changes) == 1}
    for fix in found:
        assert len(fix.changes) <= 2
        assert len(fix.changes) == 1 or not singles & set(fix.changes)
    better = day
    for change in found[0].changes:
        better = changed(better, change)
    assert plan_day(better, seconds=1).works


def test_every_kind_of_change_changes_the_day() -> None:
    day = bog_day()
    kinds = {change.kind for change in changes_of(day)}
    assert kinds == {"load off", "box off", "longer gap", "spare", "larger", "charger"}
    for change in changes_of(day):
        assert changed(day, change) != day
    gap = Change(kind="longer gap", what=("dams",), cost=1, sentence="")
    moved = changed(day, gap).flights
    assert [new.launch_min - old.launch_min for new, old in zip(moved, day.flights, strict=True)] == [0, 0, 10, 10]


# -- the evening ------------------------------------------------------------------------------------------------------


def test_the_evening_names_every_battery(plan: Plan) -> None:
    nights = evening(plan, date(2031, 7, 19))
    assert {night.battery for night in nights} == {"T18", "M9"}
    for night in nights:
        assert night.charger == "bench"
        assert night.amps is not None
        assert night.amps <= 0.3 * plan.day.batteries[night.battery].profile.c20_ah
        assert night.top_up is not None
        assert night.test == date(2031, 7, 19)
    assert {night.battery: night.amps for night in nights} == {"T18": 2.5, "M9": 1.0}, "0.15 C20 at most"
    begins = sorted((night.start_min, night.end_min) for night in nights)
    assert begins[0][1] == begins[1][0]


@pytest.mark.parametrize(("storage_c", "months", "left"), [(20, 1, 0.97), (25, 3, 0.91), (25, 6, 0.82), (25, 12, 0.64)])
def test_self_discharge(storage_c: float, months: float, left: float) -> None:
    """3 % a month at 20 C; 9, 18, 36 % after 3, 6, 12 months at 25 C (makers' sheets, secondary copies)."""
    assert months_until(left, storage_c) == pytest.approx(months, rel=0.35)


@pytest.mark.parametrize(("storage_c", "left"), [(20, 0.97), (30, 0.94), (10, 0.985)])
def test_self_discharge_of_one_month(storage_c: float, left: float) -> None:
    """3 % a month at 20 °C, twice as much each 10 K warmer."""
    assert months_until(left, storage_c) == pytest.approx(1.0)


def test_the_warmer_the_case_the_longer_the_fans_run() -> None:
    box = bog_day().boxes["mast"]
    found = [case_and_fans(box, watts, 27.0, 0.0) for watts in (0.0, 20.0, 30.0, 40.0, 50.0, 60.0, 400.0)]
    fractions = [fraction for _, fraction in found]
    assert (fractions[0], fractions[-1]) == (0.0, 1.0)
    between = [fraction for fraction in fractions if 0 < fraction < 1]
    assert len(between) > 1
    assert fractions == sorted(fractions)
    assert len(set(between)) == len(between)


# -- what a person sees -----------------------------------------------------------------------------------------------


def test_command_text_json_and_pictures(tmp_path: Path) -> None:
    picture = tmp_path / "day.svg"
    run = CliRunner().invoke(command, [str(EXAMPLE), "--seconds", "0.5", "--plot", str(picture)])
    assert run.exit_code == 0, run.output
    for words in ("Steps", "plug in (", "hydrogen", "The evening"):
        assert words in run.output
    assert "turn back by" not in run.output
    detail = CliRunner().invoke(command, [str(EXAMPLE), "--seconds", "0.5", "--detail"])
    for words in ("turn back by", "Charging between flights", "comes first"):
        assert words in detail.output
    assert picture.read_text().startswith("<svg")
    tree = json.loads(CliRunner().invoke(command, [str(EXAMPLE), "--seconds", "0.5", "--json"]).output)
    assert (tree["flights"], tree["flights_flown"]) == (4, 4)
    assert tree["start_at"].startswith("2031-07-19T13:00:00")
    assert tree["verdict"] == "clear_to_launch"
    assert tree["proven"] is (tree["not_proven"] is None)
    assert {"flight", "box", "verdict", "launch_min", "margin_min", "cause"} <= tree["answers"][0].keys()
    assert {"start_min", "end_min", "battery", "charger"} <= tree["charges"][0].keys()
    assert tree["swaps"] == []
    for step in (*tree["charges"], *tree["evening"]):
        assert any("hydrogen" in caution for caution in step["cautions"])
        assert any("swollen" in caution for caution in step["cautions"])
    assert any("hydrogen" in caution for caution in tree["cautions"])
    png = tmp_path / "day.png"
    assert CliRunner().invoke(command, [str(EXAMPLE), "--seconds", "0.5", "--plot", str(png)]).exit_code == 0
    assert png.stat().st_size > 5000


@pytest.mark.parametrize("typed", [command, size_command])
def test_keys_lists_every_key_of_a_file(typed: Command) -> None:
    run = CliRunner().invoke(typed, ["--keys"])
    assert run.exit_code == 0
    assert any(line.startswith("battery") and "in_parallel" in line for line in run.output.splitlines())


def test_command_plans_from_now_and_lists_the_changes() -> None:
    now = [
        str(EXAMPLE),
        "--seconds",
        "0.5",
        "--at",
        "14:40",
        "--done",
        "north edge",
        "--charge",
        "M9=0.7",
        "--failed",
        "bench",
    ]
    run = CliRunner().invoke(command, now)
    assert run.exit_code == 1, "without the bench charger a flight is not flown"
    assert run.output.splitlines()[0].startswith("old cutting: ")
    assert run.output.splitlines()[2] == "Changed"
    assert "no more M9 on bench" in run.output


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        (("--at", "quarter past"), "not a clock time"),
        (("--at", "14:40", "--done", "north hedge"), 'did you mean "north edge"'),
        (("--at", "14:40", "--charge", "M9=62"), "type 0 to 1"),
        (("--at", "14:40", "--charge", "M9"), "BATTERY=FRACTION"),
        (("--plot", "day.gif"), ".svg or .png"),
    ],
)
def test_a_wrong_option_is_an_error_with_its_fix(extra: tuple[str, ...], words: str) -> None:
    run = CliRunner().invoke(command, [str(EXAMPLE), "--seconds", "0.2", "--fixes", "0", *extra])
    assert isinstance(run.exception, BadInput)
    assert words in str(run.exception)


def test_plots_show_every_battery(plan: Plan) -> None:
    text, svg = "\n".join(text_plot(plan)), svg_plot(plan)
    for battery in plan.day.batteries:
        assert battery in text
        assert battery in svg
    assert max(len(line) for line in text_plot(plan)) < 120


def test_a_day_with_a_flight_not_flown_ends_with_status_1(tmp_path: Path) -> None:
    file = tmp_path / "day.toml"
    file.write_text(GOOD.replace("c20_ah = 9\n", "c20_ah = 2\n").replace("amps = 2.5", "amps = 0.5"))
    run = CliRunner().invoke(command, [str(file), "--seconds", "0.3", "--fixes", "0"])
    assert run.exit_code == 1
    assert "do not launch" in run.output
    tree = json.loads(CliRunner().invoke(command, [str(file), "--seconds", "0.3", "--fixes", "0", "--json"]).output)
    assert tree["flights_flown"] < tree["flights"]
    assert any(one["verdict"] == "do_not_launch" and one["launch_min"] is None for one in tree["answers"])


# -- bad input --------------------------------------------------------------------------------------------------------

GOOD = EXAMPLE.read_text()
GENERATOR = "source 2 (generator), amps_by_hour"


@pytest.mark.parametrize(
    ("old", "new", "place", "fix"),
    [
        (
            'name = "old cutting"\ngap_min = 40',
            'name = "old cutting"\nlaunch = 13:30:00',
            "flight 2 (old cutting), launch",
            "overlaps",
        ),
        ("launch = 13:20:00", "launch = 12:20:00", "flight 1 (north edge), launch", "before the day's start"),
        ("length_min = 35", "length_min = -35", "flight 1, length_min", "-35 is not allowed; type minutes, 1 to 1440"),
        ("health = 0.7", "health = 1e-308", "battery 2, health", "type present over rated capacity"),
        ("gap_min = 40", "gap_min = -5", "flight 2, gap_min", "minutes since the landing before"),
        (
            'name = "dams"',
            'name = "dams"\nloads = { mast = ["recievers"] }',
            "flight 3 (dams), loads, mast",
            "no load in box mast",
        ),
        (
            'name = "dams"',
            'name = "dams"\nloads = { mist = ["servos"] }',
            "flight 3 (dams), boxes",
            'did you mean "mast"',
        ),
        ('name = "fixed"', 'name = "bench"', "charger 2, name", "twice"),
        ('name = "M9" ', 'name = "T18" ', "battery 2, name", "twice"),
        ("cutoff_volts = 11.0      #", "cutoff_volts = 13.2      #", "box 1 (table), cutoff_volts", "lower it"),
        ("c20_ah = 18\n", "c20_ah = 18\ncells = 12\n", "box 1 (table), cutoff_volts", "for each of the 12 cells"),
        ('battery = "M9"', 'battery = "M8"', "box 2 (mast), battery", 'did you mean "M9"'),
        ("time_home_min = 8", "time_home_min = 50", "flight 1 (north edge), time_home_min", "shorten"),
        ("c20_ah = 9\n", "", "battery 2 (M9)", "c20_ah"),
        ('source = "car"', 'source = "cart"', "charger 2 (fixed), source", 'did you mean "car"'),
        ('"13" = 24', '"25" = 24', "weather.ambient_c", "not an hour"),
        ('battery = "M9"', 'battery = "T18"', "box 2 (mast), battery", "in box table already"),
        ('battery = "M9"', 'battery = ["M9", "T18"]', "box 2, battery", "see in_parallel"),
        ("on_until = 18:00:00", "on_until = 13:10:00", "source 2 (generator), on_until", "not after on_from"),
        ("amps = 10\non_from", 'amps = 10\namps_by_hour = { "13h" = 3 }\non_from', GENERATOR, "not an hour"),
        ('ends = "taper"', 'ends = "taper"\nfloat_volts = 15', "charger 2 (fixed), float_volts", "lower it"),
        ("c20_ah = 18\n", 'profile = "none.toml"\n', "battery (T18), profile", "there is no file"),
        ('name = "dams"', 'name = "dams"\nboxes = ["mast", "mast"]', "flight 3 (dams), boxes", "is given twice"),
        ("reserve_min = 15", 'case = { fitted = "none" }', "box (table), case.fitted", "there is no file"),
        ("reserve_min = 15", "reserve = 15", "box 1, reserve", "did you mean reserve_min (minutes"),
        ('ends = "taper"', 'ends = "tapper"', "charger 2 (fixed), ends", 'did you mean "taper"'),
        ("watts = 18", "watts = 18\namps = 1", "box 1 (table), load 1 (display)", "one of them"),
        ("watts = 18", "watts = 18\npeak_watts = 3", "box 1 (table), load 1 (display)", "a peak below its mean"),
    ],
)
def test_a_wrong_day_file_is_an_error_with_place_and_fix(
    tmp_path: Path, old: str, new: str, place: str, fix: str
) -> None:
    assert old in GOOD
    file = tmp_path / "day.toml"
    file.write_text(GOOD.replace(old, new, 1))
    with pytest.raises(BadInput) as caught:
        load_day(file)
    assert caught.value.place == place
    assert fix in caught.value.problem
    assert "\n" not in str(caught.value)

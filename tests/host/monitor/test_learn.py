"""Discharges that end teach the battery that gave them; capacity tests are followed from the store as it is written."""

import dataclasses
import math
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner

from groundbox.battery.fit import fitted_profile
from groundbox.battery.limits import RuntimeLimits
from groundbox.battery.logs import DischargeRun, discharges
from groundbox.battery.profile import BatteryProfile, earlier_profiles, load_profile, save_profile
from groundbox.battery.runtime import from_full
from groundbox.battery.values import Sample
from groundbox.conversion import from_wire
from groundbox.errors import BadInput, GroundboxError
from groundbox.model import Reading
from groundbox.monitor.follower import Follower
from groundbox.monitor.from_store import tracker_for
from groundbox.monitor.learn import (
    Background,
    Lessons,
    improvement,
    learn,
    learned_from,
    samples,
    sentence,
    source_name,
)
from groundbox.monitor.tracker import Discharge, Discharging
from groundbox.rig.electric import SimBattery, SimBatterySettings
from groundbox.settings import Settings, load
from groundbox.store import Reader, Store
from groundbox.ui.capacity import LiveTest
from groundbox.ui.cmd_battery import command as battery
from groundbox.wire.messages import fields_of

START_S = 1_800_000_000.0
STEP_S = 20.0
SETTINGS = """
database = "day.db"
[batteries.sedge]
profile = "sedge.toml"
[boxes.mast]
battery = "sedge"
cutoff_volts = 11.0
"""


def make_reading(number: int, *, t_s: float, volts: float, amps: float) -> Reading:
    """As received `t_s` after the board's start."""
    values: dict[str, int | str | None] = {name: None for name, *_ in fields_of("reading")}
    values.update(box="mast", boot=1, sequence=number, uptime_ms=round(1000 * t_s))
    values.update(battery_mv=round(1000 * volts), battery_ma=round(1000 * amps), battery_centi_c=2500)
    return from_wire(Reading, list(values.values()), wall_s=START_S + t_s, wall_source="exchange")


@pytest.fixture
def chosen(tmp_path: Path) -> Settings:
    (tmp_path / "sedge.toml").write_text("c20_ah = 9.0\n")
    (tmp_path / "groundbox.toml").write_text(SETTINGS)
    return load(tmp_path / "groundbox.toml")


def record(chosen: Settings, amps: float, *, charge_after: bool, down_to: float = 10.5) -> tuple[float, float]:
    """Charge, an hour's rest, a load, and a charge; wall times of the first and last loaded reading."""
    cell = SimBattery(SimBatterySettings(c20_ah=9, health=0.85, ohm=0.03, start_soc=0.999))
    rows: list[Reading] = []
    seen = [0.0, 0.0]

    def step(current: float, volts: float | None = None) -> float:
        at = cell.inner_volts() - current * cell.ohm(False) if volts is None else volts
        cell.step(STEP_S, at, current)
        number = len(rows) + 1
        rows.append(make_reading(number, t_s=number * STEP_S, volts=at, amps=current))
        return at

    for _ in range(60):
        step(-0.05, 14.4)
    for _ in range(int(4000 / STEP_S)):
        step(0.05)
    seen[0] = START_S + (len(rows) + 1) * STEP_S
    while step(amps) > down_to:
        pass
    seen[1] = START_S + len(rows) * STEP_S
    for _ in range(60 if charge_after else 0):
        step(-5.0, 13.0)
    with Store(chosen.database_path) as store:
        store.add(rows)
        store.commit()
    return seen[0], seen[1]


def test_a_discharge_ends_with_a_charge_a_long_rest_or_a_swap() -> None:
    def after(hours: float, *ends: tuple[float, float]) -> list[bool]:
        watched = Discharging(9.0)
        for second in range(0, int(hours * 3600), 10):
            assert watched.take(second, START_S + second, 1.0) is None
        found = [watched.take(hours * 3600 + t_s, START_S + hours * 3600 + t_s, amps) for t_s, amps in ends]
        return [one is not None for one in found]

    charge = [(60.0 * minute, -2.0) for minute in range(1, 60)]
    assert after(4, *charge).index(True) == 42, "15 % of 9 Ah, of which 95 % arrive at 2 A"
    assert after(4, *charge).count(True) == 1, "once"
    assert after(4, (10, 0.0), (1000, 0.0), (1900, 0.0)) == [False, False, True]
    assert after(4, (10, 0.0), (1000, 1.0), (2900, 0.0)) == [False, False, True]
    assert not any(after(1.0, *charge)), "11 % is too shallow"


def test_a_short_charge_between_flights_is_counted_and_a_brown_out_ends_the_discharge() -> None:
    def run(*parts: tuple[float, float], over: bool = False) -> tuple[Discharge | None, Discharging]:
        watched, second, ended = Discharging(9.0), 0, None
        for minutes, amps in parts:
            for _ in range(int(6 * minutes)):
                second += 10
                ended = watched.take(second, START_S + second, amps, over=over and second > 12_000) or ended
        return ended, watched

    ended, watched = run((100, 1.5), (20, -2.5), (100, 1.5))
    whole = watched.finish()
    assert ended is None
    assert whole is not None
    assert whole.amp_hours == pytest.approx(5.0 - 0.95 * 2.5 / 3, abs=0.02)
    assert whole.to_wall_s - whole.from_wall_s == pytest.approx(220 * 60, abs=20)
    ended, watched = run((300, 1.5), over=True)
    assert ended is not None
    assert ended.to_wall_s == START_S + 12_000, "what follows the brown-out is no capacity"
    assert watched.finish() is None


def test_its_state_goes_on_after_a_restart() -> None:
    whole, first = Discharging(9.0), Discharging(9.0)
    for second in range(0, 7200, 10):
        whole.take(second, START_S + second, 2.0)
        first.take(second, START_S + second, 2.0)
    second_part = Discharging(9.0, first.state())
    for second in range(7200, 9000, 10):
        assert whole.take(second, START_S + second, 2.0) == second_part.take(second, START_S + second, 2.0)
    assert second_part.take(8990, START_S, -2.0) is None, "a repeated reading changes nothing"
    ended = second_part.take(9000, START_S + 9000, 1.0, over=True)
    assert ended == whole.take(9000, START_S + 9000, 1.0, over=True)
    assert ended is not None
    assert ended.from_wall_s == START_S
    assert ended.amp_hours == pytest.approx(2.0 * 8990 / 3600, rel=0.01)


def test_a_discharge_is_fitted_once_into_the_batterys_profile(chosen: Settings) -> None:
    begun_s, ended_s = record(chosen, 1.8, charge_after=True)
    watched = Discharging(9.0)
    with Reader(chosen.database_path) as reader:
        seen = [
            ended
            for reading in reader.readings("mast")
            if (ended := watched.take(reading.uptime_ms / 1000, reading.wall_s, reading.battery_amps))
        ]
    assert [(one.from_wall_s, one.to_wall_s) for one in seen] == [(begun_s, ended_s)]
    learned = learn(chosen, "mast", "sedge", seen[0], 0.0)
    assert learned is not None
    assert learned.row is not None
    kept = load_profile(chosen.folder / "sedge.toml")
    assert kept == learned.profile
    assert [row.source for row in kept.history] == [source_name("mast", seen[0])]
    assert kept.fitted is not None
    assert kept.fitted.runs == 1
    assert abs(kept.fitted.capacity_ah - 0.85 * 9) < 2 * kept.fitted.capacity_sd_ah
    assert kept.history[0].temp_c == pytest.approx(25.0)
    assert "not enough data yet" in learned.verdict
    assert learned.tracker.profile.fitted == kept.fitted, "and the estimate uses it"
    assert learned.tracker.wall_s is not None
    assert learned.tracker.wall_s > ended_s
    again = learn(chosen, "mast", "sedge", seen[0], 0.0)
    assert again is not None
    assert again.row is None
    assert load_profile(chosen.folder / "sedge.toml") == kept


def test_what_was_drawn_under_the_floor_spoils_nothing(chosen: Settings) -> None:
    begun_s, ended_s = record(chosen, 1.8, charge_after=True, down_to=9.5)
    learned = learn(chosen, "mast", "sedge", Discharge(from_wall_s=begun_s, to_wall_s=ended_s, amp_hours=7.0), 0.0)
    assert learned is not None
    assert learned.row is not None
    assert abs(learned.row.capacity_ah - 0.85 * 9) < 1.5 * learned.row.capacity_sd_ah


def test_an_estimate_saved_with_another_profile_is_not_continued(chosen: Settings) -> None:
    made = tracker_for(chosen, "mast", "sedge")
    assert not isinstance(made, str)
    made.take(1.0, Reading(box="mast", boot=1, sequence=1, uptime_ms=1, wall_s=START_S, battery_volts=12.5))
    saved = made.saved()
    assert saved is not None
    resumed = tracker_for(chosen, "mast", "sedge", saved)
    assert not isinstance(resumed, str)
    assert resumed.sequence == 1
    (chosen.folder / "sedge.toml").write_text("c20_ah = 9.0\nlabel = 'painted'\n")
    resumed = tracker_for(chosen, "mast", "sedge", saved)
    assert not isinstance(resumed, str)
    assert resumed.sequence == 1, "a label is no belief"
    (chosen.folder / "sedge.toml").write_text("c20_ah = 9.0\nage_years = 5\n")
    fresh = tracker_for(chosen, "mast", "sedge", saved)
    assert not isinstance(fresh, str)
    assert fresh.sequence is None


def test_a_capacity_test_is_followed_from_the_store(chosen: Settings) -> None:
    record(chosen, 1.8, charge_after=False, down_to=10.45)
    arguments = ["test", "--box", "mast", "--settings", str(chosen.file)]
    done = CliRunner().invoke(battery, arguments, catch_exceptions=False)
    assert done.exit_code == 0
    steps = [line.split()[1] for line in done.output.splitlines() if line[2:3] == ":" and line[5:6] == ":"]
    assert [name for name, before in zip(steps, ["", *steps], strict=False) if name != before] == [
        *("rest", "discharge", "stop")
    ]
    assert "of rated capacity" in done.output
    assert "%), now " in done.output
    assert "hydrogen" in done.output
    assert load_profile(chosen.folder / "sedge.toml").history[0].source.startswith("mast ")
    with Reader(chosen.database_path) as reader:
        test = LiveTest(reader, chosen, "mast", None)
        names = [report.step.name for _, report in test.new_reports() if report.new]
    assert names[-1] == "stop"
    assert not test.guide.done, "that test is known: another one may begin"
    assert test.caught_up


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--box", "msat"], "did you mean mast"),
        ([], "one of them"),
        (["x.csv", "--box", "mast"], "one of them"),
        (["x.csv"], "--battery: is missing"),
    ],
)
def test_a_wrong_argument_gives_one_line(arguments: list[str], said: str, chosen: Settings) -> None:
    with Store(chosen.database_path) as store:
        store.add([make_reading(1, t_s=1, volts=12, amps=1)])
        store.commit()
    done = CliRunner().invoke(battery, ["test", *arguments, "--settings", str(chosen.file)])
    assert isinstance(done.exception, GroundboxError)
    assert said in str(done.exception)


def test_long_sums_do_not_hold_up_the_loop() -> None:
    troubles: list[str] = []
    found: list[float] = []
    background = Background(lambda error: troubles.append(str(error)))
    background.poll()

    def fails() -> None:
        raise GroundboxError("no such thing")

    background.submit(lambda: math.sqrt(4), found.append)
    background.submit(fails, found.append)
    background.submit(lambda: math.sqrt(9), found.append)
    background.wait()
    assert found == [2.0, 3.0]
    assert troubles == ["no such thing"]


def learned_mast(chosen: Settings) -> str:
    """Learns one discharge; the text of the profile before it."""
    before = (chosen.folder / "sedge.toml").read_text()
    begun_s, ended_s = record(chosen, 1.8, charge_after=True)
    learned = learn(chosen, "mast", "sedge", Discharge(from_wall_s=begun_s, to_wall_s=ended_s, amp_hours=7.0), 0.0)
    assert learned is not None
    assert learned.row is not None
    words = sentence(learned, learned.row)
    assert words.count("±") == 3
    assert "not confirmed" in words
    return before


def test_what_a_day_taught_is_confirmed_or_taken_back(chosen: Settings) -> None:
    before, file = learned_mast(chosen), str(chosen.folder / "sedge.toml")
    assert not load_profile(file).history[0].confirmed
    assert "confirmed = false" in Path(file).read_text()
    done = CliRunner().invoke(battery, ["confirm", file], catch_exceptions=False)
    assert done.exit_code == 0
    assert load_profile(file).history[0].confirmed
    again = CliRunner().invoke(battery, ["confirm", file])
    assert isinstance(again.exception, GroundboxError)
    listed = CliRunner().invoke(battery, ["undo", file, "--list"], catch_exceptions=False)
    assert len(listed.output.splitlines()) == 2
    assert "1 of them not confirmed" in listed.output
    for _ in range(2):
        CliRunner().invoke(battery, ["undo", file], catch_exceptions=False)
    assert Path(file).read_text() == before
    last = CliRunner().invoke(battery, ["undo", file])
    assert "no earlier version" in str(last.exception)


def test_older_profiles_are_kept_and_the_oldest_of_many_go(tmp_path: Path) -> None:
    file = tmp_path / "sedge.toml"
    for number in range(24):
        save_profile(file, BatteryProfile(c20_ah=9.0, label=f"{number}"))
        save_profile(file, BatteryProfile(c20_ah=9.0, label=f"{number}"))
    kept = [load_profile(path).label for path in earlier_profiles(file)]
    assert kept == [f"{number}" for number in range(3, 23)]


def test_a_fit_that_does_not_explain_its_own_log_is_refused(chosen: Settings) -> None:
    begun_s, ended_s = record(chosen, 1.8, charge_after=True)
    with Reader(chosen.database_path) as reader:
        rows = samples(chosen.boxes["mast"], list(reader.readings("mast", begun_s, ended_s)))
    limits, profile = RuntimeLimits(cutoff_volts=11.0), BatteryProfile(c20_ah=9.0)
    whole = Discharge(from_wall_s=begun_s, to_wall_s=ended_s, amp_hours=7.0)
    assert learned_from(profile, rows, "day", whole, limits) is not None
    third = len(rows) // 3
    swapped = rows[: 2 * third] + [dataclasses.replace(row, volts=row.volts + 0.9) for row in rows[2 * third :]]
    with pytest.raises(BadInput, match="off its own fit|contradicts its own fit"):
        learned_from(profile, swapped, "day", whole, limits)
    with pytest.raises(BadInput, match="brown-out"):
        learned_from(profile, rows[: 2 * third], "day", dataclasses.replace(whole, over=True), limits)


def test_a_running_recorder_notices_that_a_profile_was_taken_back(chosen: Settings) -> None:
    file = chosen.folder / "sedge.toml"
    learned_mast(chosen)
    made = tracker_for(chosen, "mast", "sedge")
    assert not isinstance(made, str)
    follower, said = Follower("mast", chosen.boxes["mast"], made), list[str]()
    with Store(chosen.database_path) as store:
        lessons = Lessons(chosen, store, said.append)
        lessons.watch_profile(follower, START_S)
        lessons.background.wait()
        assert follower.tracker is made
        assert "battery confirm" in (follower.trust_improves or "")
        CliRunner().invoke(battery, ["undo", str(file)], catch_exceptions=False)
        lessons.watch_profile(follower, START_S)
        lessons.background.wait()
        assert follower.trust_improves is None, "of the battery before"
        lessons.watch_profile(follower, START_S)
        lessons.background.wait()
        assert "capacity test narrows this" in (follower.trust_improves or "")
    assert follower.tracker is not made
    assert follower.tracker is not None
    assert follower.tracker.profile.fitted is None
    assert len(said) == 1
    assert "was changed" in said[0]


def test_a_load_that_is_shed_ends_the_discharge_once(chosen: Settings) -> None:
    made = tracker_for(chosen, "mast", "sedge")
    assert not isinstance(made, str)
    for second in range(1, 9000, 10):
        output = "shed" if second > 7200 else "on"
        values: dict[str, object] = {"box": "mast", "boot": 1, "sequence": second, "uptime_ms": 1000 * second}
        reading = Reading(
            **values,  # type: ignore[arg-type]
            battery_volts=12.2,
            battery_amps=1.5,
            outputs={2: output},
            wall_s=START_S + second,
        )
        made.take(second, reading)
    assert made.ended is not None
    assert made.ended.over
    assert made.ended.to_wall_s == pytest.approx(START_S + 7200, abs=11)


def test_what_would_narrow_the_runtime_is_computed(chosen: Settings) -> None:
    file = chosen.folder / "sedge.toml"
    plain = load_profile(file)
    words = improvement(plain, file, 1.4)
    assert words is not None
    gain = float(words.rpartition("by ")[2].rstrip("%")) / 100
    tested = fitted_profile(plain, [steady_run(plain, 1.4)], date(2026, 5, 1))
    bands = [(row.high_h - row.low_h) / row.expected_h for row in (from_full(plain, 1.4), from_full(tested, 1.4))]
    assert gain == pytest.approx(1 - bands[1] / bands[0], abs=0.08), "as a test of such a battery does narrow it"
    learned_mast(chosen)
    assert "battery confirm" in (improvement(load_profile(file), file, 1.4) or "")
    often = tested
    for day in range(2, 6):
        run = dataclasses.replace(steady_run(plain, 1.4), source=f"{day}")
        often = fitted_profile(often, [run], date(2026, 5, day))
    assert improvement(often, file, 1.4) is None, "one more of the same shows nothing new"


def steady_run(profile: BatteryProfile, amps: float) -> DischargeRun:
    """A discharge of the rig's battery."""
    cell = SimBattery(SimBatterySettings(c20_ah=9, ohm=0.03))
    rows = []
    while (volts := cell.inner_volts() - amps * cell.ohm(False)) > 10.5:
        cell.step(60.0, volts, amps)
        rows.append(Sample(t_s=60.0 * len(rows), volts=volts, amps=amps))
    (found,) = discharges(rows, profile, "test")
    return found

"""A fit finds the battery that a log was made from, and a fitted battery is predicted better."""

import dataclasses
from datetime import date
from pathlib import Path

import msgspec
import numpy as np
import pytest

from groundbox.battery import cell, fit
from groundbox.battery.estimate import Estimator
from groundbox.battery.fit import fitted_profile, refusal
from groundbox.battery.limits import RuntimeLimits
from groundbox.battery.logs import DischargeRun, discharges, runs_in
from groundbox.battery.prior import CAPACITY, LAG, sound_prior
from groundbox.battery.profile import BatteryProfile, load_profile, profile_text, save_profile, without_points
from groundbox.battery.values import Sample
from groundbox.errors import BadInput

PROFILE = BatteryProfile(c20_ah=18.0)


def made(capacity: float, amps: float, offset: float = 0.0) -> list[Sample]:
    """A discharge of a battery from the population's middle, but with this capacity (units of C20) and offset."""
    numbers = sound_prior().mean
    wells, drawn, rows = np.zeros(4), 0.0, []
    rate = amps / PROFILE.c20_ah
    whole = cell.total_charge(np.array(capacity), np.array(numbers[LAG]))
    for minute in range(6000):
        depleted = cell.depleted_fraction(np.array(drawn), wells, whole, np.array(numbers[LAG]))
        volts = float(cell.terms(depleted, rate) @ numbers[2:]) + offset
        rows.append(Sample(t_s=60.0 * minute, volts=6 * volts, amps=amps))
        if volts < 1.75:
            break
        drawn, wells = drawn + rate / 60, cell.advance_wells(wells, rate, 1 / 60)
    return rows


def runs_of(capacity: float, *loads: float) -> list[DischargeRun]:
    return [run for amps in loads for run in discharges(iter(made(capacity, amps)), PROFILE, f"{amps} A")]


@pytest.mark.parametrize("capacity", [0.75, 0.95, 1.15])
def test_capacity_is_found(capacity: float) -> None:
    found = fitted_profile(PROFILE, runs_of(capacity, 1.5, 4.0), date(2026, 5, 1)).fitted
    assert found is not None
    assert found.capacity_ah / PROFILE.c20_ah == pytest.approx(capacity, rel=0.04)
    assert found.error_volts < 0.01


def test_two_runs_leave_a_smaller_spread_than_one() -> None:
    one = fitted_profile(PROFILE, runs_of(1.0, 1.5), date(2026, 5, 1)).fitted
    two = fitted_profile(PROFILE, runs_of(1.0, 1.5, 4.0), date(2026, 5, 1)).fitted
    assert one is not None
    assert two is not None
    assert np.sqrt(two.covariance[LAG][LAG]) < np.sqrt(one.covariance[LAG][LAG])


def test_a_fitted_battery_is_predicted_better() -> None:
    def width(profile: BatteryProfile) -> float:
        estimator = Estimator(profile, RuntimeLimits(cutoff_volts=10.5, end_volts_per_cell=0.0), start_soc=1.0)
        for sample in made(0.95, 2.5)[:120]:
            estimator.update(sample)
        found = estimator.estimate()
        assert found.runtime_high_s is not None
        assert found.runtime_low_s is not None
        return found.runtime_high_s - found.runtime_low_s

    assert width(fitted_profile(PROFILE, runs_of(0.95, 1.5, 4.0), date(2026, 5, 1))) < 0.5 * width(PROFILE)


def test_shallow_discharges_and_recharges_are_skipped() -> None:
    rows = made(1.0, 2.0)
    shallow = rows[:60]
    charge = [Sample(t_s=rows[-1].t_s + 60.0 * (1 + m), volts=13.5, amps=-2.0) for m in range(60)]
    assert discharges(iter(shallow), PROFILE) == []
    assert len(discharges(iter(rows + charge), PROFILE)) == 1


def test_what_a_gap_hides_is_not_counted_as_drawn() -> None:
    rows = made(1.0, 4.0)[:60]
    later = [dataclasses.replace(row, t_s=row.t_s + 1e6) for row in rows]
    assert discharges(iter([*rows, *later]), PROFILE) == []


def test_the_rest_of_a_discharge_after_a_gap_does_not_count_as_a_full_battery() -> None:
    rows = made(1.0, 2.0)
    later = [dataclasses.replace(row, t_s=row.t_s + 1e6) for row in rows]
    assert discharges(iter([*rows[:60], *later]), PROFILE) == []
    charge = [Sample(t_s=later[-1].t_s + 60.0 * (1 + m), volts=13.5, amps=-2.0) for m in range(60)]
    again = [dataclasses.replace(row, t_s=row.t_s + charge[-1].t_s + 60.0) for row in rows]
    assert len(discharges(iter([*rows[:60], *later, *charge, *again]), PROFILE)) == 1


@pytest.mark.parametrize(
    ("times_volts", "times_amps", "said"),
    [
        (2.0, 1.0, "V for each of 6 cells"),
        (0.5, 1.0, "V for each of 6 cells"),
        (1.0, 10.0, "of the rated 18 Ah"),
        (1.0, 1.0, None),
    ],
)
def test_what_cannot_be_this_battery_is_refused(times_volts: float, times_amps: float, said: str | None) -> None:
    rows = [Sample(t_s=row.t_s, volts=row.volts * times_volts, amps=2.0 * times_amps) for row in made(1.0, 2.0)]
    runs = discharges(iter(rows), PROFILE)
    why = refusal(fitted_profile(PROFILE, runs, date(2026, 5, 1)), runs)
    assert (why is None) == (said is None)
    assert said is None or said in str(why)


def test_history_grows_and_survives_the_file(tmp_path: Path) -> None:
    first = fitted_profile(PROFILE, runs_of(1.0, 1.5), date(2026, 5, 1))
    second = fitted_profile(first, runs_of(0.9, 2.5), date(2026, 8, 1))
    assert [row.date.month for row in second.history] == [5, 8]
    save_profile(tmp_path / "b.toml", second)
    again = load_profile(tmp_path / "b.toml")
    assert again.fitted is not None
    assert again.fitted.mean[CAPACITY] == pytest.approx(second.fitted.mean[CAPACITY] if second.fitted else 0, rel=1e-6)


def _learned(*days: tuple[date, float, float]) -> BatteryProfile:
    """Fitted one after the other: day, capacity, amps."""
    profile = PROFILE
    for day, capacity, amps in days:
        profile = fitted_profile(profile, runs_of(capacity, amps), day)
    return profile


def test_runs_fitted_one_by_one_give_the_same_as_at_once(tmp_path: Path) -> None:
    one_by_one = fitted_profile(PROFILE, runs_of(0.95, 1.5), date(2026, 5, 1))
    save_profile(tmp_path / "b.toml", one_by_one)
    one_by_one = fitted_profile(load_profile(tmp_path / "b.toml"), runs_of(0.95, 4.0), date(2026, 5, 1))
    at_once = fitted_profile(PROFILE, runs_of(0.95, 1.5, 4.0), date(2026, 5, 1))
    assert one_by_one.fitted is not None
    assert at_once.fitted is not None
    assert one_by_one.fitted.runs == at_once.fitted.runs == 2
    assert one_by_one.fitted.mean == pytest.approx(at_once.fitted.mean, rel=0.01, abs=1e-4)
    assert np.diag(one_by_one.fitted.covariance) == pytest.approx(np.diag(at_once.fitted.covariance), rel=0.05)


def test_the_newest_run_shows_the_capacity_now() -> None:
    """A capacity that fell at once is found, and the rows before it stay."""
    found = _learned((date(2026, 1, 1), 1.05, 2.0), (date(2026, 2, 1), 1.04, 3.0), (date(2026, 3, 1), 0.7, 2.0))
    assert found.fitted is not None
    assert found.fitted.capacity_ah / PROFILE.c20_ah == pytest.approx(0.7, rel=0.06)
    fractions = [row.capacity_ah / PROFILE.c20_ah for row in found.history]
    assert fractions == pytest.approx([1.05, 1.04, 0.7], rel=0.06)


def test_an_older_log_fitted_late_takes_its_place_in_time() -> None:
    found = _learned((date(2026, 6, 1), 0.8, 2.0), (date(2025, 1, 1), 1.0, 3.0))
    assert found.fitted is not None
    assert found.fitted.date == date(2026, 6, 1)
    assert found.fitted.capacity_ah / PROFILE.c20_ah == pytest.approx(0.8, rel=0.08)


def _kept_months(found: BatteryProfile) -> list[int]:
    return [row.date.month for row in found.history if row.points]


def test_only_so_many_runs_keep_their_points(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fit, "KEPT_RUNS", 2)
    found = _learned(*((date(2026, month, 1), 1.0, amps) for month, amps in enumerate((2.0, 3.0, 4.0), 1)))
    assert len(_kept_months(found)) == 2
    assert found.fitted is not None
    assert found.fitted.runs == 3
    assert profile_text(without_points(found)).count("points =") == 0


def test_a_run_at_a_load_unlike_the_others_keeps_its_points(monkeypatch: pytest.MonkeyPatch) -> None:
    """A test at home at another load than the field shows the rate effect, however many days in the field follow."""
    monkeypatch.setattr(fit, "KEPT_RUNS", 2)
    found = _learned((date(2026, 1, 1), 1.0, 1.5), *((date(2026, month, 1), 1.0, 4.0) for month in (2, 3)))
    assert _kept_months(found) == [1, 3]


@pytest.mark.endurance
def test_six_of_many_runs_keep_their_points() -> None:
    days = [(date(2026, 1, 1), 1.0, 0.9), *((date(2026, month, 1), 1.0, 3.0) for month in range(2, 10))]
    found = _learned(*days)
    assert _kept_months(found) == [1, 5, 6, 7, 8, 9]
    assert found.fitted is not None
    assert found.fitted.runs == 7


def test_a_profile_whose_fit_was_deleted_starts_again() -> None:
    known = fitted_profile(PROFILE, runs_of(1.0, 1.5), date(2026, 5, 1))
    again = fitted_profile(msgspec.structs.replace(known, fitted=None), runs_of(0.9, 2.5), date(2026, 8, 1))
    assert again.fitted is not None
    assert again.fitted.runs == 1
    assert [bool(row.points) for row in again.history] == [False, True]


def test_a_log_without_current_cannot_be_fitted(tmp_path: Path) -> None:
    log = tmp_path / "blind.csv"
    log.write_text("t_s,volts\n" + "".join(f"{60 * m},{12.5 - m / 1000}\n" for m in range(60)))
    with pytest.raises(BadInput, match="without the current nothing can be learned"):
        runs_in(log, PROFILE)
    log.write_text("t_s,volts,amps\n0,12.5,1\n60,12.4,1\n")
    with pytest.raises(BadInput, match="no discharge deeper"):
        runs_in(log, PROFILE)


def test_a_run_that_did_not_begin_full_is_recognised_beside_a_full_one() -> None:
    """Otherwise its capacity would seem half of what it is."""
    whole = made(1.0, 3.0)
    late = [dataclasses.replace(row, t_s=row.t_s - whole[110].t_s) for row in whole[110:]]
    runs = [*runs_of(1.0, 2.0), *discharges(iter(late), PROFILE)]
    found = fitted_profile(PROFILE, runs, date(2026, 5, 1))
    assert found.fitted is not None
    assert found.fitted.capacity_ah == pytest.approx(PROFILE.c20_ah, rel=0.06)


def test_a_short_charge_is_counted_and_a_long_one_ends_the_discharge() -> None:
    rows = made(1.0, 2.0)
    half = len(rows) // 2
    minutes = 20.0

    def with_charge(amps: float) -> list[DischargeRun]:
        back = round(amps * minutes * 0.95 / 2.0)  # rows of a minute at 2 A that the charge gives back
        charge = [Sample(t_s=rows[half].t_s + 60.0 * (1 + m), volts=13.3, amps=-amps) for m in range(int(minutes))]
        later = [dataclasses.replace(row, t_s=row.t_s + 60.0 * (minutes + back)) for row in rows[half - back + 1 :]]
        return discharges(iter([*rows[: half + 1], *charge, *later]), PROFILE)

    whole = discharges(iter(rows), PROFILE)
    assert [run.depth for run in with_charge(2.0)] == pytest.approx([whole[0].depth], abs=0.01)
    found = [fitted_profile(PROFILE, runs, date(2026, 5, 1)).fitted for runs in (with_charge(2.0), whole)]
    assert found[0] is not None
    assert found[1] is not None
    assert found[0].capacity_ah == pytest.approx(found[1].capacity_ah, rel=0.03)
    assert len(with_charge(9.0)) == 2, "a long charge: 15 % of C20 and more"

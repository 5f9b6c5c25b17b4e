"""State of health, the guided capacity test, and findings when a battery contradicts its profile."""

import dataclasses
from datetime import date

import msgspec
import pytest

from groundbox.battery.capacity_test import CapacityTest
from groundbox.battery.estimate import Estimator
from groundbox.battery.fit import fitted_profile
from groundbox.battery.health import health
from groundbox.battery.limits import RuntimeLimits
from groundbox.battery.logs import discharges
from groundbox.battery.profile import BatteryProfile, DischargeRow, HistoryRow
from groundbox.battery.values import Sample
from groundbox.rig.electric import SimBattery, SimBatterySettings

PROFILE = BatteryProfile(c20_ah=18.0, label="mast 2")


def _row(year: int, month: int, capacity_ah: float, mohm: float = 20.0) -> HistoryRow:
    return HistoryRow(
        date=date(year, month, 1), capacity_ah=capacity_ah, capacity_sd_ah=0.5, resistance_mohm=mohm, depth=0.9
    )


def test_no_measurement_is_reported() -> None:
    found = health(PROFILE)
    assert found.fraction is None
    assert "not enough data yet" in found.verdict


@pytest.mark.parametrize(
    ("capacity_ah", "said"), [(17.5, "sound"), (14.5, "close to 80%"), (12.0, "replace it: under 80%")]
)
def test_the_criterion_of_the_standard_is_named(capacity_ah: float, said: str) -> None:
    verdict = health(msgspec.structs.replace(PROFILE, history=[_row(2025, 4, capacity_ah)])).verdict
    assert said in verdict
    assert "IEEE 1188" in verdict
    assert "not enough data yet for a trend" in verdict


def test_a_trend_needs_three_fits_and_two_months() -> None:
    rows = [_row(2024, 4, 18.0), _row(2025, 4, 17.1), _row(2026, 4, 16.2, mohm=28.0)]
    found = health(msgspec.structs.replace(PROFILE, history=rows))
    assert found.per_year == pytest.approx(-0.05, abs=0.002)
    assert found.resistance_rise == pytest.approx(1.4)
    assert health(msgspec.structs.replace(PROFILE, history=rows[:2])).per_year is None


def _evening(load_hours: float, *, rest_volts: float = 12.9, gap_at: float | None = None) -> list[Sample]:
    rows = [Sample(t_s=60.0 * m, volts=14.5, amps=-0.2) for m in range(30)]
    rows += [Sample(t_s=60.0 * (30 + m), volts=rest_volts, amps=0.0) for m in range(70)]
    minutes = int(load_hours * 60)
    for minute in range(minutes + 1):
        off = gap_at is not None and gap_at * 60 <= minute < gap_at * 60 + 10
        volts = 12.5 if off else 12.6 - 2.1 * (minute / minutes) ** 2
        rows.append(Sample(t_s=60.0 * (100 + minute), volts=volts, amps=0.0 if off else 3.0, battery_c=22.2))
    return rows


SHEET = msgspec.structs.replace(
    PROFILE, discharge=[DischargeRow(amps=3.0, minutes=300), DischargeRow(amps=0.9, minutes=1200)]
)


def test_the_steps_in_order_and_the_percent_by_time() -> None:
    test, names = CapacityTest(SHEET), []
    for sample in _evening(4.65):
        step = test.update(sample)
        names += [] if names and names[-1] == step.name else [step.name]
    assert names == ["rest", "discharge"], "one low reading may be a servo's start"
    assert test.finish().name == "stop"
    assert test.step.percent == pytest.approx(100 * 4.65 / (5.0 * 0.970), abs=3)
    assert "switch the load off now" in test.step.do


@pytest.mark.parametrize("volts", [10.4, 0.0])
def test_one_low_reading_does_not_end_the_test(volts: float) -> None:
    test, rows = CapacityTest(SHEET), _evening(4.65)
    rows[len(rows) // 2] = dataclasses.replace(rows[len(rows) // 2], volts=volts)
    for sample in rows:
        test.update(sample)
    assert test.finish().percent == pytest.approx(100 * 4.65 / (5.0 * 0.970), abs=3)


def test_the_end_voltage_counts_once_it_stays_or_the_load_is_off() -> None:
    rows = _evening(4.65)
    last = rows[-1]
    for after in (dataclasses.replace(last, t_s=last.t_s + 60), Sample(t_s=last.t_s + 5, volts=12.0, amps=0.0)):
        test = CapacityTest(SHEET)
        for sample in [*rows, after]:
            test.update(sample)
        assert test.step.name == "stop"
        assert test.step.hours == pytest.approx(4.65, abs=0.05)


@pytest.mark.parametrize(("low_s", "ended"), [(9.5, False), (10.5, True)])
def test_ten_seconds_at_the_end_voltage_end_the_test(low_s: float, ended: bool) -> None:
    test, rows = CapacityTest(SHEET), _evening(4.65)[:-1]
    t_s = rows[-1].t_s
    low = [dataclasses.replace(rows[-1], t_s=t_s + after_s, volts=10.5) for after_s in (1.0, 1.0 + low_s)]
    for sample in [*rows, *low]:
        test.update(sample)
    assert (test.step.name == "stop") == ended


@pytest.mark.parametrize("minutes", [50, 240])
def test_a_gap_in_the_discharge_makes_the_test_invalid(minutes: int) -> None:
    test, rows = CapacityTest(SHEET), _evening(4.65)
    half = len(rows) * 2 // 3
    late = [dataclasses.replace(row, t_s=row.t_s + 60 * minutes) for row in rows[half:]]
    steps = [test.update(sample) for sample in [*rows[:half], *late]]
    assert steps[half].name == "invalid"
    assert f"nothing was recorded for {minutes + 1} min" in steps[half].do


@pytest.mark.parametrize(("step_min", "gap_min"), [(1, 10), (30, 90)])
def test_a_gap_of_a_few_usual_steps_leaves_the_test_valid(step_min: int, gap_min: int) -> None:
    test, rows = CapacityTest(SHEET), _evening(4.65)[::step_min]
    half = len(rows) * 2 // 3
    late = [dataclasses.replace(row, t_s=row.t_s + 60 * (gap_min - step_min)) for row in rows[half:]]
    names = {test.update(sample).name for sample in [*rows[:half], *late]}
    assert "invalid" not in names
    assert test.step.name == "discharge"


def test_an_invalid_test_is_reported() -> None:
    for rows in (_evening(4.65, gap_at=2.0), [Sample(t_s=60.0 * m, volts=12.4, amps=3.0) for m in range(30)]):
        test = CapacityTest(SHEET)
        for sample in rows:
            test.update(sample)
        assert test.step.name == "invalid"
        assert "begin again" in test.step.do


def test_without_full_charge_or_rest_voltage_it_asks_for_a_charge() -> None:
    test = CapacityTest(SHEET)
    for minute in range(90):
        test.update(Sample(t_s=60.0 * minute, volts=12.2, amps=0.0))
    assert test.step.name == "charge"


def _switched(profile: BatteryProfile, extra_ohm: float) -> list[set[str]]:
    """Findings each ten minutes of three hours in which 2 A are joined by 1 A for every other ten minutes."""
    battery = SimBattery(SimBatterySettings(c20_ah=profile.c20_ah))
    estimator = Estimator(profile, RuntimeLimits(cutoff_volts=9.0), start_soc=1.0)
    kinds = []
    for minute in range(180):
        amps = 2.0 + minute // 10 % 2
        volts = battery.inner_volts() - amps * battery.ohm(charging=False)
        battery.step(60, volts, amps)
        estimator.update(Sample(t_s=60.0 * minute, volts=volts - amps * extra_ohm, amps=amps))
        if minute % 10 == 9:
            kinds.append({finding.kind for finding in estimator.estimate().findings})
    return kinds


def test_a_bad_connector_differs_from_a_wrong_battery_once_loads_were_switched() -> None:
    from tests.host.battery.test_fit import made

    runs = [run for amps in (2.0, 5.0) for run in discharges(iter(made(1.0, amps)), PROFILE)]
    known = fitted_profile(PROFILE, runs, date(2026, 5, 1))
    assert all(kinds == {"bad connector"} for kinds in _switched(known, 0.25)[4:])
    assert not any("bad connector" in kinds for kinds in _switched(known, 0.0))


def _followed(profile: BatteryProfile, sag_ohm: float = 0.0, off_volts: float = 0.0) -> set[str]:
    from tests.host.battery.test_fit import made

    estimator = Estimator(profile, RuntimeLimits(cutoff_volts=9.0, end_volts_per_cell=0.0), start_soc=1.0)
    kinds: set[str] = set()
    for place, sample in enumerate(made(1.0, 4.0)):
        amps = sample.amps or 0.0
        estimator.update(Sample(t_s=sample.t_s, volts=sample.volts - sag_ohm * amps + off_volts, amps=amps))
        if place % 10 == 0:
            kinds |= {finding.kind for finding in estimator.estimate().findings}
    return kinds


def test_a_contradiction_is_found_and_a_good_battery_has_no_finding() -> None:
    from tests.host.battery.test_fit import made

    runs = [run for amps in (2.0, 5.0) for run in discharges(iter(made(1.0, amps)), PROFILE)]
    strong = [run for amps in (2.0, 5.0) for run in discharges(iter(made(1.5, amps)), PROFILE)]
    known = fitted_profile(PROFILE, runs, date(2026, 5, 1))
    assert _followed(known) == set()
    assert "capacity fell" in _followed(fitted_profile(PROFILE, strong, date(2026, 5, 1)))
    assert "wrong battery?" in _followed(known, off_volts=-0.6)

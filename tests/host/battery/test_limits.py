"""One end voltage: the estimator, the warnings and the report use the same one."""

import math

import pytest

from groundbox.battery.estimate import Estimator
from groundbox.battery.limits import RuntimeLimits, end_volts, end_volts_per_cell
from groundbox.battery.profile import BatteryProfile, DischargeRow
from groundbox.battery.values import Phase, Sample
from groundbox.model import Reading
from groundbox.monitor.tracker import Tracker
from groundbox.settings import BoxSettings

ROWS = [
    DischargeRow(amps=0.9, minutes=1200, end_volts_per_cell=1.80),
    DischargeRow(amps=9.0, minutes=60, end_volts_per_cell=1.60),
]
OPEN = RuntimeLimits(cutoff_volts=9.0)


def test_the_makers_rows_give_the_end_voltage_for_the_load() -> None:
    profile = BatteryProfile(c20_ah=18.0, discharge=ROWS)
    at = [end_volts_per_cell(OPEN, profile, amps) for amps in (0.1, 0.9, math.sqrt(0.9 * 9.0), 9.0, 30.0)]
    assert at == pytest.approx([1.80, 1.80, 1.70, 1.60, 1.60])


def test_without_rows_or_with_several_ends_for_one_time_it_is_the_standards() -> None:
    several = [*ROWS, DischargeRow(amps=9.5, minutes=60, end_volts_per_cell=1.75)]
    for rows in ([], several):
        assert end_volts_per_cell(OPEN, BatteryProfile(c20_ah=18.0, discharge=rows), 9.0) == 1.75


def test_what_the_person_set_goes_first() -> None:
    set_by_hand = RuntimeLimits(cutoff_volts=9.0, end_volts_per_cell=0.0)
    assert end_volts_per_cell(set_by_hand, BatteryProfile(c20_ah=18.0, discharge=ROWS), 9.0) == 0.0


def test_the_estimator_ends_at_the_makers_end_voltage() -> None:
    def ends(rows: list[DischargeRow], cutoff: float) -> str | None:
        estimator = Estimator(
            BatteryProfile(c20_ah=18.0, discharge=rows), RuntimeLimits(cutoff_volts=cutoff), start_soc=1.0
        )
        for minute in range(10):
            estimator.update(Sample(t_s=60.0 * minute, volts=12.5, amps=9.0))
        return estimator.estimate([Phase(seconds=math.inf, amps=9.0)]).limit

    assert ends([], 10.0) == "end_voltage"
    assert ends(ROWS, 10.0) == "cutoff"


def test_runtime_and_warnings_share_the_makers_end_voltage() -> None:
    """At 10.72 V and 0.45 A the battery is under its maker's 1.80 V per cell, and not under 1.75 V per cell."""
    profile = BatteryProfile(c20_ah=9.0, discharge=[DischargeRow(amps=0.45, minutes=1200, end_volts_per_cell=1.80)])
    tracker = Tracker("mast", BoxSettings(cutoff_volts=10.0), "sedge", profile)
    for minute in range(20):
        volts = 11.4 if minute < 19 else 10.72
        reading = Reading(
            box="mast", boot=1, sequence=minute, uptime_ms=60_000 * minute, battery_volts=volts, battery_amps=0.45
        )
        tracker.take(60.0 * minute, reading)
        tracker.refresh(reading)
    assert tracker.estimate is not None
    assert tracker.estimate.runtime_expected_s == 0.0
    assert tracker.estimate.limit == "end_voltage"
    assert tracker.end_volts == pytest.approx(10.8)


def test_end_volts_at_the_terminals_and_for_an_unknown_load() -> None:
    profile = BatteryProfile(c20_ah=36.0, cells=12, discharge=ROWS)
    assert end_volts(OPEN, profile, 9.0) == pytest.approx(12 * 1.60)
    assert end_volts(OPEN, profile, None) == pytest.approx(12 * 1.80)


def test_a_peak_of_the_load_under_the_end_voltage_does_not_end_the_runtime() -> None:
    estimator = Estimator(BatteryProfile(c20_ah=18.0), OPEN, start_soc=1.0)
    for minute in range(60):
        peak = minute == 59
        estimator.update(Sample(t_s=60.0 * minute, volts=10.4 if peak else 12.4, amps=9.0 if peak else 0.9))
    assert (estimator.estimate().runtime_expected_s or 0.0) > 0
    estimator.update(Sample(t_s=3600.0, volts=10.4, amps=0.9))
    assert estimator.estimate().runtime_expected_s == 0.0

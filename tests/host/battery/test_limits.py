"""Which end voltage counts as the battery's floor."""

import math

import pytest

from groundbox.battery.estimate import Estimator, Limits, Phase, Sample
from groundbox.battery.limits import end_volts_per_cell
from groundbox.battery.profile import BatteryProfile, DischargeRow

ROWS = [
    DischargeRow(amps=0.9, minutes=1200, end_volts_per_cell=1.80),
    DischargeRow(amps=9.0, minutes=60, end_volts_per_cell=1.60),
]
OPEN = Limits(cutoff_volts=9.0)


def test_the_makers_rows_give_the_floor_for_the_load() -> None:
    profile = BatteryProfile(c20_ah=18.0, discharge=ROWS)
    at = [end_volts_per_cell(OPEN, profile, amps) for amps in (0.1, 0.9, math.sqrt(0.9 * 9.0), 9.0, 30.0)]
    assert at == pytest.approx([1.80, 1.80, 1.70, 1.60, 1.60])


def test_without_rows_or_with_several_ends_for_one_time_it_is_the_standards() -> None:
    several = [*ROWS, DischargeRow(amps=9.5, minutes=60, end_volts_per_cell=1.75)]
    for rows in ([], several):
        assert end_volts_per_cell(OPEN, BatteryProfile(c20_ah=18.0, discharge=rows), 9.0) == 1.75


def test_what_the_person_set_goes_first() -> None:
    set_by_hand = Limits(cutoff_volts=9.0, end_volts_per_cell=0.0)
    assert end_volts_per_cell(set_by_hand, BatteryProfile(c20_ah=18.0, discharge=ROWS), 9.0) == 0.0


def test_the_estimator_ends_at_the_makers_floor() -> None:
    def ends(rows: list[DischargeRow], cutoff: float) -> str | None:
        estimator = Estimator(BatteryProfile(c20_ah=18.0, discharge=rows), Limits(cutoff_volts=cutoff), start_soc=1.0)
        for minute in range(10):
            estimator.update(Sample(t_s=60.0 * minute, volts=12.5, amps=9.0))
        return estimator.estimate([Phase(seconds=math.inf, amps=9.0)]).limit

    assert ends([], 10.0) == "end_voltage"
    assert ends(ROWS, 10.0) == "cutoff"

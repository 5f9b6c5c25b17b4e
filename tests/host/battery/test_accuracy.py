"""The estimator's error stays small on a discharge by a published table; needs no recorded data.

The recording is simulated, and labelled so: the voltage follows the project's cell model, whose numbers are drawn to
the published table; the time at which it reaches the end voltage is the table's own. Source of the table: maker's data
sheet of a 12 V 17 Ah valve-regulated battery, US, USL and XLT series, secondary copy, to 1.75 V per cell at 20 °C.
"""

from datetime import date

import numpy as np
import pytest

from groundbox.battery import cell
from groundbox.battery.estimate import Estimator
from groundbox.battery.fit import fitted_profile
from groundbox.battery.limits import END_VOLTS_PER_CELL, RuntimeLimits
from groundbox.battery.logs import discharges
from groundbox.battery.prior import COEFFICIENTS, sheet_prior, sound_prior
from groundbox.battery.profile import BatteryProfile, DischargeRow
from groundbox.battery.values import Sample

C20_AH, CELSIUS, STEP_S = 17.5, 20.0, 60.0
TABLE = {0.86: 1200, 1.63: 600, 2.85: 300, 4.16: 180, 8.61: 60}  # amps: minutes
ROWS = [
    DischargeRow(amps=a, minutes=m, end_volts_per_cell=END_VOLTS_PER_CELL, temp_c=CELSIUS) for a, m in TABLE.items()
]
NAMEPLATE = BatteryProfile(c20_ah=C20_AH)


def recorded(amps: float) -> list[Sample]:
    """A simulated discharge at steady `amps` that reaches 1.75 V per cell at the table's time."""
    numbers = sheet_prior(sound_prior(), ROWS, C20_AH).mean
    rate = amps / C20_AH / cell.load_factor(CELSIUS, amps / C20_AH)
    total = cell.total_charge(np.array(numbers[0]), np.array(numbers[1]))
    drawn, wells, volts = 0.0, np.zeros(4), []
    while not volts or volts[-1] > END_VOLTS_PER_CELL:
        depleted = cell.depleted_fraction(np.array(drawn), wells, total, np.array(numbers[1]))
        volts.append(float(cell.terms(depleted, rate) @ numbers[COEFFICIENTS]))
        drawn, wells = drawn + rate * STEP_S / 3600, cell.advance_wells(wells, rate, STEP_S / 3600)
    minutes = np.linspace(0, TABLE[amps], len(volts))
    return [
        Sample(t_s=60.0 * m, volts=6 * v, amps=amps, battery_c=CELSIUS) for m, v in zip(minutes, volts, strict=True)
    ]


def rms_percent(profile: BatteryProfile, amps: float) -> float:
    """RMS error of the expected runtime from 5 to 95 % of the discharge, in percent of its whole time."""
    rows = recorded(amps)
    estimator = Estimator(profile, RuntimeLimits(cutoff_volts=10.5, end_volts_per_cell=0.0), start_soc=1.0)
    whole_s, errors = rows[-1].t_s, []
    for place, row in enumerate(rows):
        estimator.update(row)
        if 0.05 < row.t_s / whole_s < 0.95 and place % 10 == 0:
            found = estimator.estimate()
            assert found.runtime_low_s is not None
            assert found.runtime_expected_s is not None
            assert found.runtime_high_s is not None
            assert found.runtime_low_s <= whole_s - row.t_s <= found.runtime_high_s
            errors.append(100 * (found.runtime_expected_s - (whole_s - row.t_s)) / whole_s)
    return float(np.sqrt(np.mean(np.square(errors))))


@pytest.mark.parametrize(("amps", "percent"), [(1.63, 5.0), (4.16, 8.0)])
def test_runtime_by_the_nameplate(amps: float, percent: float) -> None:
    assert rms_percent(NAMEPLATE, amps) < percent


def test_runtime_of_a_fitted_battery() -> None:
    runs = [run for amps in (1.63, 4.16) for run in discharges(iter(recorded(amps)), NAMEPLATE, f"{amps} A")]
    assert rms_percent(fitted_profile(NAMEPLATE, runs, date(2026, 5, 1)), 2.85) < 2.5

"""A wrong sensor, an old fit, a wrong label: the low number stays safe, and the cause is named."""

from collections.abc import Iterator
from dataclasses import replace

import msgspec
import numpy as np
import pytest
from tests.host.battery.test_findings import well_fitted
from tests.host.battery.test_fit import made

from groundbox.battery.estimate import Estimator
from groundbox.battery.limits import RuntimeLimits
from groundbox.battery.prior import CAPACITY, fitted_prior, sound_prior
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.values import Estimate, Sample

PROFILE = BatteryProfile(c20_ah=18.0)
LIMITS = RuntimeLimits(cutoff_volts=10.5, end_volts_per_cell=0.0)


def answers(rows: list[Sample], profile: BatteryProfile = PROFILE) -> Iterator[tuple[float, Estimate]]:
    """Seconds that are left in truth, and the estimate, at every twentieth reading."""
    estimator = Estimator(profile, LIMITS, start_soc=1.0)
    for place, row in enumerate(rows):
        estimator.update(row)
        if place % (len(rows) // 20) == 0 and place > len(rows) // 8:
            yield rows[-1].t_s - row.t_s, estimator.estimate()


@pytest.mark.parametrize("gain", [0.2, 0.5])
def test_a_current_that_reads_too_small_is_never_unsafe_and_is_found(gain: float) -> None:
    rows = [replace(row, amps=(row.amps or 0.0) * gain) for row in made(1.0, 3.0)]
    found = list(answers(rows))
    assert all(one.runtime_low_s is not None and one.runtime_low_s <= left + 60 for left, one in found)
    assert found[-1][1].trust == "doubtful"


def test_a_sound_box_is_not_doubted() -> None:
    assert all(not one.findings for _, one in answers(list(made(1.0, 3.0))))


def test_a_current_that_stops_reading_changes_nothing() -> None:
    rows = list(made(1.0, 3.0))
    broken = [replace(row, amps=0.0) if place > 40 else row for place, row in enumerate(rows)]
    (_, sound), (_, lost) = list(answers(rows))[-3], list(answers(broken))[-3]
    assert lost.runtime_low_s == pytest.approx(sound.runtime_low_s, rel=0.1)
    assert [one.kind for one in lost.findings] == ["current sensor?"]


def test_another_chemistry_gets_no_runtime() -> None:
    rows = [Sample(t_s=60.0 * m, volts=13.25 - 0.0003 * m, amps=2.0) for m in range(200)]
    estimate = list(answers(rows))[-1][1]
    assert estimate.runtime_low_s is None
    assert "no lead-acid" in (estimate.unknown_because or "")


@pytest.mark.parametrize(("years", "cycles"), [(1.0, 0), (0.0, 60)])
def test_a_fit_sinks_and_widens_with_time_and_discharges(years: float, cycles: int) -> None:
    fitted = well_fitted(sound_prior())
    old = fitted_prior(msgspec.structs.replace(fitted, age_years=years, cycles_since=cycles))
    new = fitted_prior(fitted)
    assert old.mean[CAPACITY] == pytest.approx(0.965 * new.mean[CAPACITY])
    added = np.sqrt(old.covariance[CAPACITY, CAPACITY] - new.covariance[CAPACITY, CAPACITY])
    assert added == pytest.approx(0.07 * new.mean[CAPACITY])
    assert old.worn_probability == pytest.approx(new.worn_probability + 0.15)


def test_a_battery_reported_full_with_the_voltage_of_an_empty_one_is_found_by_the_nameplate_alone() -> None:
    rows = [Sample(t_s=60.0 * m, volts=12.0 - 0.002 * m, amps=0.4) for m in range(100)]
    estimate = list(answers(rows))[-1][1]
    assert [one.kind for one in estimate.findings] == ["empty or sick"]
    assert estimate.runtime_low_s is None

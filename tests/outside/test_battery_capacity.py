"""The capacity test's arithmetic, and Peukert's, against worked examples."""

import pytest
from tests.benchmarks.battery_methods import peukert_hours

from groundbox.battery.capacity_test import percent_of_rated, time_factor


@pytest.mark.parametrize(
    ("celsius", "factor"),
    # IEEE 450 and 1188 time factors, read in ReaganCuthbert/DC-Battery-Testing (ISC), secondary copy
    [(4.4, 0.67), (10.0, 0.79), (20.0, 0.942), (22.2, 0.970), (25.0, 1.0), (27.2, 1.017), (30.0, 1.045)],
)
def test_time_factors_of_the_standards(celsius: float, factor: float) -> None:
    assert time_factor(celsius) == pytest.approx(factor, abs=0.001)


def test_capacity_by_time() -> None:
    """C = 100 ta / (ts KT): 7.2 h of 8 h at 72 F (22.2 C, KT 0.970) is 92.8 %."""
    assert percent_of_rated(7.2, 8.0, 22.2) == pytest.approx(92.8, abs=0.05)


@pytest.mark.parametrize(("exponent", "hours"), [(1.25, 3.536), (1.15, 4.061)])
def test_peukert(exponent: float, hours: float) -> None:
    """t = H (C / (I H)) ** k, W. Peukert 1897; C 7 Ah, H 20 h, I 1.4 A, worked by hand."""
    assert peukert_hours(7.0, 1.4, exponent) == pytest.approx(hours, abs=0.001)

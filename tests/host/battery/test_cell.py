"""Temperature of a cell, and the charge that particles start with."""

import numpy as np
import pytest

from groundbox.battery import cell
from groundbox.battery.particles import draw_particles
from groundbox.battery.prior import sound_prior


def test_capacity_falls_with_the_cold() -> None:
    factors = [cell.capacity_factor(float(battery_c)) for battery_c in range(-40, 61)]
    assert factors == sorted(factors)
    for battery_c, factor in ((-40, 0.30), (-30, 0.44), (-20, 0.58), (0, 0.86), (25, 1.0), (40, 1.03)):
        assert cell.capacity_factor(battery_c) == pytest.approx(factor)


def test_a_cold_battery_feels_a_larger_load() -> None:
    for rate in (0.05, 0.2, 0.6):
        factors = [cell.load_factor(float(battery_c), rate) for battery_c in range(-40, 26, 5)]
        assert factors == sorted(factors), rate
        assert factors[-1] == 1.0
    assert cell.load_factor(0.0, 0.6) < cell.load_factor(0.0, 0.2) < cell.load_factor(0.0, 0.05)


def test_the_battery_temperature_lags_three_hours() -> None:
    assert cell.lagged_battery_c(30.0, 10.0, 3.0) == pytest.approx(10 + 20 * np.exp(-1))
    assert cell.lagged_battery_c(30.0, 10.0, 0.0) == 30.0


def test_a_charge_that_nobody_states_may_be_anything_from_a_tenth() -> None:
    charges = draw_particles(sound_prior(), None).charge()
    assert 0.10 <= charges.min() < 0.105
    assert charges.max() <= 1.0
    assert np.mean(charges < 0.9) == pytest.approx(0.30, abs=0.05), "three in ten do not begin near full"


def test_a_stated_charge_is_mostly_right() -> None:
    charges = draw_particles(sound_prior(), 0.5).charge()
    assert np.mean(abs(charges - 0.5) < 0.08) == pytest.approx(0.77, abs=0.05)


def test_the_strength_of_the_lag_is_spread_about_the_prior() -> None:
    prior = sound_prior()
    strength = draw_particles(prior, 1.0).strength
    assert strength.mean() == pytest.approx(prior.mean[1], rel=0.1)
    assert strength.std() == pytest.approx(prior.covariance[1, 1] ** 0.5, rel=0.25)


def test_a_number_of_the_prior_replaced_and_made_independent() -> None:
    before = sound_prior()
    after = before.with_number(0, 0.8, 0.05)
    assert (after.mean[0], after.covariance[0, 0]) == (0.8, pytest.approx(0.0025))
    assert not after.covariance[0, 1:].any()
    assert not after.covariance[1:, 0].any()
    assert (after.mean[1:] == before.mean[1:]).all()
    assert (after.covariance[1:, 1:] == before.covariance[1:, 1:]).all()
    assert before.mean[0] == 1.06, "the prior itself stays"

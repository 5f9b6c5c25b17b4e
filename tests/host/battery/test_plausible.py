"""What the sensors of a box contradict: each fault is reported, and its sound neighbour is not."""

import pytest

from groundbox.battery.plausible import (
    DIFFERS_HOURS,
    FALLING_HOURS,
    PLATEAU_DRAWN,
    SAME_CHARGE,
    SWAP_READINGS,
    Plausibility,
)


@pytest.mark.parametrize(
    ("jump", "expected", "lost"), [(0.0, 0.03, True), (0.002, 0.03, True), (0.012, 0.03, False), (0.0, 0.005, False)]
)
def test_a_current_that_stops_without_a_rise_of_the_voltage_is_lost(jump: float, expected: float, lost: bool) -> None:
    doubts = Plausibility()
    doubts.take_step(0.2, 0.0, jump, expected)
    assert doubts.lost == lost


@pytest.mark.parametrize(("fall", "volts", "lost"), [(0.006, 2.05, True), (-0.006, 2.05, False), (0.006, 2.14, False)])
def test_a_rest_whose_voltage_keeps_falling_is_a_load(fall: float, volts: float, lost: bool) -> None:
    doubts = Plausibility()
    for place in range(11):
        doubts.take_rest(FALLING_HOURS / 10, volts - fall * place / 10, charging=False)
    assert doubts.lost == lost


def test_a_surface_charge_that_decays_is_no_load() -> None:
    doubts = Plausibility()
    doubts.take_rest(0.1, 2.09, charging=True)
    for place in range(11):
        doubts.take_rest(FALLING_HOURS / 10, 2.09 - 0.006 * place / 10, charging=False)
    assert not doubts.lost


def test_a_voltage_that_never_changes_under_load_is_frozen_until_it_does() -> None:
    doubts = Plausibility()
    for _ in range(20):
        doubts.take_voltage(0.0, 1.0, SAME_CHARGE / 18)
    assert doubts.frozen
    doubts.take_voltage(0.001, 1.0, 0.1)
    assert not doubts.frozen


def test_a_voltage_that_stays_at_rest_is_not_frozen() -> None:
    doubts = Plausibility()
    for _ in range(1000):
        doubts.take_voltage(0.0, 0.0, 0.1)
    assert not doubts.frozen


@pytest.mark.parametrize(
    ("jump", "expected", "after", "swapped"),
    [(0.08, 0.0, 2.08, True), (-0.08, 0.0, 1.92, True), (0.02, 0.0, 2.02, False), (0.08, 0.07, 2.08, False)],
)
def test_a_step_that_no_load_explains_and_that_stays_is_a_swap(
    jump: float, expected: float, after: float, swapped: bool
) -> None:
    doubts = Plausibility()
    doubts.take_level(after, jump, expected)
    confirmed = [doubts.take_level(after, 0.0, 0.0) for _ in range(SWAP_READINGS)]
    assert any(confirmed) == swapped == doubts.swapped


def test_a_step_that_goes_back_is_no_swap() -> None:
    doubts = Plausibility()
    doubts.take_level(2.08, 0.08, 0.0)
    assert not any(doubts.take_level(2.0, 0.0, 0.0) for _ in range(10))


@pytest.mark.parametrize(
    ("volts", "drawn", "other"),
    [(2.2, 0.2, True), (2.2, PLATEAU_DRAWN - 0.01, False), (2.1, 0.2, False), (2.3, 0.2, False)],
)
def test_a_plateau_above_lead_acid_is_another_chemistry(volts: float, drawn: float, other: bool) -> None:
    doubts = Plausibility()
    for _ in range(4):
        doubts.take_plateau(volts, 0.1, drawn)
    assert doubts.other == other


@pytest.mark.parametrize(
    ("measured", "differs"), [([0.4], True), ([3.2], True), ([1.4], False), ([2.8], False), ([2.0, 0.4], False)]
)
def test_a_measured_load_far_from_the_declared_one_differs(measured: list[float], differs: bool) -> None:
    """Loads that once agreed may be switched off; a load above the declared one differs whatever came before."""
    doubts = Plausibility()
    for amps in measured:
        for _ in range(21):
            doubts.take_loads(amps, 2.0, 1 / 60)
    assert (doubts.differs_hours >= DIFFERS_HOURS) == differs

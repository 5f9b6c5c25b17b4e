"""Heat in the case against the closed form, an independent solver, and its own books."""

from math import exp

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from groundbox.rig.heat import SimCase, SimCaseSettings, SimFan, SimFanSettings, flow_m3_per_h

_AIR_ONLY = SimCaseSettings(
    air_walls_w_per_k=0.0, air_battery_w_per_k=0.0, walls_battery_w_per_k=0.0, leak_w_per_k=2.0, air_j_per_k=1000.0
)


def test_air_alone_warms_as_a_first_order_step() -> None:
    """T = outside + P / UA (1 - e^(-t UA / C)): 20 W, 2 W/K, 1000 J/K."""
    case = SimCase(_AIR_ONLY, 25.0)
    for second in range(1, 2001):
        case.step(1.0, 20.0, 0.0, 0.0, 0.0, 25.0)
        assert case.air_c == pytest.approx(25 + 10 * (1 - exp(-second * 2 / 1000)), abs=0.001)


def test_air_carries_heat_by_the_air_flow_rule() -> None:
    """50 W and 10 K want 15.1 m3/h (rule of the trade: CFM = 1.76 W/K)."""
    case = SimCase(
        SimCaseSettings(air_walls_w_per_k=0, air_battery_w_per_k=0, walls_battery_w_per_k=0, leak_w_per_k=0), 25.0
    )
    for _ in range(5000):
        case.step(2.0, 100.0, 0.0, 0.0, 15.1, 25.0)
    assert case.air_c == pytest.approx(35.0, abs=0.15)


def test_coupled_case_agrees_with_an_independent_solver() -> None:
    s = SimCaseSettings()
    flow_w_per_k = 0.335 * 12
    outside = 28.0

    def slopes(_: float, at: np.ndarray) -> list[float]:
        air, walls, block = at
        to_walls, to_block = s.air_walls_w_per_k * (air - walls), s.air_battery_w_per_k * (air - block)
        between = s.walls_battery_w_per_k * (walls - block)
        return [
            (25 - to_walls - to_block - (s.leak_w_per_k + flow_w_per_k) * (air - outside)) / s.air_j_per_k,
            (500 * s.sun_area_m2 + to_walls - between - s.walls_outside_w_per_k * (walls - outside)) / s.walls_j_per_k,
            (3 + to_block + between) / s.battery_j_per_k,
        ]

    times = np.arange(600, 7201, 600)
    expected = solve_ivp(slopes, (0, 7200), [22.0, 22.0, 22.0], t_eval=times, rtol=1e-9, atol=1e-9).y
    case = SimCase(s, 22.0)
    for n in range(7200):
        case.step(1.0, 25.0, 3.0, 500.0, 12.0, outside)
        if (n + 1) % 600 == 0:
            assert (case.air_c, case.walls_c, case.battery_c) == pytest.approx(tuple(expected[:, n // 600]), abs=0.002)


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0, 80), st.floats(0, 900), st.floats(0, 40), st.floats(-10, 40)), min_size=1, max_size=8
    )
)
def test_heat_balances(phases: list[tuple[float, float, float, float]]) -> None:
    case = SimCase(SimCaseSettings(), 20.0)
    for watts, sun, flow, outside in phases:
        for _ in range(300):
            case.step(0.5, watts * 0.5, 1.0, sun, flow, outside)
    scale = case.in_joules + abs(case.out_joules) + abs(case.stored_joules)
    assert case.in_joules - case.out_joules - case.stored_joules == pytest.approx(0, abs=0.001 * scale)


def _at(*speeds: float) -> list[SimFan]:
    fans = [SimFan(SimFanSettings()) for _ in speeds]
    for fan, speed in zip(fans, speeds, strict=True):
        fan.rpm = fan.settings.full_rpm * speed
    return fans


def test_fans_in_a_row_move_more_against_a_path_and_less_when_one_has_stopped() -> None:
    path = SimCaseSettings().path
    two, one = flow_m3_per_h(_at(1, 1), path, 0.0), flow_m3_per_h(_at(1, 0), path, 0.0)
    assert 0 < one < flow_m3_per_h(_at(1), path, 0.0) < two < SimFanSettings().free_m3_per_h
    assert flow_m3_per_h(_at(0, 0), path, 0.0) == 0
    assert flow_m3_per_h(_at(1, 1), path, 0.6) < 0.7 * two


def test_fan_law_of_flow() -> None:
    """Against a path that resists with the square, flow goes with speed (fan laws, common practice, no source)."""
    path = SimCaseSettings().path
    assert flow_m3_per_h(_at(0.5, 0.5), path, 0.0) == pytest.approx(0.5 * flow_m3_per_h(_at(1, 1), path, 0.0))


def test_tachometer_gives_two_pulses_a_turn() -> None:
    """Open 4-wire fan specification: 1500 rpm is 50 Hz."""
    fan = SimFan(SimFanSettings(full_rpm=1500))
    fan.drive = 1.0
    for _ in range(100):
        fan.step(0.1, powered=True)
    assert fan.pulse_milli_hz == 50_000
    fan.fault = "stalled"
    fan.step(0.1, powered=True)
    assert fan.pulse_milli_hz == 0

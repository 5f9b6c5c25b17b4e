"""The case's heat against what is known outside the project: textbook solutions, an energy balance, another solver."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from groundbox.thermal.model import CaseModel, CaseState, Drive, minutes_to, predict, steady

CASE = CaseModel()
# Fans hold the air to outside and hardly anything to the walls: one node, the textbook's first-order step.
ONE_NODE = CaseModel(air_wall_w_per_k=1e-9, air_battery_w_per_k=1e-9, air_j_per_k=1200.0, fan_one_w_per_k=5.0)


def test_first_order_step_response() -> None:
    """Source: first-order step response of any text on heat transfer (lumped capacity): u = P R (1 - exp(-t / RC))."""
    drive = Drive(watts=50.0, outside_c=25.0, fans=1.0)
    for seconds in (0.0, 10.0, 240.0, 1000.0, 5000.0):
        closed = 25 + 50 / 5 * (1 - math.exp(-seconds * 5 / 1200))
        ours = predict(ONE_NODE, CaseState(air_c=25, wall_c=25), drive, seconds)
        assert ours.air_c == pytest.approx(closed, abs=1e-6)


def test_first_order_time_to_a_limit() -> None:
    """Source: the same, solved for t: t = RC ln(rise / (rise - wanted)); 63.2 % of the rise after one RC."""
    drive = Drive(watts=50.0, outside_c=25.0, fans=1.0)
    start = CaseState(air_c=25, wall_c=25)
    after_rc = minutes_to(25 + 10 * (1 - 1 / math.e), ONE_NODE, start, drive)
    assert after_rc == pytest.approx(1200 / 5 / 60, rel=1e-3)
    assert minutes_to(35.01, ONE_NODE, start, drive) is None


def test_air_flow_heat_rule() -> None:
    """50 W and 10 K need 15.1 m3/h (computed: 1.2 kg/m3, 1005 J/(kg K)); the trade's CFM = 1.76 W/K agrees."""
    w_per_k = 15.1 / 3600 * 1.2 * 1005
    case = replace(ONE_NODE, fan_two_w_per_k=w_per_k)
    assert steady(case, Drive(watts=50, outside_c=20, fans=2)).air_c == pytest.approx(30, abs=0.15)


@pytest.mark.parametrize("fans", [0.0, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("sun", [0.0, 1.0])
def test_two_nodes_against_scipy(fans: float, sun: float) -> None:
    """Source: SciPy solve_ivp (LSODA) over the two balances written here a second time."""
    fan = {0.0: 0.0, 0.5: CASE.fan_one_w_per_k / 2, 1.0: CASE.fan_one_w_per_k, 2.0: CASE.fan_two_w_per_k}[fans]

    def balance(_: float, y: np.ndarray) -> list[float]:
        air, wall = y
        across = CASE.air_wall_w_per_k * (air - wall)
        out = CASE.wall_outside_w_per_k * (wall - 28)
        return [
            (40 - across - fan * (air - 28)) / CASE.air_j_per_k,
            (across - out + sun * CASE.sun_watts) / CASE.wall_j_per_k,
        ]

    other = solve_ivp(balance, (0, 20000), [20, 45], method="LSODA", rtol=1e-10, atol=1e-10, dense_output=True)
    drive = Drive(watts=40, outside_c=28, fans=fans, sun=sun)
    for seconds in (1.0, 60.0, 900.0, 3600.0, 20000.0):
        ours = predict(CASE, CaseState(air_c=20, wall_c=45), drive, seconds)
        assert [ours.air_c, ours.wall_c] == pytest.approx(other.sol(seconds), abs=1e-5)


def test_time_to_a_limit_against_scipy() -> None:
    """The same solver's event: fans stop in sun, when is 60 C reached?"""
    settled = steady(CASE, Drive(watts=40, outside_c=30, fans=2, sun=1))
    state = CaseState(air_c=settled.air_c, wall_c=settled.wall_c)
    drive = Drive(watts=60, outside_c=34, fans=0, sun=1)

    def balance(_: float, y: np.ndarray) -> list[float]:
        across = CASE.air_wall_w_per_k * (y[0] - y[1])
        return [
            (60 - across) / CASE.air_j_per_k,
            (across - CASE.wall_outside_w_per_k * (y[1] - 34) + CASE.sun_watts) / CASE.wall_j_per_k,
        ]

    def reached(_: float, y: np.ndarray) -> float:
        return float(y[0] - 60)

    other = solve_ivp(balance, (0, 1e5), [state.air_c, state.wall_c], events=reached, rtol=1e-9, atol=1e-9)
    assert minutes_to(60, CASE, state, drive) == pytest.approx(other.t_events[0][0] / 60, rel=1e-4)


def test_three_nodes_against_scipy() -> None:
    """The battery temperature moves in steps of two minutes: within 0.05 K of the same solver over three balances."""

    def balance(_: float, y: np.ndarray) -> list[float]:
        air, wall, battery = y
        across, into = CASE.air_wall_w_per_k * (air - wall), CASE.air_battery_w_per_k * (air - battery)
        below = CASE.wall_battery_w_per_k * (wall - battery)
        battery_j_per_k = CASE.battery_lag_s * (CASE.air_battery_w_per_k + CASE.wall_battery_w_per_k)
        return [
            (40 - across - into - CASE.fan_one_w_per_k * (air - 28)) / CASE.air_j_per_k,
            (across - below - CASE.wall_outside_w_per_k * (wall - 28) + CASE.sun_watts) / CASE.wall_j_per_k,
            (into + below) / battery_j_per_k,
        ]

    other = solve_ivp(balance, (0, 40000), [20, 45, 10], rtol=1e-9, atol=1e-9, dense_output=True)
    drive = Drive(watts=40, outside_c=28, fans=1, sun=1)
    for seconds in (60.0, 900.0, 3600.0, 40000.0):
        ours = predict(CASE, CaseState(air_c=20, wall_c=45, battery_c=10), drive, seconds)
        assert [ours.air_c, ours.wall_c, ours.battery_c] == pytest.approx(other.sol(seconds), abs=0.05)


def test_energy_balance_to_a_thousandth() -> None:
    """Watts put in = heat kept + heat carried out, over a morning of changing inputs (first law)."""
    state = CaseState(air_c=15, wall_c=12)
    put_in = carried = kept = 0.0
    for hours, drive in (
        (1.0, Drive(watts=30, outside_c=20)),
        (0.5, Drive(watts=45, outside_c=24, fans=2, sun=0.6)),
        (2.0, Drive(watts=38, outside_c=27, fans=1, sun=1.0)),
    ):
        seconds, start, at = hours * 3600, state, drive

        def out_watts(t: float, start: CaseState = start, at: Drive = at) -> float:
            now = predict(CASE, start, at, t)
            by_air = CASE.fan_w_per_k(at.fans) * (now.air_c - at.outside_c)
            return by_air + CASE.wall_outside_w_per_k * (now.wall_c - at.outside_c)

        put_in += (drive.watts + drive.sun * CASE.sun_watts) * seconds
        carried += quad(out_watts, 0, seconds, limit=200)[0]
        state = predict(CASE, start, drive, seconds)
        kept += CASE.air_j_per_k * (state.air_c - start.air_c) + CASE.wall_j_per_k * (state.wall_c - start.wall_c)
    assert kept + carried == pytest.approx(put_in, rel=1e-3)
    assert kept > 0.05 * put_in  # both sides of the balance take part

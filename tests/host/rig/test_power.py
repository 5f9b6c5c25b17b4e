"""Where battery, charger and loads meet: Kirchhoff's laws hold, whatever comes."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from groundbox.rig.electric import SimCharger, solve

_SOURCES = st.floats(10.5, 13.5)
_OHMS = st.tuples(st.floats(0.01, 0.2), st.floats(0.2, 1.0))
_LEAD = st.floats(0.005, 0.2)


@settings(deadline=None)
@given(_SOURCES, _OHMS, _LEAD, st.floats(0, 60), st.floats(0, 12))
def test_currents_meet_and_voltages_add_up(
    inner: float, ohms: tuple[float, float], lead: float, watts: float, charger_amps: float
) -> None:
    node = solve(inner, ohms, lead, watts, SimCharger(amps=charger_amps))
    assert node.battery_amps + node.charger_amps == pytest.approx(node.load_amps)
    ohm = ohms[0] if node.battery_amps >= 0 else ohms[1]
    assert node.battery_volts == pytest.approx(inner - node.battery_amps * ohm)
    assert node.equipment_volts == pytest.approx(node.battery_volts - node.load_amps * lead)
    assert node.load_amps * node.equipment_volts == pytest.approx(watts, abs=1e-6)
    assert 0 <= node.charger_amps <= charger_amps
    if charger_amps:
        assert node.battery_volts <= max(14.4, inner) + 1e-9


def test_ten_amps_over_two_metres_of_lead() -> None:
    """AWG 14, 8.285 ohm/km (ASTM B258), 2 m each way: 0.331 V at 10 A."""
    lead_ohm = 4 * 8.285e-3
    node = solve(12.5, (0.0001, 1.0), lead_ohm, 10 * (12.5 - 0.001 - 10 * lead_ohm), SimCharger())
    assert node.load_amps == pytest.approx(10, rel=1e-3)
    assert node.battery_volts - node.equipment_volts == pytest.approx(0.331, abs=0.001)


def test_a_load_beyond_the_battery_pulls_it_down_to_half() -> None:
    node = solve(12.0, (0.5, 1.0), 0.1, 500.0, SimCharger())
    assert node.equipment_volts == pytest.approx(6.0)
    assert node.load_amps == pytest.approx(10.0)

"""Sizing against figures published outside this project; the source is beside each."""

import pytest

from groundbox.plan.size.air import density, dew_point_c, flow_m3_h
from groundbox.plan.size.battery import DutyPeriod, rating_factor, section_sizes, size_battery, temperature_factor
from groundbox.plan.size.fuse import short_circuit_amps
from groundbox.plan.size.gas import air_m3_h, size_gas
from groundbox.plan.size.sensor import ntc_ohm
from groundbox.plan.size.wire import WireRun, area_mm2, ohm_per_km, size_wire


@pytest.mark.parametrize(
    ("awg", "ohm"),
    [
        *((10, 3.277), (12, 5.211), (14, 8.285), (16, 13.17), (18, 20.95)),
        *((20, 33.31), (22, 52.96), (24, 84.21), (26, 133.9)),
    ],
)
def test_gauge_resistance(awg: int, ohm: float) -> None:
    """ASTM B258 diameters with IEC 60028 copper, ohm per km at 20 C."""
    assert ohm_per_km(area_mm2(awg)) == pytest.approx(ohm, rel=5e-4)


@pytest.mark.parametrize(("copper_c", "lost"), [(20, 0.331), (50, 0.371)])
def test_ten_amps_over_two_metres(copper_c: float, lost: float) -> None:
    """10 A over 2 m each way of AWG 14 (ASTM B258, computed)."""
    run = WireRun(one_way_m=2, amps=10, awg=14, copper_c=copper_c)
    assert size_wire("x", run).values["lost_volts"] == pytest.approx(lost, abs=6e-4)


def test_hydrogen_worked_figures() -> None:
    """IEC 62485-2: 6 cells at boost, 18 Ah needs 43.2 L/h and 1.21 cm2; 35 Ah needs 84 L/h (formula from memory)."""
    result = size_gas(cells=6, c20_ah=18, vented=False, stage="boost", opening_cm2=5)
    assert result.values["air_l_h"] == pytest.approx(43.2, abs=0.01)
    assert result.values["opening_cm2"] == pytest.approx(1.21, abs=0.005)
    assert air_m3_h(6, 35, vented=False, stage="boost") * 1000 == pytest.approx(84, abs=0.01)
    assert not result.stop
    assert size_gas(cells=6, c20_ah=18, vented=True, stage="boost", opening_cm2=1.5).stop


def test_duty_cycle_sections() -> None:
    """A published sizing sheet of the section method (IEEE form, 102 cells, 1.76 V; software maker's sample sheet).

    100 A 5 min, 50 A 45 min, 70 A 4 min with Kt 0.24/1.25/1.16/1.33/1.23/0.21 h gives its third section 78.57 Ah (its
    Kt are printed to two places, and each carries a temperature factor of 1.04 or 1.08, here taken into the rows).
    """
    factor = {4: 0.21 * 1.08, 5: 0.24 * 1.08, 45: 1.16 * 1.04, 49: 1.23 * 1.04, 50: 1.25 * 1.04, 54: 1.33 * 1.04}
    rows = [(float(minutes), 100 / kt) for minutes, kt in factor.items()]
    duty = [DutyPeriod(amps=100, minutes=5), DutyPeriod(amps=50, minutes=45), DutyPeriod(amps=70, minutes=4)]
    sections = section_sizes(duty, rows, 100)
    assert sections[2] == pytest.approx(78.57, rel=0.006)
    assert max(sections) == sections[2]


def test_temperature_ageing_and_margin() -> None:
    """10 Ah at 10 C is 10 x 1.19 x 1.25 x 1.10 = 16.36 Ah (IEEE 485 factors; ageing and margin from memory)."""
    rows = [(10.0, 60.0), (60.0, 10.0), (600.0, 1.0)]
    result = size_battery([DutyPeriod(amps=10, minutes=60)], coldest_c=10, rows=rows, c20_ah=10)
    assert result.values["section1_ah"] == pytest.approx(10.0)
    assert result.values["needed_ah"] == pytest.approx(16.36, abs=0.01)
    assert result.values["ordinary_ah"] == 18


@pytest.mark.parametrize(("celsius", "factor"), [(4.4, 1.30), (15.6, 1.11), (20.0, 1.056), (25.0, 1.0), (32.2, 1.0)])
def test_temperature_factor(celsius: float, factor: float) -> None:
    """IEEE 485 size factor, base 25 C (secondary copy); 0.94 at 32.2 C is not credited."""
    assert temperature_factor(celsius) == pytest.approx(factor)


@pytest.mark.parametrize(("minutes", "amps"), [(1200, 0.386), (600, 0.717), (300, 1.26), (180, 1.82), (60, 4.25)])
def test_rating_factor_of_another_block(minutes: float, amps: float) -> None:
    """The default family (a 17 Ah block) never promises more than a 7.2 Ah block's table gives (secondary copy).

    Blocks of one kind differ by up to 15 % at the same rate, which is why a file may give its own rows.
    """
    assert amps * 0.85 <= 7.2 / rating_factor(minutes) <= amps


def test_air_rule() -> None:
    """50 W at 10 K is 15.1 m3/h or 8.9 CFM; CFM = 1.76 x watts / kelvin (trade rule, computed)."""
    flow = flow_m3_h(50, 10)
    assert flow == pytest.approx(15.1, abs=0.05)
    assert flow * 0.588578 == pytest.approx(1.76 * 50 / 10, rel=0.015)


def test_air_thins_with_height() -> None:
    """ICAO standard atmosphere: pressure at 2000 m is 0.785 of that at sea level (from memory); equal temperature."""
    assert density(2000) / density(0) == pytest.approx(0.785, abs=0.01)


def test_dew_point() -> None:
    """25 C at 60 % has its dew point at 16.7 C (Magnus formula, psychrometric tables, from memory)."""
    assert dew_point_c(25, 60) == pytest.approx(16.7, abs=0.1)


def test_short_circuit_of_an_ordinary_block() -> None:
    """18 Ah with 16 milliohm: about 800 A (makers' sheets, secondary copies)."""
    assert short_circuit_amps(18) == pytest.approx(800, rel=0.01)


@pytest.mark.parametrize(("celsius", "ohm"), [(0, 33621), (25, 10000), (40, 5301.5), (60, 2486.2), (85, 1086.7)])
def test_thermistor(celsius: float, ohm: float) -> None:
    """10 k, B3950, beta formula (computed)."""
    assert ntc_ohm(celsius) == pytest.approx(ohm, rel=1e-4)

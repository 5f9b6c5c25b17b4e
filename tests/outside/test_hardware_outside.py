"""The hardware pack's figures against published ones and examples worked by hand."""

import pytest
from hardware import budget, worked
from hardware import values as v


def rows(topic: str) -> dict[str, str]:
    return {what: result for what, _, result in worked.TOPICS[topic]()}


def test_converter_error_by_hand() -> None:
    """Worked by hand: 3.000 V / 4096 = 0.7324 mV a step, times 6 = 4.395 mV at the battery, two steps 8.79 mV;

    0.1 % in the upper resistor of 15 k over 3 k moves the ratio by 5/6 of 0.1 %: 10.0 mV at 12 V; a reference off by
    0.2 % is 24 mV. 8.7 effective bits (from memory, RP2040) are 3000 / 415.9 = 7.213 mV a step, 2.082 mV rms.
    """
    terms = {term.what: term.limit for term in budget.divider_mv(12.0)}
    assert terms["converter's offset"] == pytest.approx(8.79, abs=0.01)
    assert terms["upper resistor"] == pytest.approx(10.0)
    assert terms["reference"] == pytest.approx(24.0)
    assert terms["converter's noise in a one-second mean (2 sd)"] == pytest.approx(2 * 2.082 * 6 / 10**0.5, rel=1e-3)


def test_monitor_steps() -> None:
    """Source: INA226 data sheet (from memory): 1.25 mV and 2.5 uV a step; 20 mV over 2 mohm is 10 A."""
    assert pytest.approx(11.98) == v.MONITOR_BUS_LSB_VOLTS * 9584
    assert pytest.approx(20e-3) == v.MONITOR_SHUNT_LSB_VOLTS * 0x1F40
    assert pytest.approx(10) == 20e-3 / v.SHUNT_OHM


@pytest.mark.parametrize(("celsius", "ohm"), [(0, 33621), (25, 10000), (40, 5301.5), (60, 2486.2), (85, 1086.7)])
def test_thermistor_by_the_beta_formula(celsius: float, ohm: float) -> None:
    """10 k, B 3950: computed from the published beta formula."""
    assert budget.ntc_ohm(celsius) == pytest.approx(ohm, rel=1e-4)


def test_tachometer_and_control_line() -> None:
    """Open 4-wire fan specification: two pulses a turn, 1500 rpm is 50 Hz; low is under 0.8 V at 5 mA; 21 to 28 kHz."""
    fan = rows("fan_four_wire")
    assert fan["tachometer at 1500 and 20 000 rpm"].startswith("50 and 667 Hz")
    assert v.CONTROL_AMPS * (v.CONTROL_SWITCH_OHM + v.CONTROL_SERIES_OHM) < v.CONTROL_LOW_VOLTS
    assert 21_000 <= v.FAN_HZ <= 28_000


def test_short_circuit_and_fuse() -> None:
    """Common practice: 18 Ah block of 16 mohm, about 800 A; interrupting rating above it; at most 75-80 % for long."""
    assert pytest.approx(800) == 12.8 / v.BATTERY_OHM
    assert v.FUSE_INTERRUPTS_AMPS > 12.8 / v.BATTERY_OHM
    warm = v.BATTERY_FUSE_AMPS * v.FUSE_CARRIES * (1 - v.FUSE_PER_K * 30)
    assert warm > v.TABLE_WATTS / v.CUTOFF_VOLTS
    assert warm > v.CHARGE_AMPS


def test_drop_in_data_cable() -> None:
    """ASTM B258: AWG 24 is 84.21 ohm/km at 20 C, 90.8 at 40 C; 10 m there and back at 0.5 A lose 0.908 V."""
    shown = {row[0]: row[3] for row in worked.cable()}
    by_hand = 2 * 10 * 84.21e-3 * (1 + 0.00393 * 20) * 0.5
    assert float(shown["10 m"].removesuffix(" V")) == pytest.approx(by_hand, abs=0.006)


def test_suppressor_under_a_pulse_by_hand() -> None:
    """ISO 7637-2 pulse 2a (from memory): 125.5 V behind 2 ohm into 44.2 V + 0.5388 ohm: 32.0 A, 61.5 V."""
    volts, amps = worked.pulse_volts(v.PORT_CLAMP, 125.5, 2.0)
    assert amps == pytest.approx(32.02, abs=0.05)
    assert volts == pytest.approx(61.45, abs=0.05)
    assert volts < v.PORT_SWITCH_VOLTS


def test_hold_up_by_hand() -> None:
    """0.5 C (10.65^2 - 6^2) = P x t: 3300 uF x 0.7 x 77.42 / 2 = 89.4 mJ, with the radio / 1.7 W = 53 ms, over 50 ms.

    1500 uF would be 40.6 mJ and 24 ms.
    """
    found = rows("hold_up")["3300 uF, 30 % lost to cold and age, holds with the radio on"]
    assert found == "53 ms, 179 ms without"
    assert v.HOLD_UP_S == 0.050


def test_the_charge_port_opens_between_the_firmwares_limit_and_the_monitors() -> None:
    """By hand: 0.5 V x 34 = 17.0 V (test_pages has over_mv); 0.5 V x 19 = 9.5 V; 3 mV / 5 mohm = 0.6 A."""
    assert rows("port") == {
        "U4 opens above": "17.0 V",
        "and under": "9.5 V",
        "it blocks backward from": "0.6 A",
        "it opens forward at": "10 A; F6 opens first in a long overload",
    }
    assert rows("port")["U4 opens above"] == f"{v.PORT_OPENS_VOLTS:.1f} V"


def test_button_output_and_fan_by_hand() -> None:
    """3.3 / 4.7 k = 0.7 mA; 9 V / 47 k / 10 nF = 19.1 V/ms, times 470 uF = 9 A; 144 / 105 = 1.37 W."""
    assert rows("button")["current through the contact"].startswith("0.7 mA")
    assert rows("button")["release"].startswith("0.57 ms")
    assert rows("fan_switched")["output rises with"].startswith("19 V/ms")
    assert rows("fan_switched")["largest capacitor of a load, 470 uF, charges with"].startswith("9 A for 0.6 ms")
    assert rows("fan_four_wire")["a fan that has lost its minus"].startswith("1.4 W")


def test_reference_keeps_regulating() -> None:
    """By hand: (3.234 - 3.0) / 200 = 1.17 mA, less 0.6 mA of shorted thermistors and 0.15 mA leaves 0.42 mA."""
    assert rows("reference")["current for the reference"].startswith("420 uA")


def test_minutes_of_an_error() -> None:
    """60 mV at 12.0 V on a slope of 3.7 mV a minute (recorded discharge, V. Sulzer 2019) are 16 minutes, 4 at 11 V."""
    assert budget.minutes(60, 12.0) == pytest.approx(16.2, abs=0.1)
    assert budget.minutes(60, 11.0) == pytest.approx(4.2, abs=0.1)

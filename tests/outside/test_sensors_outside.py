"""Sensors and checksums against figures from outside the project, each with its source beside it."""

import math
from binascii import crc32

import pytest

from core import conversion
from core.fan_drive import FanDrive
from core.limits import LimitTable
from groundbox.wire.line import decode, encode
from groundbox.wire.settings import defaults

PULLUP_OHM = 10000


def _read(kind: int, ohm: float) -> float:
    """Degrees Celsius the board makes of a thermistor of `ohm` behind its pull-up."""
    raw = round(65535 * ohm / (ohm + PULLUP_OHM))
    return conversion.thermistor_centi_c(conversion.thermistor_table(kind, PULLUP_OHM), raw) / 100


@pytest.mark.parametrize(
    ("kind", "celsius", "ohm"),
    [
        # Beta formula R = R25 exp(B (1/T - 1/298.15 K)), R25 = 10 kohm; computed. Makers' own tables differ by a few %.
        (1, 0, 33621),
        (1, 25, 10000),
        (1, 40, 5301.5),
        (1, 60, 2486.2),
        (1, 85, 1086.7),
        (2, 0, 28704),
        (2, 25, 10000),
        (2, 40, 5758.8),
        (2, 60, 2980.9),
        (2, 85, 1451.3),
    ],
)
def test_ntc_rows_b3950_and_b3435(kind: int, celsius: float, ohm: float) -> None:
    assert _read(kind, ohm) == pytest.approx(celsius, abs=0.03)


@pytest.mark.parametrize(("kind", "beta"), [(1, 3950.0), (2, 3435.0)])
def test_ntc_interpolation_against_the_beta_formula(kind: int, beta: float) -> None:
    """Same formula, solved for T: T = 1 / (1/298.15 + ln(R/R25)/B). What core/conversion.py claims of itself."""
    for tenth in range(-399, 1249, 7):
        celsius = tenth / 10
        ohm = 10000 * math.exp(beta * (1 / (celsius + 273.15) - 1 / 298.15))
        assert _read(kind, ohm) == pytest.approx(celsius, abs=0.11 if 0 <= celsius <= 85 else 0.21)


@pytest.mark.parametrize(("ohm", "celsius"), [(32650, 0.0), (10000, 25.0), (3601, 50.001)])
def test_steinhart_hart_example(ohm: float, celsius: float) -> None:
    """Steinhart and Hart 1968, 1/T = A + B ln R + C (ln R)^3; coefficients of a common 10 k part, from memory.

    This part is a third one, so it shows what a table for the wrong thermistor costs: B of its points 0 and 50 C is
    about 3890 K, near B3950, and the board's B3950 table reads it to 0.6 K. It also checks the example itself.
    """
    log = math.log(ohm)
    kelvin = 1 / (1.129241e-3 + 2.341077e-4 * log + 8.775468e-8 * log**3)
    assert kelvin - 273.15 == pytest.approx(celsius, abs=0.01)
    assert _read(1, ohm) == pytest.approx(celsius, abs=0.6)


def test_ina226_registers() -> None:
    """INA226 data sheet: bus voltage 1.25 mV, shunt voltage 2.5 uV an LSB. Worked example of a 2 mohm shunt, computed
    from the sheet's formulas (from memory): 11.98 V reads 0x2570; 20 mV reads 0x1F40 and is 10 A; -80 mV reads 0x8300.
    """
    assert conversion.bus_mv(1, 0x2570) == 11980
    assert conversion.shunt_ma(1, 0x1F40, 2000) == 10000
    assert conversion.shunt_ma(1, 0x8300, 2000) == -40000


def test_ina219_registers() -> None:
    """INA219 data sheet: bus voltage in bits 15 to 3, 4 mV an LSB; shunt voltage 10 uV. Same example, computed: 0x5D98
    holds 2995 steps; 20 mV reads 2000.
    """
    assert conversion.bus_mv(2, 0x5D98) == 11980
    assert conversion.shunt_ma(2, 2000, 2000) == 10000


@pytest.mark.parametrize(
    ("celsius", "register"),
    [
        # DS18B20 data sheet, table "Temperature/Data Relationship".
        (125, 0x07D0),
        (85, 0x0550),
        (25.0625, 0x0191),
        (10.125, 0x00A2),
        (0.5, 0x0008),
        (0, 0x0000),
        (-0.5, 0xFFF8),
        (-10.125, 0xFF5E),
        (-25.0625, 0xFE6F),
        (-55, 0xFC90),
    ],
)
def test_ds18b20_temperatures(celsius: float, register: int) -> None:
    scratch = bytes((register & 0xFF, register >> 8, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10))
    assert conversion.scratchpad_raw(scratch + bytes([conversion.crc8(scratch, 8)])) == celsius * 16


def test_ds18b20_crc8() -> None:
    """The DS18B20's power-on scratchpad 50 05 4B 46 7F FF 0C 10 ends in 1C: commonly printed, no single source."""
    assert conversion.crc8(bytes.fromhex("50054B467FFF0C10"), 8) == 0x1C


def test_crc32_check_value() -> None:
    """CRC-32 of "123456789" is CBF43926: the check value of the catalogue of parametrised CRC algorithms."""
    assert crc32(b"123456789") == 0xCBF43926
    line = encode("who", ["*", 1])
    assert line == b"{who|*|1}%08X\n" % crc32(b"who|*|1")
    assert decode(line) == ("who", ["*", 1])


def test_tachometer_gives_two_pulses_a_turn() -> None:
    """Open specification of 4-wire fans: tachometer of 2 pulses a turn, so 50 Hz is 1500 rpm."""
    fan = FanDrive(LimitTable(defaults()), 1)
    fan.drive(100, 100)
    fan.measure(1000, 50)
    assert fan.rpm == 1500

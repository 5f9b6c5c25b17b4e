"""Readings of RP2040's converter are made even: against a model of its wide codes, and against measured boards."""

import numpy as np
import pytest
from hardware import values

from drivers.analogue import even

# Errors of RP2040's converter, mean of five boards, as (first code, codes to add): kitanokitsune, rp2040adc_correction,
# 2025, README.md. The single wide codes between are left out.
MEASURED = (
    *((16, -15), (512, -5), (895, -6), (1407, -7), (1536, 2), (1664, 1), (2048, -1), (2431, -2), (2560, 7)),
    *((2943, 6), (3455, 5), (3584, 15), (3711, 14)),
)
WIDE = (511, 1535, 2559, 3583)


def u16(code: int) -> int:
    """A code as read_u16 of the port gives it."""
    return code << 4 | code >> 8


def test_the_measured_boards_are_on_one_line() -> None:
    codes = np.array([code for code in range(20, 4070) if code not in WIDE])
    true = codes + np.array([[add for first, add in MEASURED if first <= code][-1] for code in codes])

    def off(read: list[float]) -> float:
        return float(np.abs(true - np.polyval(np.polyfit(read, true, 1), read)).max())

    assert off([float(code) for code in codes]) > 5
    assert off([even(u16(int(code))) / 16 for code in codes]) < values.CONVERTER_CALM_LSB


def test_even_readings_rise_stay_in_range_and_have_no_gain() -> None:
    readings = [even(u16(code)) for code in range(4096)]
    assert all(a < b for a, b in zip(readings, readings[1:], strict=False))
    assert (readings[0], readings[-1]) == (0, 65535)
    assert abs(np.polyfit(range(4096), readings, 1)[0] - 16) < 0.06


@pytest.mark.parametrize("wide", WIDE)
def test_a_wide_code_is_its_middle(wide: int) -> None:
    below, at, above = (even(u16(code)) for code in (wide - 1, wide, wide + 1))
    assert at - below == pytest.approx(88, abs=2)
    assert above - at == pytest.approx(88, abs=2)

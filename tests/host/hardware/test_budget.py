"""The error budget against boxes drawn at random and run through the circuit's own equations.

The error of each part is drawn evenly within its limits; the temperature is at the far end of its range. The equations
here are the circuit's, not the budget's sensitivities.
"""

from collections.abc import Callable

import numpy as np
import pytest
from hardware import budget
from hardware import values as v
from numpy.typing import NDArray

from groundbox.maintenance.doubt import PARTS

Array = NDArray[np.float64]
Read = Callable[..., Array]
BOXES = 20_000
KELVIN = 273.15


class Draw:
    """Random parts, one of each for every box; the same name gives the same part again."""

    def __init__(self, seed: int) -> None:
        self._random = np.random.default_rng(seed)
        self._kept: dict[str, Array] = {}

    def part(self, name: str, limit: float) -> Array:
        if name not in self._kept:
            self._kept[name] = self._random.uniform(-limit, limit, BOXES)
        return self._kept[name]

    def again(self, limit: float) -> Array:
        return self._random.uniform(-limit, limit, BOXES)

    def noise(self, sd: float) -> Array:
        return self._random.normal(0, sd, BOXES)


def monitor(d: Draw, volts: float, stray_k: float, one: bool = True) -> Array:
    """What the monitor's bus register says, V; `one` reading is in whole steps, a long mean is not."""
    input_ohm = v.MONITOR_INPUT_OHM * (1 + d.part("input", v.MONITOR_INPUT_TOLERANCE))
    seen = volts * input_ohm / (input_ohm + v.MONITOR_SERIES_OHM)
    gain = 1 + d.part("gain", v.MONITOR_BUS_GAIN) + d.part("gain drift", v.MONITOR_BUS_GAIN_PPM_PER_K * 1e-6) * stray_k
    drift = d.part("offset drift", v.MONITOR_BUS_OFFSET_VOLTS_PER_K) * stray_k
    out = seen * gain + d.part("offset", v.MONITOR_BUS_OFFSET_VOLTS) + drift
    return np.round(out / v.MONITOR_BUS_LSB_VOLTS) * v.MONITOR_BUS_LSB_VOLTS if one else out


def divider(d: Draw, volts: float, stray_k: float, one: bool = True) -> Array:
    """What firmware makes of the converter's counts with nominal ratio and reference, V."""

    def off(name: str, share: float, ppm: float) -> Array:
        return 1 + d.part(name, share) + d.part(name + " drift", ppm * 1e-6) * stray_k

    top = v.DIVIDER_TOP_OHM * off("top", v.DIVIDER_TOLERANCE, v.DIVIDER_PPM_PER_K)
    bottom = v.DIVIDER_BOTTOM_OHM * off("bottom", v.DIVIDER_TOLERANCE, v.DIVIDER_PPM_PER_K)
    reference = v.REFERENCE_VOLTS * off("reference", v.REFERENCE_TOLERANCE, v.REFERENCE_PPM_PER_K)
    leak = d.part("leak", v.LEAK_AMPS) if stray_k else 0.0
    pin = volts * bottom / (top + bottom) + leak * (top * bottom / (top + bottom) + v.DIVIDER_SERIES_OHM)
    noise_volts = v.REFERENCE_VOLTS / 2**v.CONVERTER_NOISE_BITS / 12**0.5
    pin = pin + d.noise(noise_volts / (v.SAMPLES / v.CONVERTER_ALIKE) ** 0.5) * one
    off_lsb = d.part("converter", v.CONVERTER_OFFSET_LSB) + d.again(v.CONVERTER_STEPS_LSB)
    share = pin / reference + off_lsb / 2**v.CONVERTER_BITS
    return share * v.REFERENCE_VOLTS * (1 + v.DIVIDER_TOP_OHM / v.DIVIDER_BOTTOM_OHM)


def current(d: Draw, amps: float, stray_k: float, one: bool = True) -> Array:
    """What firmware makes of the shunt register, A."""
    drift = d.part("shunt drift", v.SHUNT_PPM_PER_K * 1e-6) * (stray_k + v.SHUNT_OWN_RISE_K * (stray_k > 0))
    shunt = v.SHUNT_OHM * (1 + d.part("shunt", v.SHUNT_TOLERANCE) + drift)
    r5, r6 = (v.MONITOR_FILTER_OHM * (1 + d.part(name, 0.01)) for name in ("r5", "r6"))
    across = amps * shunt + v.MONITOR_BIAS_AMPS * (r5 - r6)
    gain_drift = d.part("gain drift", v.MONITOR_SHUNT_GAIN_PPM_PER_K * 1e-6) * stray_k
    out = across * (1 + d.part("gain", v.MONITOR_SHUNT_GAIN) + gain_drift)
    out = out + d.part("offset", v.MONITOR_SHUNT_OFFSET_VOLTS)
    out = out + d.part("offset drift", v.MONITOR_SHUNT_OFFSET_VOLTS_PER_K) * stray_k
    return (np.round(out / v.MONITOR_SHUNT_LSB_VOLTS) * v.MONITOR_SHUNT_LSB_VOLTS if one else out) / v.SHUNT_OHM


def temperature(d: Draw, celsius: float, stray_k: float, one: bool = True) -> Array:
    """What firmware makes of a thermistor that warms itself, C."""
    kelvin, nominal = celsius + KELVIN, budget.ntc_ohm(celsius)
    own_heat = (v.REFERENCE_VOLTS / (nominal + v.NTC_PULLUP_OHM)) ** 2 * nominal / v.NTC_WATTS_PER_K if one else 0.0
    beta = v.NTC_BETA_K * (1 + d.part("beta", v.NTC_BETA_TOLERANCE))
    ohm = v.NTC_OHM * (1 + d.part("ohm", v.NTC_TOLERANCE)) * np.exp(beta * (1 / (kelvin + own_heat) - 1 / 298.15))
    pullup = v.NTC_PULLUP_OHM * (1 + d.part("pullup", v.NTC_PULLUP_TOLERANCE))
    share = ohm / (ohm + pullup)
    if stray_k:
        share = share + d.part("leak", v.LEAK_AMPS) * (share * pullup + v.NTC_SERIES_OHM) / v.REFERENCE_VOLTS
    share = share + (d.part("converter", v.CONVERTER_OFFSET_LSB) + d.again(v.CONVERTER_STEPS_LSB)) / 2**v.CONVERTER_BITS
    found = share * v.NTC_PULLUP_OHM / (1 - share)
    shown = 1 / (np.log(found / v.NTC_OHM) / v.NTC_BETA_K + 1 / 298.15) - KELVIN
    return shown + d.again(v.NTC_TABLE_K) * one  # calibration uses the rows of the table


def meter(d: Draw, true: float) -> Array:
    return true * (1 + d.part("meter gain", v.METER_FRACTION)) + d.part("meter offset", v.METER_VOLTS)


def ammeter(d: Draw, true: float) -> Array:
    """The first point is a battery unplugged: its 0 A are true."""
    off = true * d.part("ammeter gain", v.AMMETER_FRACTION) + d.part("ammeter offset", v.AMMETER_AMPS)
    return true + off * (true != 0)


def thermometer(d: Draw, true: float) -> Array:
    return true + d.part("thermometer", v.THERMOMETER_K)


CASES = (
    ("monitor", monitor, budget.monitor_mv(), 12.0, (11.0, 14.5), meter, 1000),
    ("divider", divider, budget.divider_mv(), 12.0, (11.0, 14.5), meter, 1000),
    ("current", current, budget.current_ma(), 3.0, (0.0, 5.0), ammeter, 1000),
    ("temperature", temperature, budget.temperature_k(), 45.0, (0.0, 50.0), thermometer, 1),
)


def errors(read: Read, at: float, points: tuple[float, float] | None, tell: Read, scale: float) -> Array:
    """Errors of BOXES boxes at `at`, in the budget's unit; calibrated at two `points` if given."""
    d = Draw(5)
    shown = read(d, at, v.STRAY_K)
    if points:
        raw1, raw2 = (read(d, point, 0, one=False) for point in points)
        true1, true2 = (tell(d, point) for point in points)
        shown = true1 + (shown - raw1) * (true2 - true1) / (raw2 - raw1)
    return (shown - at) * scale


@pytest.mark.parametrize("calibrated", [False, True])
@pytest.mark.parametrize(("name", "read", "terms", "at", "points", "tell", "scale"), CASES, ids=[c[0] for c in CASES])
def test_budget_against_random_boxes(
    name: str,
    read: Read,
    terms: tuple[budget.Term, ...],
    at: float,
    points: tuple[float, float],
    tell: Read,
    scale: float,
    calibrated: bool,
) -> None:
    off = errors(read, at, points if calibrated else None, tell, scale)
    worst, likely = budget.worst(terms, calibrated), budget.rss(terms, calibrated)
    beyond_noise = np.quantile(np.abs(off), 0.9999)  # the divider's noise has no end
    assert beyond_noise <= worst * 1.02
    assert beyond_noise >= worst * 0.5, "the worst case is padded"
    assert np.mean(np.abs(off) <= likely) > 0.88
    assert np.mean(np.abs(off) <= likely / 2) < 0.85, "the root sum square is padded"


@pytest.mark.parametrize(("read", "terms", "at", "scale"), [(c[1], c[2], c[3], c[6]) for c in CASES])
def test_spread_is_that_of_the_root_sum_square(
    read: Read, terms: tuple[budget.Term, ...], at: float, scale: float
) -> None:
    """Evenly filled limits L have a standard deviation of L / sqrt(3): squares add to the random boxes' own spread."""
    off = errors(read, at, None, meter, scale)
    scattered = tuple(term for term in terms if not term.bias)
    assert np.std(off) * 3**0.5 == pytest.approx(budget.rss(scattered), rel=0.06)


def test_biases_are_biases() -> None:
    assert np.mean(errors(monitor, 12.0, None, meter, 1000)) == pytest.approx(-12000 * 470 / 830_000, abs=0.3)
    assert np.mean(errors(temperature, 45.0, None, meter, 1)) == pytest.approx(0.127, abs=0.01)


@pytest.mark.parametrize(
    ("kind", "terms", "unit", "instrument"),
    [
        ("ina226", lambda mv: budget.monitor_mv(mv / 1000), 1, lambda mv: mv * v.METER_FRACTION + v.METER_VOLTS * 1000),
        (
            "divider",
            lambda mv: budget.divider_mv(mv / 1000),
            1,
            lambda mv: mv * v.METER_FRACTION + v.METER_VOLTS * 1000,
        ),
        ("ntc", lambda centi_c: budget.temperature_k(centi_c / 100), 100, lambda _: v.THERMOMETER_K * 100),
    ],
)
def test_the_limits_of_a_calibration_are_those_of_this_budget(
    kind: str, terms: Callable[[float], tuple[budget.Term, ...]], unit: int, instrument: Callable[[float], float]
) -> None:
    parts = PARTS[kind]
    for at in (0, 1000, 4500, 6000) if kind == "ntc" else (10_000, 12_000, 14_500):
        worst = budget.worst(terms(at)) * unit
        assert worst <= parts.worst(at) * 1.01 <= worst * 1.5
    at = 4500 if kind == "ntc" else 12_000
    worst = parts.worst(at)
    assert parts.likely * worst == pytest.approx(budget.rss(terms(at)) * unit, rel=0.2)
    left = budget.worst(terms(at), True) * unit - instrument(at)
    assert left * 0.95 <= parts.left * worst <= left * 1.4

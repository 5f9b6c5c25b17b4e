"""Error budget of the four channels: the contribution of each part, before and after the two-point calibration.

Each term is a limit in the unit of the channel at one working point, derived by hand. Limits are added (worst case),
and added as squares (root sum square: about nine boxes in ten are within, for independent causes, evenly spread).
tests/host/hardware draws the parts at random, runs the real circuit equations, and compares.
"""

from dataclasses import dataclass
from math import exp, sqrt

from hardware import values as v

KELVIN = 273.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One cause; `limit` either way before calibration, `left` after calibration; a bias has one sign."""

    what: str
    limit: float
    left: float
    bias: bool = False

    def at(self, calibrated: bool) -> float:
        """Limit before or after calibration."""
        return self.left if calibrated else self.limit


def _kept(what: str, limit: float) -> Term:
    return Term(what=what, limit=limit, left=limit)


def _removed(what: str, limit: float) -> Term:
    return Term(what=what, limit=limit, left=0.0)


def _added(what: str, limit: float) -> Term:
    return Term(what=what, limit=0.0, left=limit)


def _steps(step: float) -> Term:
    """Uneven steps that the firmware's correction leaves; they also occur at the points of the calibration."""
    limit = step * v.CONVERTER_STEPS_LSB
    return Term(what="converter's uneven steps", limit=limit, left=limit + step * v.CONVERTER_CALM_LSB)


def worst(terms: tuple[Term, ...], calibrated: bool = False) -> float:
    """Sum of the limits."""
    return sum(term.at(calibrated) for term in terms)


def rss(terms: tuple[Term, ...], calibrated: bool = False) -> float:
    """Root of the sum of squares of the limits; biases do not cancel and are added on top."""
    scatter = sqrt(sum(term.at(calibrated) ** 2 for term in terms if not term.bias))
    return scatter + sum(term.at(calibrated) for term in terms if term.bias)


def monitor_mv(volts: float = 12.0) -> tuple[Term, ...]:
    """Battery voltage by the shunt monitor's bus input, mV at `volts`."""
    mv = volts * 1000
    loaded = v.MONITOR_SERIES_OHM / v.MONITOR_INPUT_OHM
    return (
        _removed("gain of the monitor", mv * v.MONITOR_BUS_GAIN),
        _removed("offset of the monitor", v.MONITOR_BUS_OFFSET_VOLTS * 1000),
        Term(what="series resistor before its input (always low)", limit=mv * loaded, left=0.0, bias=True),
        _kept("the input's own spread behind it", mv * loaded * v.MONITOR_INPUT_TOLERANCE),
        _kept("gain with temperature", mv * v.MONITOR_BUS_GAIN_PPM_PER_K * 1e-6 * v.STRAY_K),
        _kept("offset with temperature", v.MONITOR_BUS_OFFSET_VOLTS_PER_K * v.STRAY_K * 1000),
        _kept("half a step", v.MONITOR_BUS_LSB_VOLTS / 2 * 1000),
        _added("the meter of the calibration", mv * v.METER_FRACTION + v.METER_VOLTS * 1000),
    )


def divider_mv(volts: float = 12.0) -> tuple[Term, ...]:
    """Battery voltage by divider and converter on the external reference, mV at `volts`."""
    mv, ratio = volts * 1000, 1 + v.DIVIDER_TOP_OHM / v.DIVIDER_BOTTOM_OHM
    fraction = 1 - 1 / ratio  # d ln(ratio) / d ln(resistor)
    step = v.REFERENCE_VOLTS / 2**v.CONVERTER_BITS * 1000 * ratio
    source = v.DIVIDER_TOP_OHM / ratio + v.DIVIDER_SERIES_OHM
    noise = v.REFERENCE_VOLTS * 1000 / 2**v.CONVERTER_NOISE_BITS / sqrt(12) * ratio
    drift = v.STRAY_K * 1e-6
    return (
        _removed("upper resistor", mv * fraction * v.DIVIDER_TOLERANCE),
        _removed("lower resistor", mv * fraction * v.DIVIDER_TOLERANCE),
        _removed("reference", mv * v.REFERENCE_TOLERANCE),
        _kept("upper resistor with temperature", mv * fraction * v.DIVIDER_PPM_PER_K * drift),
        _kept("lower resistor with temperature", mv * fraction * v.DIVIDER_PPM_PER_K * drift),
        _kept("reference with temperature", mv * v.REFERENCE_PPM_PER_K * drift),
        _removed("converter's offset", step * v.CONVERTER_OFFSET_LSB),
        _steps(step),
        _kept("leakage at 60 °C", v.LEAK_AMPS * source * ratio * 1000),
        _kept("converter's noise in a one-second mean (2 sd)", 2 * noise / sqrt(v.SAMPLES / v.CONVERTER_ALIKE)),
        _added("the meter of the calibration", mv * v.METER_FRACTION + v.METER_VOLTS * 1000),
    )


def current_ma(amps: float = 3.0) -> tuple[Term, ...]:
    """Battery current by shunt and monitor, mA at `amps`."""
    ma, per_volt = amps * 1000, 1000 / v.SHUNT_OHM
    mismatch = v.MONITOR_BIAS_AMPS * v.MONITOR_FILTER_OHM * 0.02  # of two resistors of 1 %
    return (
        _removed("shunt", ma * v.SHUNT_TOLERANCE),
        _removed("gain of the monitor", ma * v.MONITOR_SHUNT_GAIN),
        _removed("offset of the monitor", v.MONITOR_SHUNT_OFFSET_VOLTS * per_volt),
        _removed("unequal filter resistors", mismatch * per_volt),
        _kept("shunt with temperature", ma * v.SHUNT_PPM_PER_K * 1e-6 * (v.STRAY_K + v.SHUNT_OWN_RISE_K)),
        _kept("gain with temperature", ma * v.MONITOR_SHUNT_GAIN_PPM_PER_K * 1e-6 * v.STRAY_K),
        _kept("offset with temperature", v.MONITOR_SHUNT_OFFSET_VOLTS_PER_K * v.STRAY_K * per_volt),
        _kept("half a step", v.MONITOR_SHUNT_LSB_VOLTS / 2 * per_volt),
        _added("the meter of the calibration", ma * v.AMMETER_FRACTION + v.AMMETER_AMPS * 1000),
    )


def ntc_ohm(celsius: float) -> float:
    """Thermistor's resistance by the beta formula."""
    return v.NTC_OHM * exp(v.NTC_BETA_K * (1 / (celsius + KELVIN) - 1 / (25 + KELVIN)))


def temperature_k(celsius: float = 45.0) -> tuple[Term, ...]:
    """A thermistor channel, K at `celsius`. Ratiometric: the error of the reference cancels."""
    kelvin, ohm = celsius + KELVIN, ntc_ohm(celsius)
    fraction = ohm / (ohm + v.NTC_PULLUP_OHM)
    per_ln_ohm = kelvin**2 / v.NTC_BETA_K
    per_fraction = per_ln_ohm / (fraction * (1 - fraction))
    own_heat = (v.REFERENCE_VOLTS / (ohm + v.NTC_PULLUP_OHM)) ** 2 * ohm / v.NTC_WATTS_PER_K
    source = fraction * v.NTC_PULLUP_OHM + v.NTC_SERIES_OHM
    step = per_fraction / 2**v.CONVERTER_BITS
    beta = abs(v.NTC_BETA_K * (1 / kelvin - 1 / (25 + KELVIN))) * v.NTC_BETA_TOLERANCE * per_ln_ohm
    return (
        _removed("thermistor at 25 °C", v.NTC_TOLERANCE * per_ln_ohm),
        Term(what="thermistor's beta", limit=beta, left=beta / 4),
        _removed("pull-up", v.NTC_PULLUP_TOLERANCE * per_ln_ohm),
        _removed("converter's offset", step * v.CONVERTER_OFFSET_LSB),
        _steps(step),
        _kept("leakage at 60 °C", v.LEAK_AMPS * source / v.REFERENCE_VOLTS * per_fraction),
        Term(what="self-heating (always warm)", limit=own_heat, left=own_heat, bias=True),
        _kept("firmware's table", v.NTC_TABLE_K),
        _added("the thermometer of the calibration", v.THERMOMETER_K),
    )


CHANNELS = (
    ("Battery voltage by the monitor, 12 V", "mV", monitor_mv()),
    ("Battery voltage by divider and converter, 12 V", "mV", divider_mv()),
    ("Battery current, 3 A", "mA", current_ma()),
    ("Temperature by thermistor, 45 °C", "K", temperature_k()),
)


def minutes(error_mv: float, at_volts: float) -> float:
    """Minutes of runtime that equal an error of the voltage, at `at_volts` of a discharge."""
    nearest = min(v.FALL_MV_PER_MIN, key=lambda row: abs(row[0] - at_volts))
    return error_mv / nearest[1]

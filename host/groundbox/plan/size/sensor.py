"""Parts around the board's inputs: divider, thermistor, tachometer pull-up, hold-up capacitor."""

from math import exp, pi, sqrt

from groundbox.plan.size.box_file import SizeDivider, SizeParts
from groundbox.plan.size.result import LOCAL_CODE, SizeResult


def size_divider(divider: SizeDivider) -> SizeResult:
    """Ratio, resolution and error of the battery divider, clamp current and filter time."""
    ratio = divider.bottom_ohm / (divider.top_ohm + divider.bottom_ohm)
    full_scale = divider.reference_volts / ratio
    step = full_scale / 2**divider.adc_bits
    at = 12.0
    # d(V)/V of each resistor through the ratio is (1 - ratio) times its tolerance.
    parts = [
        at * (1 - ratio) * divider.resistor_tolerance,
        at * (1 - ratio) * divider.resistor_tolerance,
        at * divider.reference_tolerance,
        divider.adc_offset_volts / ratio,
        divider.adc_uneven_volts / ratio,
        step / 2,
    ]
    worst, expected = sum(parts), sqrt(sum(part**2 for part in parts))
    clamp = max(0.0, divider.surge_volts - divider.reference_volts) / divider.top_ohm
    seconds = divider.filter_farad * divider.top_ohm * divider.bottom_ohm / (divider.top_ohm + divider.bottom_ohm)
    faults = []
    if full_scale < divider.highest_volts:
        faults.append(f"full scale {full_scale:.2f} V is under {divider.highest_volts:g} V: smaller bottom resistor")
    if clamp > divider.clamp_amps:
        faults.append(f"{clamp * 1000:.2f} mA into the clamp at {divider.surge_volts:g} V: larger top resistor")
    return SizeResult(
        topic="battery divider",
        answer=f"ratio {ratio:.4f}, full scale {full_scale:.2f} V, {step * 1000:.1f} mV a step; "
        f"at 12 V wrong by at most {worst * 1000:.0f} mV, expected {expected * 1000:.0f} mV"
        + "".join(f"; problem: {fault}" for fault in faults),
        formula="ratio = bottom / (top + bottom); step = reference / ratio / 2^bits; worst = sum of parts, "
        "expected = root of the sum of squares; "
        "parts at 12 V: twice volts x (1 - ratio) x "
        "resistor tolerance, volts x reference tolerance, offset / ratio, uneven steps / ratio, half a step; "
        "clamp = (surge - reference) / top; filter = C x top || bottom",
        source="Ohm's law; error sums as in any measurement handbook (common practice, no source)",
        values={"ratio": ratio, "full_scale_volts": full_scale, "step_volts": step, "worst_error_volts": worst}
        | {"expected_error_volts": expected, "clamp_amps": clamp, "filter_s": seconds}
        | {"filter_hz": 1 / (2 * pi * seconds), "drain_amps": at / (divider.top_ohm + divider.bottom_ohm)},
        numbers={"top_ohm": divider.top_ohm, "bottom_ohm": divider.bottom_ohm, "adc_bits": divider.adc_bits}
        | {"resistor_tolerance": divider.resistor_tolerance, "reference_volts": divider.reference_volts}
        | {"reference_tolerance": divider.reference_tolerance, "surge_volts": divider.surge_volts}
        | {"adc_offset_volts": divider.adc_offset_volts, "adc_uneven_volts": divider.adc_uneven_volts}
        | {"highest_volts": divider.highest_volts}
        | {"clamp_limit_amps": divider.clamp_amps, "filter_farad": divider.filter_farad, "at_volts": at},
        cautions=(
            LOCAL_CODE,
            "Fuse the sensing wire at the battery; a calibration against a good meter removes most of the error.",
        ),
        stop=bool(faults),
    )


def ntc_ohm(celsius: float, ohm_25c: float = 10e3, beta_k: float = 3950.0) -> float:
    """Thermistor resistance by the beta formula."""
    return ohm_25c * exp(beta_k * (1 / (celsius + 273.15) - 1 / 298.15))


def size_thermistor(parts: SizeParts) -> SizeResult:
    """Volts per kelvin at 25, 40 and 60 °C and heat of its own, for a ratiometric divider."""
    values: dict[str, float] = {}
    for celsius in (0, 25, 40, 60):
        ohm = ntc_ohm(celsius, parts.ntc_ohm_25c, parts.ntc_beta_k)
        fraction = ohm / (ohm + parts.ntc_series_ohm)
        values[f"fraction_at_{celsius}c"] = fraction
        values[f"fraction_per_k_at_{celsius}c"] = fraction * (1 - fraction) * parts.ntc_beta_k / (celsius + 273.15) ** 2
    heat = (parts.logic_volts / 2) ** 2 / parts.ntc_series_ohm
    return SizeResult(
        topic="thermistor",
        answer=f"fraction of the reference {values['fraction_at_25c']:.3f} at 25 °C, "
        f"{values['fraction_at_60c']:.3f} at 60 °C; {values['fraction_per_k_at_40c'] * 1000:.1f} thousandths a kelvin "
        f"at 40 °C; {heat * 1e6:.0f} µW of its own heat",
        formula="R = R25 exp(beta (1/T - 1/298.15)); fraction = R / (R + series); "
        "per kelvin = fraction (1 - fraction) beta / T^2; own heat = (volts / 2)^2 / series",
        source="beta formula; makers' tables differ by a few percent",
        values=values | {"own_watts": heat},
        numbers={
            "ntc_ohm_25c": parts.ntc_ohm_25c,
            "ntc_beta_k": parts.ntc_beta_k,
            "ntc_series_ohm": parts.ntc_series_ohm,
            "logic_volts": parts.logic_volts,
        },
    )


def size_tachometer(parts: SizeParts) -> SizeResult:
    """Whether the pull-up is quick enough for the fastest fan, at two pulses a turn."""
    rise_s = 2.2 * parts.tach_pull_up_ohm * parts.tach_farad
    half_period_s = 60 / parts.highest_rpm / 2 / 2
    slow = rise_s > half_period_s / 2
    return SizeResult(
        topic="tachometer pull-up",
        answer=f"{parts.tach_pull_up_ohm:g} ohm to {parts.logic_volts:g} V: rises in {rise_s * 1e3:.2f} ms of a "
        f"{half_period_s * 1e3:.2f} ms half period" + ("; too slow: take a smaller capacitor" if slow else ""),
        formula="rise = 2.2 R C, under half of 60 / rpm / 2 pulses / 2; sink = volts / R",
        source="open 4-wire fan specification: open collector, two pulses a turn",
        values={
            "rise_s": rise_s,
            "half_period_s": half_period_s,
            "sink_amps": parts.logic_volts / parts.tach_pull_up_ohm,
        },
        numbers={
            "tach_pull_up_ohm": parts.tach_pull_up_ohm,
            "tach_farad": parts.tach_farad,
            "highest_rpm": parts.highest_rpm,
            "logic_volts": parts.logic_volts,
        },
        cautions=("Pull up to the board's own supply, never to 12 V.",),
        stop=slow,
    )


def size_hold_up(parts: SizeParts) -> SizeResult:
    """Capacitor that carries the board through a dip at constant power-supply input current."""
    farad = parts.hold_amps * parts.hold_s / (parts.hold_from_volts - parts.hold_to_volts)
    return SizeResult(
        topic="hold-up capacitor",
        answer=f"{farad * 1e6:.0f} µF at least (take {farad * 2e6:.0f} µF: electrolytics lose half cold and old)",
        formula="C = amps x seconds / (volts before - lowest volts)",
        source="charge balance; the factor of two is common practice, no source",
        values={"farad": farad, "take_farad": 2 * farad},
        numbers={"hold_amps": parts.hold_amps, "hold_s": parts.hold_s, "hold_from_volts": parts.hold_from_volts}
        | {"hold_to_volts": parts.hold_to_volts},
        cautions=("Behind a diode, so that the dip cannot drain it.",),
    )

"""The calculations of circuit.md: (what, how, result) rows from values.py."""

from math import log10, pi, sqrt

from hardware import values as v

from groundbox.plan.size.wire import area_mm2, ohm_per_km

Row = tuple[str, str, str]
THEVENIN_OHM = v.DIVIDER_TOP_OHM * v.DIVIDER_BOTTOM_OHM / (v.DIVIDER_TOP_OHM + v.DIVIDER_BOTTOM_OHM)
RATIO = 1 + v.DIVIDER_TOP_OHM / v.DIVIDER_BOTTOM_OHM


def pulse_volts(clamp: tuple[float, float, float, float], open_volts: float, source_ohm: float) -> tuple[float, float]:
    """(volts, amps) at a suppressor given as (stand-off, breakdown, volts at, amps) when a pulse source meets it."""
    _, breakdown, at_volts, at_amps = clamp
    slope_ohm = (at_volts - breakdown) / at_amps
    amps = max(0.0, (open_volts - breakdown) / (source_ohm + slope_ohm))
    return breakdown + amps * slope_ohm, amps


def divider() -> list[Row]:
    drain = 12.6 / (v.DIVIDER_TOP_OHM + v.DIVIDER_BOTTOM_OHM)
    seconds = (THEVENIN_OHM + v.DIVIDER_SERIES_OHM) * v.DIVIDER_FARAD
    return [
        ("ratio", "(15 k + 3 k) / 3 k", f"{RATIO:.3f}"),
        ("full scale", f"{v.REFERENCE_VOLTS:g} V x {RATIO:g}", f"{v.REFERENCE_VOLTS * RATIO:.1f} V"),
        ("highest limit of the firmware, 16 V, at the pin", "16 / 6", f"{16 / RATIO:.3f} V of {v.REFERENCE_VOLTS:g}"),
        ("source resistance", "15 k x 3 k / 18 k, + 1 k", f"{THEVENIN_OHM + v.DIVIDER_SERIES_OHM:.0f} ohm"),
        ("filter", "1 / (2 pi x 3.5 k x 470 nF)", f"{1 / (2 * pi * seconds):.0f} Hz"),
        ("a dip of 50 ms lasts", "50 ms / (3.5 k x 470 nF)", f"{0.05 / seconds:.0f} time constants: measured in full"),
        ("drain at rest", "12.6 V / 18 k", f"{drain * 1e3:.2f} mA, {drain * 24 * 30:.2f} Ah a month: unplug to store"),
    ]


def clamp() -> list[Row]:
    node = v.RAIL_VOLTS + v.CLAMP_DIODE_VOLTS
    surge = v.BUS_CLAMP[2]
    into_rail = (surge - node) / v.DIVIDER_TOP_OHM
    into_pin = (node - v.RAIL_VOLTS - 0.3) / v.DIVIDER_SERIES_OHM
    back = (14 - v.CLAMP_DIODE_VOLTS) / v.DIVIDER_TOP_OHM
    monitor = (14 - v.CLAMP_DIODE_VOLTS) / v.MONITOR_SERIES_OHM
    return [
        ("surge at the bus suppressor's limit", f"({surge:g} - {node:.1f}) V / 15 k", f"{into_rail * 1e3:.1f} mA"),
        ("the 3.3 V rail must draw more", "board 20 mA at least", "it does"),
        ("current into the pin", f"({node:.1f} - 3.3 - 0.3) V / 1 k", f"{into_pin * 1e3:.1f} mA"),
        ("sense plug reversed, -14 V", "(14 - 0.9) V / 15 k", f"-{back * 1e3:.2f} mA, permanently"),
        (
            "the same at the monitor's bus input",
            "(14 - 0.9) V / 470",
            f"{monitor * 1e3:.0f} mA in D7, within its rating",
        ),
        ("heat of R7 then", "I^2 x 470", f"{monitor**2 * v.MONITOR_SERIES_OHM:.2f} W: hence 0.5 W, pulse-proof"),
    ]


def reference() -> list[Row]:
    fed = (v.RAIL_VOLTS * (1 - v.RAIL_TOLERANCE) - v.REFERENCE_VOLTS) / v.REFERENCE_FEED_OHM
    shorted = 2 * v.REFERENCE_VOLTS / v.NTC_PULLUP_OHM
    left = fed - shorted - v.CONVERTER_AMPS
    return [
        ("minimum feed current", "(3.3 V x 0.98 - 3.0 V) / 200", f"{fed * 1e3:.2f} mA"),
        ("two thermistors, both shorted", "2 x 3.0 V / 10 k", f"{shorted * 1e3:.2f} mA"),
        ("converter", "from memory", f"{v.CONVERTER_AMPS * 1e3:.2f} mA"),
        (
            "current for the reference",
            f"needs {v.REFERENCE_MINIMUM_AMPS * 1e6:.0f} uA",
            f"{left * 1e6:.0f} uA: it regulates even then",
        ),
    ]


def shunt() -> list[Row]:
    full = v.MONITOR_SHUNT_FULL_VOLTS / v.SHUNT_OHM
    corner = 1 / (2 * pi * 2 * v.MONITOR_FILTER_OHM * v.MONITOR_FILTER_FARAD)
    return [
        ("full scale", "81.92 mV / 2 mohm", f"{full:.2f} A either way (the wire form ends at 32 A)"),
        ("a step", "2.5 uV / 2 mohm", f"{v.MONITOR_SHUNT_LSB_VOLTS / v.SHUNT_OHM * 1e3:.2f} mA"),
        ("loss at 5 A and 10 A", "I x 2 mohm, I^2 x 2 mohm", f"{5 * 2:.0f} mV; {100 * v.SHUNT_OHM:.1f} W of 3 W"),
        ("filter", "1 / (2 pi x 20 x 100 nF)", f"{corner / 1e3:.0f} kHz"),
        (
            "bias current through unequal filter resistors",
            "10 uA x 10 x 2 %",
            f"{v.MONITOR_BIAS_AMPS * v.MONITOR_FILTER_OHM * 0.02 / v.SHUNT_OHM * 1e3:.1f} mA",
        ),
        (
            "common mode",
            f"bus suppressor holds {v.BUS_CLAMP[2]:g} V",
            f"under the monitor's {v.MONITOR_HIGHEST_VOLTS} V",
        ),
    ]


def lead() -> list[Row]:
    wire = 2 * 0.5 * ohm_per_km(area_mm2(14)) / 1000
    parts = v.FUSE_OHM + 2 * v.CONNECTOR_OHM + v.FET_OHM_HOT + v.SHUNT_OHM
    total = parts + wire
    return [
        ("fuse, two contacts, Q1, shunt", "7.5 + 2 x 1 + 8 + 2 mohm", f"{parts * 1e3:.1f} mohm"),
        ("0.5 m each way of AWG 14", "1 m x 8.29 ohm/km", f"{wire * 1e3:.1f} mohm"),
        ("lead_ohm to write in the settings", "sum, until you measure yours", f"{total:.3f} ohm"),
        (
            "lost at 3.5 A, and with both servos",
            f"at {v.MAST_PEAK_WATTS / v.CUTOFF_VOLTS:.1f} A",
            f"{3.5 * total * 1e3:.0f} mV, {v.MAST_PEAK_WATTS / v.CUTOFF_VOLTS * total * 1e3:.0f} mV",
        ),
    ]


def fuse() -> list[Row]:
    table, peak = v.TABLE_WATTS / v.CUTOFF_VOLTS, v.MAST_PEAK_WATTS / v.CUTOFF_VOLTS
    warm = 1 - v.FUSE_PER_K * (55 - 25)
    carries = v.BATTERY_FUSE_AMPS * v.FUSE_CARRIES * warm
    short = 12.8 / v.BATTERY_OHM
    return [
        ("box `table`, everything on, at the cutoff", f"{v.TABLE_WATTS} W / 11 V", f"{table:.1f} A"),
        ("box `mast`, both servos starting", f"{v.MAST_PEAK_WATTS} W / 11 V", f"{peak:.1f} A, short"),
        ("charging beside it", "largest charger", f"{v.CHARGE_AMPS:g} A"),
        ("F1 carries for hours in a case at 55 °C", f"10 A x 0.75 x {warm:.2f}", f"{carries:.1f} A: enough"),
        ("short circuit of an 18 Ah battery", "12.8 V / 16 mohm", f"{short:.0f} A, under the 1000 A F1 interrupts"),
        ("order of opening", "5 A branch before 10 A battery fuse", "factor 2: the branch goes first"),
    ]


def reverse() -> list[Row]:
    return [
        (
            "voltage loss of Q1 at 5 A and 10 A",
            "I x 8 mohm",
            f"{5 * v.FET_OHM_HOT * 1e3:.0f} mV, {10 * v.FET_OHM_HOT * 1e3:.0f} mV",
        ),
        ("heat at 10 A", "I^2 x 8 mohm", f"{100 * v.FET_OHM_HOT:.1f} W"),
        ("a Schottky diode instead, 5 A", "5 A x 0.45 V", f"{5 * 0.45:.1f} W and 450 mV of runtime: no"),
        ("gate", "100 k to minus, 12 V Zener to source", f"{12.6 / 100_000 * 1e6:.0f} uA"),
    ]


def vehicle() -> list[Row]:
    volts_2a, amps_2a = pulse_volts(v.PORT_CLAMP, 13.5 + 112, 2.0)
    amps_1 = 150 / 10
    energy = (101 - v.PORT_CLAMP[1]) / 2 * v.PORT_CLAMP[2] * 0.4 / 2
    return [
        (
            "ISO 7637-2 pulse 2a, +112 V, 2 ohm, 50 us",
            "into D2",
            f"{volts_2a:.0f} V at {amps_2a:.0f} A: under Q2's {v.PORT_SWITCH_VOLTS} V",
        ),
        (
            "pulse 1, -150 V, 10 ohm, 2 ms",
            "D2 conducts forward",
            f"{amps_1:.0f} A, about -1 V; Q2 and Q3 are open",
        ),
        ("pulses 3a, 3b, -220 V and +150 V, 50 ohm, 0.1 us", "D2 and 100 nF at the port", "4.4 A: nothing"),
        (
            "ISO 16750-2 load dump, limited in the car to 35 V",
            f"under D2's {v.PORT_CLAMP[0]:g} V",
            f"D2 stays cold; U4 opens at {v.PORT_OPENS_VOLTS:g} V",
        ),
        (
            "load dump not limited, 101 V, 2 ohm, 400 ms",
            "D2 would take",
            f"some {energy:.0f} J: it fails short and F6 opens. Charge from such a car only with its engine off",
        ),
        ("jump start, 24 V, 60 s", "under 36 V", "U4 stays open"),
        ("cranking, 6 V for 15 ms", "the port only charges: U4 blocks backward", "the box stays on its battery"),
    ]


def hold_up() -> list[Row]:
    start = v.CUTOFF_VOLTS - v.BOARD_DIODE_VOLTS
    per_farad = (start**2 - v.BOARD_LOWEST_VOLTS**2) / 2
    wants, loud = (watts * v.HOLD_UP_S / per_farad for watts in (v.BOARD_WATTS, v.BOARD_RADIO_WATTS))
    holds = v.HOLD_UP_FARAD * v.HOLD_UP_LEFT * per_farad
    inrush = 12.8 / (v.INRUSH_OHM + 0.16)
    formula = f"2 x P x 50 ms / ({start:.2f}^2 - {v.BOARD_LOWEST_VOLTS:g}^2)"
    return [
        ("before the dip", f"{v.CUTOFF_VOLTS} V - {v.BOARD_DIODE_VOLTS} V of D3", f"{start:.2f} V"),
        (f"capacitance for 50 ms at {v.BOARD_WATTS} W", formula, f"{wants * 1e6:.0f} uF"),
        (f"with the radio on, {v.BOARD_RADIO_WATTS} W", formula, f"{loud * 1e6:.0f} uF"),
        (
            f"{v.HOLD_UP_FARAD * 1e6:.0f} uF, 30 % lost to cold and age, holds with the radio on",
            "C (10.65^2 - 6^2) / 2 / P",
            f"{holds / v.BOARD_RADIO_WATTS * 1e3:.0f} ms, {holds / v.BOARD_WATTS * 1e3:.0f} ms without",
        ),
        ("inrush when the battery is plugged in", "12.8 V / (1 ohm of R30 + 0.16)", f"{inrush:.0f} A"),
        (
            "the same for F4",
            "I^2 R C / 2",
            f"{inrush**2 * 1.16 * v.HOLD_UP_FARAD / 2:.2f} A2s: within a slow 1 A fuse",
        ),
    ]


def port() -> list[Row]:
    opens = v.PORT_THRESHOLD_VOLTS * (1 + v.PORT_UPPER_OHM / v.PORT_LOWER_OHM)
    starts = v.PORT_THRESHOLD_VOLTS * (1 + v.PORT_UNDER_OHM / v.PORT_LOWER_OHM)
    return [
        ("U4 opens above", "0.5 V x (1 + 330 k / 10 k), R39 and R40", f"{opens:.1f} V"),
        ("and under", "0.5 V x (1 + 180 k / 10 k), R41 and R42", f"{starts:.1f} V"),
        ("it blocks backward from", "3 mV / 5 mohm of R38", f"{3e-3 / v.PORT_SENSE_OHM:.1f} A"),
        (
            "it opens forward at",
            "50 mV / 5 mohm",
            f"{50e-3 / v.PORT_SENSE_OHM:.0f} A; F6 opens first in a long overload",
        ),
    ]


def button() -> list[Row]:
    wet = v.RAIL_VOLTS / v.BUTTON_PULLUP_OHM
    falls, rises = v.BUTTON_SERIES_OHM * v.BUTTON_FARAD, (v.BUTTON_SERIES_OHM + v.BUTTON_PULLUP_OHM) * v.BUTTON_FARAD
    return [
        ("current through the contact", "3.3 V / 4.7 k", f"{wet * 1e3:.1f} mA: keeps it clean"),
        ("press", "1 k x 100 nF", f"{falls * 1e3:.1f} ms"),
        ("release", "(4.7 k + 1 k) x 100 nF", f"{rises * 1e3:.2f} ms: bounce is gone before the next step of 100 ms"),
        (
            "a spark of 8 kV into the lead",
            "8 kV x 150 pF / 100 nF",
            f"{8e3 * 150e-12 / v.BUTTON_FARAD:.0f} V behind 1 k",
        ),
    ]


def no_back_feed() -> list[Row]:
    return [
        ("from USB into the box's 5 V", "D4 leaks 0.1 mA at 60 °C into 4.7 k", f"{v.OR_LEAK_AMPS * v.BLEED_OHM:.2f} V"),
        ("from the box into a computer", "D5 and the isolator", "nothing, 2.5 kV apart"),
        (
            "both plugged in",
            "5.1 V - 0.3 V against 4.4 to 5.25 V - 0.3 V",
            "the higher one feeds, the other's diode blocks",
        ),
    ]


def shared_minus_mv() -> float:
    """Voltage loss at 5 A in 0.5 m of AWG 14 and a contact: the error of a board without its own minus wire."""
    return 5 * (0.5 * ohm_per_km(area_mm2(14)) + v.CONNECTOR_OHM * 1000)


def sense_pair() -> list[Row]:
    metre = ohm_per_km(area_mm2(20)) / 1000
    return [
        ("board's minus wire, 1 m AWG 20, 60 mA", f"60 mA x {metre * 1e3:.0f} mohm", f"{60 * metre:.1f} mV"),
        ("the same while the radio sends, 250 mA", "at 5 V; 120 mA at 12 V", f"{120 * metre:.1f} mV"),
        ("S+ with its fuse, 0.7 mA", "0.7 mA x (0.8 + 0.03) ohm", f"{0.7 * (v.SENSE_FUSE_OHM + metre):.1f} mV"),
        ("a minus wire shared with loads", "5 A x (0.5 m AWG 14 + 1 mohm)", f"{shared_minus_mv():.0f} mV"),
    ]


def fan_four_wire() -> list[Row]:
    low = v.CONTROL_AMPS * (v.CONTROL_SWITCH_OHM + v.CONTROL_SERIES_OHM)
    seconds = (v.TACH_PULLUP_OHM + v.TACH_SERIES_OHM) * v.TACH_FARAD
    fastest = v.FAN_FASTEST_RPM * 2 / 60
    damped = 20 * log10(sqrt(1 + (2 * pi * v.FAN_HZ * v.TACH_SERIES_OHM * v.TACH_FARAD) ** 2))
    return [
        ("control line held low", "5 mA x (5 + 100) ohm", f"{low:.2f} V, under 0.8 V"),
        (
            "a fan that has lost its minus",
            "12 V^2 / (5 + 100) ohm",
            f"{144 / (v.CONTROL_SWITCH_OHM + v.CONTROL_SERIES_OHM):.1f} W in R18: a fusible 0.25 W part opens",
        ),
        ("tachometer at 1500 and 20 000 rpm", "rpm x 2 / 60", f"{1500 * 2 / 60:.0f} and {fastest:.0f} Hz"),
        (
            "rise of the filtered line",
            "20 k x 4.7 nF",
            f"{seconds * 1e6:.0f} us of {0.5e6 / fastest:.0f} us half a period",
        ),
        ("25 kHz interference on it", "behind 10 k x 4.7 nF", f"{damped:.0f} dB less"),
        (
            "a fan that pulls its line up to 12 V",
            "(12 - 3.8) V / 10 k",
            f"{(12 - 3.8) / 10_000 * 1e3:.1f} mA into the pin's own diode",
        ),
    ]


def fan_switched() -> list[Row]:
    ripple = 12 * 0.25 / (1e-3 * v.FAN_HZ)
    slope = (12 - v.GATE_PLATEAU_VOLTS) / v.GATE_OHM / v.GATE_FARAD
    return [
        (
            "output rises with",
            "(12 - 3) V / 47 k / 10 nF",
            f"{slope / 1e3:.0f} V/ms: slow, no click on the radio",
        ),
        (
            "current while off",
            "12 V / 47 k + 11.3 V / 10 k",
            f"{(12 / v.GATE_OHM + 11.3 / v.GATE_BASE_OHM) * 1e3:.1f} mA",
        ),
        (
            "largest capacitor of a load, 470 uF, charges with",
            "C x slope",
            f"{v.OUTPUT_FARAD * slope:.0f} A for {12 / slope * 1e3:.1f} ms; F3 and Q8 carry it",
        ),
        (
            "a motor or relay is switched off",
            "D10, D12: 60 V 3 A Schottky",
            "its current falls through the diode, not Q8",
        ),
        (
            "output 2, gate while on",
            "12 V x 100 k / (100 k + 47 k)",
            f"{12 * v.OFF_GATE_UP_OHM / (v.OFF_GATE_UP_OHM + v.OFF_GATE_DOWN_OHM):.1f} V: a logic-level Q8 is fully on",
        ),
        ("speed of a 3-wire fan, if you must", "25 kHz into 1 mH", f"{ripple * 1e3:.0f} mA ripple"),
        ("and 220 uF, 0.1 ohm", "ripple x ESR", f"{ripple * 100:.0f} mV on the fan: its tachometer is correct"),
    ]


def fan_filter() -> list[Row]:
    corner = 1 / (2 * pi * sqrt(v.FAN_FILTER_HENRY * v.FAN_FILTER_FARAD))
    return [
        ("corner", "1 / (2 pi sqrt(100 uH x 470 uF))", f"{corner:.0f} Hz"),
        ("25 kHz is passed on", "(25 000 / corner)^2", f"{40 * log10(v.FAN_HZ / corner):.0f} dB less"),
        ("impedance", "sqrt(L / C)", f"{sqrt(v.FAN_FILTER_HENRY / v.FAN_FILTER_FARAD):.2f} ohm: an ESR near it damps"),
    ]


def cable() -> list[tuple[str, ...]]:
    """(length, volts lost for 0.1, 0.3, 0.5 A on one pair, and 1 A on two pairs) there and back, AWG 24 at 40 °C."""
    metre = ohm_per_km(area_mm2(24), 40.0) / 1000
    return [
        (
            f"{length} m",
            *(f"{2 * length * metre * amps / pairs:.2f} V" for amps, pairs in ((0.1, 1), (0.3, 1), (0.5, 1), (1.0, 2))),
        )
        for length in (2, 5, 10, 20, 30)
    ]


TOPICS = {
    f.__name__: f
    for f in (divider, clamp, reference, shunt, lead, fuse, reverse, vehicle, port, hold_up, no_back_feed, sense_pair)
    + (button, fan_four_wire, fan_switched, fan_filter)
}

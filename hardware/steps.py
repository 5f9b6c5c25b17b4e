"""First power-up, step by step, with the readings that values.py and the error budget predict."""

from hardware import budget, worked
from hardware import values as v


def steps() -> list[tuple[str, str]]:
    """(what to do, reading to expect) for the first power-up, in order; tolerances from the error budget."""
    back = (12 - v.CLAMP_DIODE_VOLTS) / v.MONITOR_SERIES_OHM + (12 - v.CLAMP_DIODE_VOLTS) / v.DIVIDER_TOP_OHM
    ghost = (12 - 1.2) / v.DIVIDER_TOP_OHM
    cold = v.REFERENCE_VOLTS / 2
    monitor, divide = budget.worst(budget.monitor_mv()), budget.worst(budget.divider_mv())
    warm, amps = budget.worst(budget.temperature_k(60.0)), budget.worst(budget.current_ma(1.75))
    return [
        (
            "No battery, no board, no USB. Ohmmeter at the battery plug, plus to minus",
            "over 1 kohm, rising as C1 fills",
        ),
        (
            "Bench supply 12 V, limit 0.1 A, **reversed**, at the battery plug with F1 and F5 in",
            f"{back * 1e3:.0f} mA (R7 and R1), bus 0 V, nothing warm within a minute",
        ),
        (
            "Supply right way round, limit 0.2 A, board not plugged in",
            "bus 12.0 V, U1 gives 5.1 V, after D4 4.8 V; output 1 on, output 2 off; fans at full speed",
        ),
        ("S+ on 12.00 V by a precise meter: divider pin", f"{12 / worked.RATIO:.3f} V, 10 mV either way"),
        (
            "F4 out, S+ still in, board plugged in",
            f"3.3 V rail under 0.7 V: {ghost * 1e3:.1f} mA flows through R1 and D6 and must not start the board",
        ),
        (
            "F4 in, board plugged in, no USB",
            f"3.3 V rail 3.23 to 3.37 V; reference 3.000 V, {v.REFERENCE_TOLERANCE * 3e3:.0f} mV either way",
        ),
        ("USB in, bench supply off", "5 V rail of U1 under 0.5 V; bus 0 V: nothing feeds back"),
        (
            "`groundbox board install`, twice; then 12.00 V and `groundbox log`, `groundbox now --json`",
            f"`runs slot a and keeps it`, then `slot b`: both have worked; "
            f"battery within {monitor:.0f} mV, check within {divide:.0f} mV, less than 150 mV apart",
        ),
        (
            "S+ slowly from 11.0 to 11.5 V, `groundbox log`: check against a precise meter",
            "difference changes by less than 30 mV; without the firmware's correction it jumps by 40 mV near 11.25 V",
        ),
        (f"10.0 kohm 0.1 % in place of each thermistor (pin at {cold:.2f} V)", "25.0 °C, 0.3 K either way"),
        (
            f"{budget.ntc_ohm(60) / 1e3:.2f} kohm in its place",
            f"60.0 °C, 0.3 K either way (a thermistor adds its own: {warm:.1f} K in all)",
        ),
        (
            "Thermistor plug out; then its two wires joined",
            "`open`; `shorted`; fans full for the case sensor, not for intake",
        ),
        (
            "A 12 V 21 W lamp as load",
            f"+1.75 A as the ammeter shows, {amps:.0f} mA either way; a charger shows minus",
        ),
        (
            "`groundbox board fans`: each at 100 %, then 30 %",
            "rpm within 10 % of the fan's sheet; 1500 rpm is 50 Hz at the pin; control line under 0.6 V when low",
        ),
        ("Tachometer lead of one fan out", "that fan `stalled` 5 s after its starting time, its partner at 100 %"),
        ("Board pulled from its socket while running", "fans at full speed, output 1 on, output 2 off"),
        (
            "10 W load on output 2; battery plug out for 2 s, four times, 10 s apart",
            "output 2 on 5 s after each start; after the third start it stays off, output 1 is on all the time",
        ),
        (
            "Battery plug out for as short as you can, 20 times; again with the board's radio on",
            f"boot number unchanged for dips under {v.HOLD_UP_S * 1e3:.0f} ms",
        ),
        (
            f"{v.OUTPUT_FARAD * 1e6:.0f} uF at output 1; switch it off and on at the board's pin",
            "the bus dips by less than 0.5 V; Q8 and F3 stay cold; boot number unchanged",
        ),
        (
            "Minus wire of one fan out of its plug, 10 s",
            "its R18 to R21 may open, nothing smokes; the other fans run",
        ),
        (
            "Second supply at the charge port: 14.4 V, then slowly up; then reversed with F6 in",
            f"charges; opens at {v.PORT_OPENS_VOLTS:g} V within 3 %; reversed: F6 opens, nothing else; "
            "with the supply unplugged: under 0.5 V at the port",
        ),
        (
            "Load of 3 A: volts at the terminals less volts at the equipment, divided by amps",
            "about 0.03 ohm: this is `lead_ohm`",
        ),
        (
            "`groundbox board lamp`, `groundbox board buzzer`, button",
            "as named; the button silences, a hold of 1.5 s beeps",
        ),
    ]

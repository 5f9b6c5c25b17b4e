"""The reference design's numbers, once: drawings, parts list, worked figures and error budget read them here.

Ratings of kinds of parts are typical data-sheet figures from memory: check them against the sheet of the part you buy.
A tolerance is the limit either way. Units are in the names.
"""

# Voltage: sense wire S+, divider to the converter, monitor's bus input.
DIVIDER_TOP_OHM = 15_000
DIVIDER_BOTTOM_OHM = 3_000
DIVIDER_TOLERANCE = 0.001
DIVIDER_PPM_PER_K = 25
DIVIDER_SERIES_OHM = 1_000  # between clamp and pin
DIVIDER_FARAD = 470e-9
CLAMP_DIODE_VOLTS = 0.9  # low-leakage silicon pair at some milliamperes
RAIL_VOLTS = 3.3
RAIL_TOLERANCE = 0.02
LEAK_AMPS = 200e-9  # clamp and pin together, case at 60 °C
REFERENCE_VOLTS = 3.0
REFERENCE_TOLERANCE = 0.002
REFERENCE_PPM_PER_K = 100
REFERENCE_FEED_OHM = 200
REFERENCE_MINIMUM_AMPS = 80e-6
CONVERTER_AMPS = 150e-6
CONVERTER_BITS = 12
CONVERTER_OFFSET_LSB = 2
# Its steps are not all equal. RP2040 data sheet, erratum RP2040-E11: codes 511, 1535, 2559 and 3583 are too wide. Five
# boards measured at 32768 voltages each (kitanokitsune, rp2040adc_correction, 2025, data_rp2040) have steps of 9 to 10
# LSB there, and are up to 6.2 LSB from their own best line. Corrected as drivers/analogue.py does, they are within
# 5 LSB in a wide code and 2.9 LSB elsewhere.
CONVERTER_PLAIN_LSB = 6.2
CONVERTER_STEPS_LSB = 5
CONVERTER_CALM_LSB = 2.9  # at the points of a calibration, which are beside the wide codes
CONVERTER_JUMP_LSB = 9
CONVERTER_NOISE_BITS = 8.7
CONVERTER_ALIKE = 50  # consecutive samples with the same noise, from fans and converter
SAMPLES = 500  # in each second's mean

MONITOR_SERIES_OHM = 470
MONITOR_INPUT_OHM = 830_000
MONITOR_INPUT_TOLERANCE = 0.2
MONITOR_BUS_GAIN = 0.001
MONITOR_BUS_GAIN_PPM_PER_K = 50
MONITOR_BUS_OFFSET_VOLTS = 7.5e-3
MONITOR_BUS_OFFSET_VOLTS_PER_K = 40e-6
MONITOR_BUS_LSB_VOLTS = 1.25e-3
MONITOR_HIGHEST_VOLTS = 36

# Current.
SHUNT_OHM = 0.002
SHUNT_TOLERANCE = 0.01
SHUNT_PPM_PER_K = 50
SHUNT_OWN_RISE_K = 20
MONITOR_SHUNT_GAIN = 0.001
MONITOR_SHUNT_GAIN_PPM_PER_K = 50
MONITOR_SHUNT_OFFSET_VOLTS = 10e-6
MONITOR_SHUNT_OFFSET_VOLTS_PER_K = 0.1e-6
MONITOR_SHUNT_LSB_VOLTS = 2.5e-6
MONITOR_SHUNT_FULL_VOLTS = 81.92e-3
MONITOR_FILTER_OHM = 10
MONITOR_FILTER_FARAD = 100e-9
MONITOR_BIAS_AMPS = 10e-6

# Temperature.
NTC_OHM = 10_000
NTC_TOLERANCE = 0.01
NTC_BETA_K = 3950
NTC_BETA_TOLERANCE = 0.01
NTC_PULLUP_OHM = 10_000
NTC_PULLUP_TOLERANCE = 0.001
NTC_WATTS_PER_K = 1.5e-3  # bead in still air
NTC_TABLE_K = 0.1  # firmware's straight lines between rows, 0 to 85 °C
NTC_SERIES_OHM = 1_000
NTC_FARAD = 100e-9

# What calibration is done with, and how far the case strays from the temperature it was done at.
METER_FRACTION = 0.0005
METER_VOLTS = 2e-3
AMMETER_FRACTION = 0.005
AMMETER_AMPS = 5e-3
THERMOMETER_K = 0.2
STRAY_K = 20

# Power path.
BATTERY_FUSE_AMPS = 10
FUSE_INTERRUPTS_AMPS = 1000
EQUIPMENT_FUSE_AMPS = 5
BOARD_FUSE_AMPS = 1
SENSE_FUSE_AMPS = 0.5
SENSE_FUSE_OHM = 0.8
FUSE_CARRIES = 0.75  # of its rating, continuously
FUSE_PER_K = 0.002  # less, above 25 °C
FET_OHM_HOT = 0.008
FUSE_OHM = 0.0075
CONNECTOR_OHM = 0.001
BATTERY_OHM = 0.016
CUTOFF_VOLTS = 11.0
BUS_CLAMP = (18.0, 22.1, 29.2, 51.0)  # stand-off, highest breakdown, volts at amps
PORT_CLAMP = (36.0, 44.2, 58.1, 25.8)
PORT_SWITCH_VOLTS = 100
PORT_OPENS_VOLTS = 17.0
BOARD_WATTS = 0.5  # at the converter's input
BOARD_RADIO_WATTS = 1.7  # the same while the board's radio sends: 250 mA at 5 V and losses, from memory
BOARD_DIODE_VOLTS = 0.35
BOARD_LOWEST_VOLTS = 6.0
HOLD_UP_FARAD = 3300e-6
HOLD_UP_S = 0.050
INRUSH_OHM = 1.0
HOLD_UP_LEFT = 0.7  # of it, cold and old
OR_LEAK_AMPS = 100e-6  # Schottky at 5 V and 60 °C
BLEED_OHM = 4_700

# Fans.
TACH_PULLUP_OHM = 10_000
TACH_SERIES_OHM = 10_000
TACH_FARAD = 4.7e-9
FAN_HZ = 25_000
FAN_FASTEST_RPM = 20_000
CONTROL_AMPS = 5e-3  # open 4-wire fan specification: at most
CONTROL_LOW_VOLTS = 0.8
CONTROL_SWITCH_OHM = 5
CONTROL_SERIES_OHM = 100
FAN_FILTER_HENRY = 100e-6
FAN_FILTER_FARAD = 470e-6
GATE_OHM = 47_000
GATE_FARAD = 10e-9  # from gate to drain: it sets how fast an output rises
GATE_PLATEAU_VOLTS = 3.0  # gate to source while the output rises: from memory
OUTPUT_FARAD = 470e-6  # most that may hang on an output
BUTTON_PULLUP_OHM = 4_700
BUTTON_SERIES_OHM = 1_000
BUTTON_FARAD = 100e-9
PORT_THRESHOLD_VOLTS = 0.5  # of the surge stopper's comparators: from memory
PORT_SENSE_OHM = 0.005
PORT_UPPER_OHM, PORT_LOWER_OHM = 330_000, 10_000
PORT_UNDER_OHM = 180_000
GATE_BASE_OHM = 10_000
OFF_GATE_UP_OHM = 100_000  # output 2: gate to bus
OFF_GATE_DOWN_OHM = 47_000  # and Q9 to gate

# Loads of the invented boxes `table` and `mast` (watts; the mast's servos when both start).
TABLE_WATTS = 18 + 6 + 10 + 5
MAST_PEAK_WATTS = 10 + 36 + 5
CHARGE_AMPS = 4.0

# Millivolts a minute a 17 Ah battery falls at 3 A, at these volts: read from a recorded discharge (V. Sulzer,
# faster-lead-acid, 2019, experimental data), straight line through the ten minutes to either side.
FALL_MV_PER_MIN = ((12.4, 3.3), (12.0, 3.7), (11.6, 4.4), (11.4, 5.8), (11.2, 8.7), (11.0, 14.2))

# Parts beside the board: (name, part, value and rating, how many).
OFF_BOARD = (
    ("TH1, TH2", "thermistor, case and intake", "10 k 1 % at 25 °C, B 3950 K 1 %, bead on a twisted pair", 2),
    ("TH3", "1-wire sensor, battery", "0.5 °C from -10 to 85 °C", 1),
    ("F7...", "fuse of each data-cable pair that carries power", "0.5 A", 0),
    ("U5", "isolated USB, full speed", "2.5 kV, or an isolated differential transceiver", 1),
    ("BZ1", "self-sounding buzzer", "3-5 V, 85 dB at 10 cm, under 100 mA", 1),
    ("LP1", "lamp", "LED", 1),
    ("SW1", "button, to ground", "sealed", 1),
    ("FAN1-FAN4", "4-wire fan that stops under 10 % of drive", "12 V, at most 0.3 A", 2),
)


def ohm(value: float) -> str:
    """Resistance as it is written beside a part."""
    for size, letter in ((1e6, "M"), (1e3, "k")):
        if value >= size:
            return f"{value / size:g} {letter}"
    return f"{value * 1e3:g} mΩ" if value < 1 else f"{value:g} Ω"


def farad(value: float) -> str:
    """Capacitance as it is written beside a part."""
    for size, letter in ((1e-6, "µF"), (1e-9, "nF")):
        if value >= size:
            return f"{value / size:g} {letter}"
    return f"{value / 1e-12:g} pF"

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
BOARD_DIODE_VOLTS = 0.35
BOARD_LOWEST_VOLTS = 6.0
HOLD_UP_FARAD = 1500e-6
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
GATE_FARAD = 10e-9
GATE_BASE_OHM = 10_000

# Loads of the invented boxes `table` and `mast` (watts; the mast's servos when both start).
TABLE_WATTS = 18 + 6 + 10 + 5
MAST_PEAK_WATTS = 10 + 36 + 5
CHARGE_AMPS = 4.0

# Millivolts a minute a 17 Ah battery falls at 3 A, at these volts: read from a recorded discharge (V. Sulzer,
# faster-lead-acid, 2019, experimental data), straight line through the ten minutes to either side.
FALL_MV_PER_MIN = ((12.4, 3.3), (12.0, 3.7), (11.6, 4.4), (11.4, 5.8), (11.2, 8.7), (11.0, 14.2))

# (in drawing, part, value and rating, how many)
PARTS = (
    ("F1", "blade fuse in a sealed holder", "10 A, 32 V, interrupts 1000 A; within 15 cm of the plus terminal", 1),
    ("F2, F3", "blade fuse, one for each group of equipment", "5 A, 32 V", 2),
    ("F4", "fuse of the board's supply", "1 A slow, 32 V", 1),
    ("F5", "fuse of the sense wire, at the terminal", "0.5 A, 32 V", 1),
    ("F6", "fuse of the charge port", "7.5 A, 58 V", 1),
    ("F7...", "fuse of each data-cable pair that carries power", "0.5 A", 0),
    ("Q1", "P-channel MOSFET, reverse polarity", "40 V, 5 mohm (8 hot), 30 A, with 12 V gate Zener and 100 k", 1),
    ("Q2, Q3", "N-channel MOSFET pair, charge port, source to source", "100 V, 10 mohm", 2),
    ("U4", "surge stopper controller for Q2 and Q3", "opens above 17.0 V and on reversed input, withstands 100 V", 1),
    ("D1", "transient suppressor, bus", "18 V stand-off, 29.2 V at 51 A, one way, 1500 W class", 1),
    ("D2", "transient suppressor, charge port", "36 V stand-off, 58.1 V at 25.8 A, one way, 1500 W class", 1),
    ("D3", "Schottky diode, board supply", "60 V, 1 A", 1),
    ("D4, D5", "Schottky diodes, box 5 V or USB 5 V (D5 is on most boards)", "30 V, 1 A", 2),
    ("D6, D7", "low-leakage silicon diode pairs, clamps", "80 V, 140 mA, under 80 nA hot", 2),
    ("C1", "electrolytic, hold-up", "1500 uF, 35 V, 105 °C", 1),
    ("R30", "inrush, pulse-proof", "1 ohm 2 W", 1),
    ("U1", "step-down converter", "7-32 V in, 5.1 V 1 A out, fixed frequency above 400 kHz, shielded coil", 1),
    ("R1", "divider, upper", "15.0 k 0.1 % 25 ppm/K 0.25 W", 1),
    ("R2", "divider, lower", "3.00 k 0.1 % 25 ppm/K", 1),
    ("R3", "between clamp and pin", "1 k 1 %", 1),
    ("C2", "divider filter", "470 nF 16 V", 1),
    ("U2", "shunt reference", "3.000 V 0.2 % 100 ppm/K, 80 uA to 10 mA", 1),
    ("R4", "feed of the reference (on many boards already)", "200 ohm 1 %", 1),
    ("RS", "shunt, four terminals", "2 mohm 1 % 50 ppm/K 3 W", 1),
    ("U3", "INA226-class shunt and bus monitor", "36 V, 16 bit, I2C address 0x40", 1),
    ("R5, R6", "shunt filter", "10 ohm 1 %", 2),
    ("R7", "monitor's bus input, pulse-proof", "470 ohm 1 % 0.5 W", 1),
    ("C3, C4", "monitor filters", "100 nF 50 V", 2),
    ("TH1-TH3", "thermistor, case, intake, battery", "10 k 1 % at 25 °C, B 3950 K 1 %, bead on a twisted pair", 3),
    ("R8-R10", "thermistor pull-ups to the reference", "10.0 k 0.1 %", 3),
    ("R11-R13, C5-C7", "thermistor line filters", "1 k, 100 nF", 3),
    ("Q4-Q7", "N-channel MOSFET, fan control line", "60 V, 5 ohm, logic gate", 4),
    ("R14-R17", "gate pull-downs", "100 k", 4),
    ("R18-R21", "control line series", "100 ohm", 4),
    ("R22-R25", "tachometer pull-ups to 3.3 V", "10 k", 4),
    ("R26-R29, C8-C11", "tachometer filters", "10 k, 4.7 nF", 4),
    ("L1, C12", "fan supply filter, one for each pair", "100 uH 1 A; 470 uF 25 V 105 °C", 2),
    (
        "Q8-Q10 and R, C",
        "switch that is on by default: outputs, 2- and 3-wire fans",
        "P-channel 40 V 20 mohm; switch.svg",
        2,
    ),
    ("R31, R32", "I2C pull-ups to 3.3 V (on most monitor boards)", "4.7 k", 2),
    ("R33", "bleeder across U1's output", "4.7 k", 1),
    ("R34-R36", "1-wire pull-ups to 3.3 V, where such sensors are fitted", "4.7 k", 0),
    ("U5", "isolated USB, full speed", "2.5 kV, or an isolated differential transceiver", 1),
    ("BZ1", "self-sounding buzzer with transistor", "3-5 V, 85 dB at 10 cm", 1),
    ("LP1", "lamp", "LED with 470 ohm", 1),
    ("SW1", "button, to ground", "sealed", 1),
    ("MCU", "board, RP2040 or ESP32 class", "3.3 V, reference input brought out", 1),
)

"""What the shell measures, what it drives, and the reading made of it: plain objects, made once."""

from array import array

from core.window import Window
from groundbox.wire.messages import UNKNOWN, fields_of
from micropython import const

_BEFORE = const(4)  # fields before the measured ones: box, boot, sequence, uptime_ms


class Inputs:
    """What the shell measured since the last step; whole numbers.

    Attributes:
        window: core.window.Window; a timer's callback calls `inputs.window.put(raw)` for each fast sample (0..65535)
            of the battery divider's ADC. Nothing else needs to be read for the check voltage.
        monitor_bus: bus voltage register of the shunt monitor as read, 0..65535, or UNKNOWN.
        monitor_shunt: shunt voltage register as read, 0..65535 (two's complement), or UNKNOWN.
        case_raw, battery_raw, intake_raw: for an NTC the ADC's 0..65535 (NTC to ground, pull-up to its reference);
            for a 1-wire sensor `core.onewire.raw(scratch)` whenever a new scratchpad was read; else UNKNOWN.
        humidity_centi_percent: 0..10000 or UNKNOWN.
        pulses: array("H") of four: tachometer pulses of fans 1 to 4, counted on for ever and wrapping at 65536; the
            pin's handler does `pulses[i] = (pulses[i] + 1) & 0xFFFF`. The step takes differences and never writes it.
        button: 1 while the button is held down. A long press (1.5 s) marks launch or landing, a short
            one silences; the first short one in flight marks the return too.
    """

    def __init__(self):
        self.window = Window()
        self.pulses = array("H", (0, 0, 0, 0))
        self.monitor_bus = UNKNOWN
        self.monitor_shunt = UNKNOWN
        self.case_raw = UNKNOWN
        self.battery_raw = UNKNOWN
        self.intake_raw = UNKNOWN
        self.humidity_centi_percent = UNKNOWN
        self.button = 0


class Outputs:
    """What the shell drives after a step.

    Attributes:
        fan1_percent .. fan4_percent: 0..100 (a switched fan gets 0 or 100 only).
        output1_on, output2_on: 1 or 0.
        buzzer, lamp: 1 or 0 at this moment.
    """

    def __init__(self):
        self.fan1_percent = 0
        self.fan2_percent = 0
        self.fan3_percent = 0
        self.fan4_percent = 0
        self.output1_on = 1
        self.output2_on = 1
        self.buzzer = 0
        self.lamp = 0


class Reading:
    """The reading being made: one attribute for each field of the registry's reading after its uptime.

    Whole numbers, UNKNOWN where not known; states as indexes of their tuples.
    """

    def __init__(self):
        for field in fields_of("reading")[_BEFORE:]:
            setattr(self, field[0], 0 if isinstance(field[1], tuple) else UNKNOWN)

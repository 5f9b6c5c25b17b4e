"""The sensing and control step: everything the board does by itself, ten times a second, without allocation.

The shell fills `Inputs`, calls `Control.step(step_ms, inputs)`, drives what `control.outputs` says, and once a second
calls `Control.close_reading(worst_step_us)`. Every raw input but the pulse counters is set back to UNKNOWN by the step:
what the shell does not fill anew counts as not read, and grows old.
"""

from array import array

from core.window import Window
from groundbox.wire.messages import UNKNOWN


class Inputs:
    """What the shell measured since the last step; whole numbers.

    Attributes:
        window: core.window.Window; a timer's callback calls `inputs.window.put(raw)` for each fast sample (0..65535)
            of the battery divider's ADC. Nothing else needs to be read for the check voltage.
        monitor_bus: bus voltage register of the shunt monitor as read, 0..65535, or UNKNOWN.
        monitor_shunt: shunt voltage register as read, 0..65535 (two's complement), or UNKNOWN.
        case_raw, block_raw, intake_raw: for an NTC the ADC's 0..65535 (NTC to ground, pull-up to the ADC's reference);
            for a 1-wire sensor `core.onewire.raw(scratch)` whenever a new scratchpad was read; else UNKNOWN.
        humidity_centi_percent: 0..10000 or UNKNOWN.
        pulses: array("H") of four: tachometer pulses of fans 1 to 4, counted on for ever and wrapping at 65536; the
            pin's handler does `pulses[i] = (pulses[i] + 1) & 0xFFFF`. The step takes differences and never writes it.
        button: 1 while the button is held down. A short press silences, a long one (1.5 s) marks launch or landing.
    """

    def __init__(self):
        self.window = Window()
        self.pulses = array("H", (0, 0, 0, 0))
        self.monitor_bus = UNKNOWN
        self.monitor_shunt = UNKNOWN
        self.case_raw = UNKNOWN
        self.block_raw = UNKNOWN
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


class Control:
    """All of the board's own decisions.

    Args:
        settings: dictionary with every name of groundbox.wire.settings.SETTINGS.
        outbox: core.outbox.Outbox; readings and events go there.

    Attributes:
        outputs: Outputs.
        reading: the reading being made; attributes named as in the registry (states as indexes of their tuples).
        uptime_s, uptime_ms: time since this start: whole seconds, and 0..999 milliseconds.
        place: index in messages.PLACES.
        landed: 1 between a marked landing and the next launch.
        uncorrected_of(channel): present uncorrected value of a channel of messages.CHANNELS, for `calibrate`.
    """

    def __init__(self, settings, outbox):
        self.outbox = outbox
        self.outputs = Outputs()
        self.reading = None
        self.uptime_s = 0
        self.uptime_ms = 0
        self.place = 0
        self.landed = 0
        self.apply(settings)

    def apply(self, settings):
        """Takes changed settings into force, keeping all state; allocates, call it between steps."""

    def restore(self, place, landed, output1, output2):
        """Takes up where the last start ended.

        `place` is an index in messages.PLACES, `landed` 0 or 1, the outputs are indexes in messages.OUTPUT_STATES.
        """

    def step(self, step_ms, inputs):
        """Senses and decides, `step_ms` milliseconds (1..5000) after the step before. Allocates nothing."""

    def close_reading(self, worst_step_us):
        """Puts the reading made since the last call into the outbox and begins the next. Allocates nothing."""

    def event(self, kind, value):
        """Puts an event (index in messages.EVENTS; whole number or UNKNOWN) into the outbox. Allocates nothing."""

    def mark(self, kind):
        """A person marks launch, landing, charge or swap (index in messages.MARKS), by command."""

    def silence(self):
        """A person quiets the buzzer, by command; the button does the same by itself."""

    def switch(self, output, on):
        """A person switches output 1 or 2 on (1) or off (0); False when it is not fitted."""

    def uncorrected_of(self, channel):
        """Present value of messages.CHANNELS[channel] before calibration (mV, mA or centi-C), or UNKNOWN."""
        return UNKNOWN

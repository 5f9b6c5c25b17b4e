"""What the drivers give to a step and take from it: plain objects, made once."""

from array import array

from groundbox.wire.messages import UNKNOWN
from micropython import const

_LENGTH = const(512)


class SampleRing:
    """Fast samples between an interrupt, which only stores them, and the step, which reduces them.

    `put` is called from a timer's callback; `take` from the step. A late step loses the samples that are overwritten.

    Attributes (of the samples taken by the last `take`; meaningless while count is 0):
        count, total, low, high: how many, their sum, minimum and maximum. 0..65535 each, so total < 2**25.
    """

    def __init__(self):
        self._samples = array("H", (0 for _ in range(_LENGTH)))
        self._head = 0
        self._tail = 0
        self.count = 0
        self.total = 0
        self.low = 0
        self.high = 0

    def put(self, raw):
        """Stores one sample, 0..65535; allocates nothing, safe in an interrupt."""
        head = self._head
        self._samples[head] = raw
        self._head = (head + 1) & (_LENGTH - 1)

    def take(self):
        """Reduces the samples put since the last call into count, total, low and high."""
        samples = self._samples
        head = self._head
        tail = self._tail
        self._tail = head
        self.count = (head - tail) & (_LENGTH - 1)
        total = 0
        low = 65535
        high = 0
        while tail != head:
            raw = samples[tail]
            total += raw
            if raw < low:
                low = raw
            if raw > high:
                high = raw
            tail = (tail + 1) & (_LENGTH - 1)
        self.total = total
        self.low = low
        self.high = high


class Inputs:
    """What the drivers measured since the last step; whole numbers.

    Attributes:
        window: SampleRing; a timer's callback calls `inputs.window.put(raw)` for each fast sample (0..65535) of the
            battery divider's ADC. Nothing else is read for the check voltage.
        monitor_bus: bus voltage register of the shunt monitor as read, 0..65535, or UNKNOWN.
        monitor_shunt: shunt voltage register as read, 0..65535 (two's complement), or UNKNOWN.
        case_raw, battery_raw, intake_raw: for an NTC the ADC's 0..65535 (NTC to ground, pull-up to its reference);
            for a 1-wire sensor `core.conversion.scratchpad_raw` when a new scratchpad was read; else UNKNOWN.
        humidity_centi_percent: 0..10000 or UNKNOWN.
        pulses: array("H") of four: tachometer pulses of fans 1 to 4, counted without end and wrapping at 65536; the
            pin's handler does `pulses[i] = (pulses[i] + 1) & 0xFFFF`. The step takes differences and never writes it.
        button: 1 while the button is held down; core.control.Control says what presses mean.
    """

    def __init__(self):
        self.window = SampleRing()
        self.pulses = array("H", (0, 0, 0, 0))
        self.monitor_bus = UNKNOWN
        self.monitor_shunt = UNKNOWN
        self.case_raw = UNKNOWN
        self.battery_raw = UNKNOWN
        self.intake_raw = UNKNOWN
        self.humidity_centi_percent = UNKNOWN
        self.button = 0


class Outputs:
    """What the drivers drive after a step.

    Attributes:
        fan1_percent .. fan4_percent: 0..100 (a switched fan gets 0 or 100 only).
        output1_on, output2_on: 1 or 0.
        buzzer, lamp: 1 or 0 at this moment.
        text: bytearray of 32 for the display, two lines of 16.
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
        self.text = bytearray(32)

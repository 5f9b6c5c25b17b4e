"""Steps the core with the heap locked, through every state it knows; for MicroPython only, run by test_no_alloc.py.

An allocation raises MemoryError. A whole number of 2**30 or more is an allocation on a 32-bit board, so this also shows
that none arises, with every setting at either end of its range and every raw number at its top.
"""

from bench import Box
from micropython import heap_lock, heap_unlock

from core import conversion
from groundbox.wire.messages import EVENTS, MARKS, UNKNOWN
from groundbox.wire.settings import SETTINGS, defaults, refusal_of_all

SCRATCH = bytes((0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10, 0x1C))


class LockedControl:
    """Takes the place of the control in a Box: the same step, with the heap locked."""

    def __init__(self, control):
        self.control = control
        self.outputs = control.outputs
        self.reading = control.reading
        self.reading_due = 0

    def step(self, step_ms, inputs):
        control = self.control
        heap_lock()
        try:
            control.step(step_ms, inputs)
            self.reading_due = control.reading_due
        finally:
            heap_unlock()

    def close_reading(self, worst_step_us):
        control = self.control
        heap_lock()
        try:
            control.close_reading(worst_step_us)
            control.event(6, -32767)
        finally:
            heap_unlock()
        self.reading_due = 0


def locked(**changes):
    """A Box whose control is locked, after its first second."""
    box = Box(**changes)
    box.control = LockedControl(box.control)
    return box


def seconds(box, count, step_ms=100):
    """Lets `count` seconds pass with the heap locked in every step."""
    for _ in range(count * 1000 // step_ms):
        box.step(step_ms)


def states():
    """A field day and its mishaps."""
    box = locked(fan_mode=1, fan3_kind=2, fan4_kind=1, display_fitted=1)
    seconds(box, 5)
    turn_back = box.control.control.turn_back
    for time_s in (700, 295, 125, 4, 86400):
        give(turn_back, time_s)
        box.control.control.mark(MARKS.index("launch"))
        seconds(box, 12)
    turn_back.table.numbers = [32000, 1000, 14400] + [8000, 0, 12000, 32000, 12100, 32000, 12200, 32000, 12300, 32000]
    for ma in (31000, 10000, -31000):
        box.control.control.mark(MARKS.index("landing"))
        turn_back.charged()
        turn_back._rested_s = 14400  # as after four hours
        box.battery_ma = ma
        seconds(box, 65)
        box.control.control.mark(MARKS.index("launch"))
        assert turn_back.own == (1 if ma > 0 else 0)
        seconds(box, 12)
    box.battery_ma = 2000
    box.control.control.mark(MARKS.index("landing"))
    for case in (3600, 4600, 5600, 6100, 3000, UNKNOWN, 2500):
        box.case = case
        seconds(box, 7)
    box.case = 3600
    box.stuck = (1, 3)
    seconds(box, 12)
    box.stuck = ()
    for counts in (65535, 0, 64500, 1700, 32000):
        box.case_counts = counts
        seconds(box, 4)
    box.case_counts = None
    for mv in (11700, 11200, 10700, 5, 40000, 12600):
        box.battery_mv = mv
        seconds(box, 65)
    box.check_mv = 12900
    seconds(box, 15)
    box.check_mv = UNKNOWN
    seconds(box, 7)
    box.battery_mv = UNKNOWN
    seconds(box, 7)
    box.battery_mv = 14000
    box.battery_ma = -4000
    for battery in (2500, -500, 4200, 5200, UNKNOWN):
        box.battery = battery
        seconds(box, 7)
    for held in (3, 20):
        box.button = 1
        seconds(box, held)
        box.button = 0
        seconds(box, 1)
    seconds(box, 60, 5000)


def give(turn_back, time_s):
    """The largest budget that a host may give, with the heap locked."""
    heap_lock()
    try:
        turn_back.hear()
        turn_back.give(100000, time_s, 14400, 32000)
    finally:
        heap_unlock()


def people():
    """What commands and interrupts do inside a step's time."""
    box = locked()
    seconds(box, 2)
    control = box.control.control
    window = box.inputs.window
    heap_lock()
    try:
        for kind in range(len(MARKS)):
            control.mark(kind)
        control.event(len(EVENTS) - 1, UNKNOWN)
        control.silence()
        control.switch(2, 0)
        control.switch(2, 1)
        for _ in range(600):
            window.put(65535)
        conversion.scratchpad_raw(SCRATCH)
    finally:
        heap_unlock()


def edges(which):
    """Every setting at its low (2) or high (3) end, as far as the relations let it, and raw numbers at their tops."""
    values = defaults()
    for _ in range(3):  # what one relation forbids may be allowed once its neighbour has moved
        for setting in SETTINGS:
            change = {setting[0]: setting[which]}
            if not refusal_of_all(change, values):
                values.update(change)
    values["case_sensor_kind"] = values["battery_sensor_kind"] = values["intake_sensor_kind"] = 1
    for fan in (1, 2, 3, 4):
        values[f"fan{fan}_kind"] = 2
    for monitor in (1, 2):
        values["voltage_monitor_kind"] = monitor
        box = locked()
        box.control.control.apply(values)
        for mv in (40000, 0, 18000):
            for ma in (40000, -40000):
                box.battery_mv = mv
                box.battery_ma = ma
                for case in (12400, -3900):
                    box.case = case
                    box.intake = -case // 2
                    seconds(box, 6)
                    seconds(box, 60, 5000)
        for i in range(4):
            box.inputs.pulses[i] = 65535
        seconds(box, 2)
        tops(box)


def tops(box):
    """Registers and counts a healthy sensor never gives."""
    control = box.control
    inputs = box.inputs
    for raw in (65535, 0, 32768, 32767):
        for _ in range(40):
            inputs.monitor_bus = inputs.monitor_shunt = raw
            inputs.case_raw = inputs.battery_raw = inputs.intake_raw = raw
            for _ in range(500):
                inputs.window.put(raw)
            control.step(100, inputs)
            if control.reading_due:
                control.close_reading((1 << 29) - 1)


def allocates(make):
    """True when make() allocates."""
    heap_lock()
    try:
        make()
    except MemoryError:
        return True
    finally:
        heap_unlock()
    return False


def make_float():
    return len(SETTINGS) / 7


def make_product():
    return (len(SETTINGS) * 0 + 65535) * 18810


def main():
    print("a float allocates:", allocates(make_float))
    print("65535 * 18810 allocates:", allocates(make_product))
    states()
    people()
    edges(2)
    edges(3)
    print("no allocation")

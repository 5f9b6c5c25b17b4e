"""Virtual time, in lockstep with the simulation at the other end of two pipes.

The board sends its time, the microseconds it wants to wait, and its pins. The simulation answers with the microseconds
granted, the inputs, and for how long the inputs stay constant unless a pin changes. Until then the board need not ask.
Apart from that only reading the clock advances it: each read costs READ_COST_US, so that a loop that reads the clock
ends.

Timers faster than FAST_US and tachometer edges do not end a wait: their handlers run in a batch over the slice of time
granted, each at its due moment, with the inputs of that slice. The simulation ends a slice where a load switches, so a
20 ms dip of the battery is a slice of 20 ms and shows in ten samples at 500 a second.
"""

import json
import sys
from array import array

READ_COST_US = 20
FAST_US = 20000
SPIN_US = 5000  # time taken by reading the clock before the simulation is asked

# Causes a board gives for its own end; the simulation restarts it.
HARD_RESET = -1
WATCHDOG_RESET = -2
SOFT_RESET = -3

with open(sys.argv[1]) as _file:
    wiring = json.load(_file)

now_us = 0
watchdog_us = 0  # when the watchdog resets the board; 0: not started
slot_of_output = {gpio: 2 + i for i, gpio in enumerate(wiring["outputs"])}
slot_of_input = {name: 3 + i for i, name in enumerate(wiring["inputs"])}
FLOATING = -1
outgoing = array("q", [0, 0] + [FLOATING] * len(slot_of_output))
incoming = array("q", [0] * (3 + len(slot_of_input)))
tachometers = []
fast_timers = []

on_input = None  # called with each exchange; may raise KeyboardInterrupt

_reader = open(wiring["reply_fd"], "rb", 0)  # noqa: SIM115 (open as long as the board runs)
_writer = open(wiring["ask_fd"], "wb", 0)  # noqa: SIM115
_due = []  # (due_us, function) of slower timers, soonest first
_granted_us = 0
_free_until_us = -1  # the inputs are constant until then
_expected = len(incoming) * 8


def read_us():
    """Microseconds since power came on, never wrapping; the time that a clock read of the firmware costs is spent."""
    global now_us
    now_us += READ_COST_US
    if now_us - _granted_us > SPIN_US:
        let_pass(0)
    return now_us


def at(due_us, function):
    """Calls `function` once, when virtual time reaches `due_us`."""
    i = len(_due)
    while i and _due[i - 1][0] > due_us:
        i -= 1
    _due.insert(i, (due_us, function))


def end_timers():
    """Stops all timers, as a soft reset does."""
    fast_timers.clear()
    _due.clear()


def let_pass(wait_us):
    """Lets up to `wait_us` pass, less when something is due or inputs change; True if a handler may have run."""
    global now_us, _granted_us, _free_until_us
    end_us = now_us + wait_us
    if _due and _due[0][0] < end_us:
        end_us = _due[0][0]
    if watchdog_us and watchdog_us < end_us:
        end_us = watchdog_us
    begin_us = _granted_us
    if end_us < now_us:
        end_us = now_us
    if end_us > _free_until_us:
        end_us = now_us + _ask(end_us - now_us)
        _free_until_us = end_us + incoming[2]
    _granted_us = end_us
    ran = bool(fast_timers)
    for tachometer in tachometers:
        _edges(tachometer, begin_us, end_us)
    for timer in fast_timers:
        _ticks(timer, end_us)
    now_us = end_us
    while _due and _due[0][0] <= now_us:
        ran = True
        _due.pop(0)[1]()
    if watchdog_us and now_us >= watchdog_us:
        end(WATCHDOG_RESET)
    return ran


def drive(slot, level):
    """Drives a pin differently; the simulation gets it with the next exchange."""
    global _free_until_us
    if outgoing[slot] != level:
        outgoing[slot] = level
        _free_until_us = -1


def input_waits():
    """True when console bytes are ready for the board to read."""
    return incoming[1] != 0


def sleep_us(wait_us):
    """Lets exactly `wait_us` pass, or a little more where handlers read the clock."""
    end_us = now_us + wait_us
    while now_us < end_us:
        let_pass(end_us - now_us)


def spend(busy_us):
    """Time a peripheral keeps the processor busy."""
    global now_us
    now_us += busy_us


def stop_for(stopped_us):
    """Time in which a flash write has everything stopped: no handler runs, and each pin keeps one edge at most."""
    global now_us, _granted_us, _free_until_us
    end_us = now_us + stopped_us
    pulses = {}
    while now_us < end_us:
        took_us = _ask(end_us - now_us)
        now_us += took_us
        for tachometer in tachometers:
            milli_hz = max(0, incoming[tachometer.slot])
            pulses[tachometer] = pulses.get(tachometer, 0) + milli_hz * took_us
    for tachometer in tachometers:
        if pulses.get(tachometer, 0) >= 1000000000:
            tachometer.handler(tachometer.pin)
    for timer in fast_timers:
        timer.due_us = now_us + timer.period_us
    _granted_us = now_us
    _free_until_us = -1
    if watchdog_us and now_us >= watchdog_us:
        end(WATCHDOG_RESET)


def end(cause):
    """Ends this start of the board; the simulation ends the process and begins another."""
    while True:
        _ask(cause)


def _ask(wait_us):
    outgoing[0] = now_us
    outgoing[1] = wait_us
    try:
        _writer.write(outgoing)
        got = _reader.readinto(incoming)
    except OSError:
        got = 0
    if got != _expected:
        raise SystemExit  # the simulation has ended
    if on_input:
        on_input()
    return incoming[0]


def _edges(tachometer, begin_us, end_us):
    """Pulses of one tachometer; `phase` is in thousand-millionths of a pulse, so none is lost or doubled."""
    global now_us
    milli_hz = incoming[tachometer.slot]
    if milli_hz <= 0:
        return
    phase = tachometer.phase
    total = phase + milli_hz * (end_us - begin_us)
    count = total // 1000000000
    tachometer.phase = total - count * 1000000000
    period_us = 1000000000 // milli_hz
    at_us = begin_us + (1000000000 - phase) // milli_hz
    handler = tachometer.handler
    pin = tachometer.pin
    for _ in range(count):
        now_us = at_us
        handler(pin)
        at_us += period_us


def _ticks(timer, end_us):
    """Runs a fast timer; a handler that fails is reported and stopped, as on a board."""
    global now_us
    at_us = timer.due_us
    period_us = timer.period_us
    handler = timer.handler
    if not timer.exists():
        fast_timers.remove(timer)
        return
    try:
        while at_us <= end_us:
            now_us = at_us
            handler(None)
            at_us += period_us
    except Exception as error:  # noqa: BLE001 (any error of the handler)
        sys.print_exception(error)
        fast_timers.remove(timer)
    timer.due_us = at_us


let_pass(0)  # inputs exist from the first moment

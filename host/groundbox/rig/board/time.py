"""Virtual time with a board's names; ticks wrap at 2**30 as on a 32-bit board, so that errors with the wrap show."""

import rig_clock
import utime

gmtime = utime.gmtime
localtime = utime.gmtime
mktime = utime.mktime

_PERIOD = 1 << 30
_HALF = _PERIOD >> 1
_START_S = rig_clock.wiring["clock_s"]  # the reading of an unset real-time clock at power-on
_START_US = rig_clock.wiring["ticks_us"]  # a board's ticks may begin anywhere


def ticks_us():
    return (_START_US + rig_clock.read_us()) & (_PERIOD - 1)


def ticks_ms():
    return (_START_US + rig_clock.read_us()) // 1000 & (_PERIOD - 1)


ticks_cpu = ticks_us


def ticks_add(ticks, delta):
    return (ticks + delta) & (_PERIOD - 1)


def ticks_diff(end, start):
    return ((end - start + _HALF) & (_PERIOD - 1)) - _HALF


def sleep_us(wait_us):
    rig_clock.sleep_us(wait_us)


def sleep_ms(wait_ms):
    rig_clock.sleep_us(wait_ms * 1000)


def sleep(wait_s):
    rig_clock.sleep_us(int(wait_s * 1000000))


def time():
    return _START_S + rig_clock.read_us() // 1000000


def time_ns():
    return (_START_S * 1000000 + rig_clock.read_us()) * 1000

"""The peripherals of the simulated board, called as on the RP2 port. The simulation knows what is on which pin."""

import sys

import rig_clock
import uselect
from rig_clock import incoming
from rig_converter import Converter
from rig_display import DISPLAY_ADDRESS, SimDisplay
from rig_shunt_monitor import ShuntMonitor

PWRON_RESET = 1
WDT_RESET = 3

_FULL = 65535
_EIO = 5
_CLOSED = 0x20  # POLLNVAL
_BY_NUMBER = sys.implementation.name == "micropython"


class Pin:
    IN = 0
    OUT = 1
    OPEN_DRAIN = 2
    PULL_UP = 1
    PULL_DOWN = 2
    IRQ_FALLING = 4
    IRQ_RISING = 8

    def __init__(self, id, mode=-1, pull=-1, *, value=None, alt=-1):
        self.id = id
        self._mode = mode
        self._level = 0
        self._out = rig_clock.slot_of_output.get(id)
        self._in = rig_clock.slot_of_input.get(id)
        self.init(mode, pull, value=value)

    def init(self, mode=-1, pull=-1, *, value=None, alt=-1):
        if mode != -1:
            self._mode = mode
        if value is not None:
            self._level = 1 if value else 0
        if self._mode == Pin.OUT:
            self._drive()
        elif mode == Pin.IN and self._out is not None:
            rig_clock.drive(self._out, rig_clock.FLOATING)

    def value(self, level=None):
        if level is None:
            if self._mode != Pin.OUT and self._in is not None:
                return 1 if incoming[self._in] else 0
            return self._level
        level = 1 if level else 0
        if level != self._level:
            self._level = level
            if self._mode == Pin.OUT:
                self._drive()
        return None

    __call__ = value

    def on(self):
        self.value(1)

    def off(self):
        self.value(0)

    high = on
    low = off

    def toggle(self):
        self.value(1 - self._level)

    def irq(self, handler=None, trigger=IRQ_FALLING | IRQ_RISING, *, hard=False):
        """Tachometer pins only; one call for each pulse, for either edge."""
        rig_clock.tachometers[:] = [t for t in rig_clock.tachometers if t.pin.id != self.id]
        if handler is not None and self._in is not None:
            rig_clock.tachometers.append(_Tachometer(self, self._in, handler))

    def _drive(self):
        if self._out is not None:
            rig_clock.drive(self._out, _FULL if self._level else 0)


class _Tachometer:
    def __init__(self, pin, slot, handler):
        self.pin = pin
        self.slot = slot
        self.handler = handler
        self.phase = 0


class ADC(Converter):
    def __init__(self, pin):
        gpio = pin.id if isinstance(pin, Pin) else pin
        gpio = gpio + 26 if gpio < 4 else gpio
        super().__init__(rig_clock.slot_of_input[gpio], gpio * 37)


class PWM:
    def __init__(self, pin, *, freq=0, duty_u16=0):
        self._slot = rig_clock.slot_of_output.get(pin.id)
        self._freq = 0
        self._duty = 0
        self.init(freq=freq, duty_u16=duty_u16)

    def init(self, *, freq=0, duty_u16=0):
        self._freq = freq
        self.duty_u16(duty_u16)

    def freq(self, hertz=None):
        if hertz is None:
            return self._freq
        self._freq = hertz
        return None

    def duty_u16(self, duty=None):
        if duty is None:
            return self._duty
        self._duty = duty
        if self._slot is not None:
            rig_clock.drive(self._slot, duty)
        return None

    def deinit(self):
        if self._slot is not None:
            rig_clock.drive(self._slot, rig_clock.FLOATING)


class I2C:
    """A bus with one shunt monitor, of the kind and address in the wiring, and a display where that has one."""

    _devices = {}

    def __init__(self, id=0, *, scl=None, sda=None, freq=400000, timeout=50000):
        kind = rig_clock.wiring["monitor"]
        if kind and not I2C._devices:
            I2C._devices[rig_clock.wiring["monitor_address"]] = ShuntMonitor(kind)
        if rig_clock.wiring["display"]:
            I2C._devices[DISPLAY_ADDRESS] = SimDisplay(freq)

    def scan(self):
        return [address for address, device in I2C._devices.items() if device.answers()]

    def readfrom_mem(self, address, register, count, *, addrsize=8):
        buffer = bytearray(count)
        self.readfrom_mem_into(address, register, buffer)
        return bytes(buffer)

    def readfrom_mem_into(self, address, register, buffer, *, addrsize=8):
        value = self._device(address).read(register)
        buffer[0] = value >> 8
        buffer[1] = value & 255

    def writeto_mem(self, address, register, buffer, *, addrsize=8):
        self._device(address).write(register, buffer[0] << 8 | buffer[1])

    def writeto(self, address, buffer, stop=True):
        rig_clock.spend(90 * len(buffer))  # nine bits a byte at 100 kHz
        self._device(address).take(buffer)
        return len(buffer)

    def _device(self, address):
        rig_clock.spend(130)  # five bytes at 400 kHz
        device = I2C._devices.get(address)
        if device is None or not device.answers():
            raise OSError(_EIO)
        return device


class WDT:
    def __init__(self, id=0, timeout=5000):
        if not 1 <= timeout <= 8388:
            raise ValueError("timeout exceeds 8388")
        self._timeout_us = timeout * 1000
        self.feed()

    def feed(self):
        rig_clock.watchdog_us = rig_clock.now_us + self._timeout_us


class Timer:
    """As on a board, it stops when the collector frees it: nothing here refers to it, and callbacks get None."""

    ONE_SHOT = 0
    PERIODIC = 1

    def __init__(self, id=-1, **settings):
        self._alarm = None
        if settings:
            self.init(**settings)

    def init(self, *, mode=PERIODIC, freq=-1, period=-1, callback=None, hard=False):
        self.deinit()
        period_us = int(1000000 // freq) if freq > 0 else period * 1000
        self._file = open(__file__, "rb")  # noqa: SIM115 (the collector closes it with this timer)
        self._alarm = _Alarm(mode, period_us, callback, self._file.fileno())

    def deinit(self):
        if self._alarm:
            self._alarm.stop()
            self._alarm = None


class _Alarm:
    """What a timer does, for rig_clock; it stops when the file of its timer is closed."""

    def __init__(self, mode, period_us, handler, fd):
        self.period_us = period_us
        self.handler = handler
        self.due_us = rig_clock.now_us + period_us
        self._mode = mode
        self._running = True
        self._poll = uselect.poll()
        self._poll.register(fd if _BY_NUMBER else _Descriptor(fd), uselect.POLLIN)
        if mode == Timer.PERIODIC and period_us < rig_clock.FAST_US:
            rig_clock.fast_timers.append(self)
        else:
            rig_clock.at(self.due_us, self._fire)

    def exists(self):
        """False once the timer has been freed."""
        return not [1 for _, seen in self._poll.poll(0) if seen & _CLOSED]

    def stop(self):
        self._running = False
        if self in rig_clock.fast_timers:
            rig_clock.fast_timers.remove(self)

    def _fire(self):
        if not self._running or not self.exists():
            return
        if self._mode == Timer.PERIODIC:
            self.due_us += self.period_us
            rig_clock.at(self.due_us, self._fire)
        try:
            self.handler(None)
        except Exception as error:  # noqa: BLE001 (any error of the handler is reported and stops it, as on a board)
            sys.print_exception(error)
            self._running = False


class _Descriptor:
    """A file by its number, where poll wants an object."""

    def __init__(self, fd):
        self.fileno = lambda: fd


def reset():
    """On this port a reset by software goes through the watchdog, and `reset_cause` reports the watchdog afterwards."""
    rig_clock.end(rig_clock.HARD_RESET)


def soft_reset():
    raise SystemExit


def reset_cause():
    return rig_clock.wiring["reset_cause"]


def unique_id():
    return bytes(rig_clock.wiring["unique_id"])


def freq():
    return 125000000


def idle():
    rig_clock.let_pass(1000)


def disable_irq():
    return 0


def enable_irq(state):
    pass

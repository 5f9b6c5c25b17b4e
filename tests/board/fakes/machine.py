"""Just enough of a board's peripherals to start the firmware: still pins, and a shunt monitor that answers.

Levels set and values to read are plain attributes, for a test that runs in the same interpreter.
"""

PWRON_RESET = 1
WDT_RESET = 3

pins = {}
pwms = {}
analog = {26: 43690, 27: 32768, 28: 32768, 29: 32768}  # 12 V by a 6:1 divider on 3 V; 25 C
registers = {0: 0x4127, 1: 0x0640, 2: 9584, 0xFE: 0x5449}  # 2 A in 2 mohm, 11.98 V
humid = {}  # registers of a humidity sensor at 0x41
fed = []
timers = []
irqs = {}
pressed = 0


class Pin:
    IN = 0
    OUT = 1
    PULL_UP = 1
    IRQ_FALLING = 4

    def __init__(self, number, mode=-1, pull=-1, value=None):
        self.number = number
        if mode == Pin.OUT:
            pins.setdefault(number, []).append(value)

    def value(self, level=None):
        if level is None:
            return 1 - pressed
        levels = pins[self.number]
        if levels[-1] != level:
            levels.append(level)
            del levels[:-4]
        return None

    def irq(self, handler=None, trigger=0, hard=False):
        irqs[self.number] = handler


class ADC:
    def __init__(self, pin):
        self._number = pin.number

    def read_u16(self):
        return analog[self._number]


class PWM:
    def __init__(self, pin, freq=0, duty_u16=0):
        self.duty = duty_u16
        pwms[pin.number] = self

    def duty_u16(self, duty):
        self.duty = duty


class I2C:
    def __init__(self, number, scl=None, sda=None, freq=0, timeout=0):
        pass

    def readfrom_mem_into(self, address, register, into):
        if address == 0x41 and register in humid:
            into[0] = humid[register]
            into[1] = humid[register + 1]
        elif address == 0x40 and register in registers:
            into[0] = registers[register] >> 8
            into[1] = registers[register] & 0xFF
        else:
            raise OSError(5)

    def writeto_mem(self, address, register, data):
        if address == 0x41 and humid:
            humid[register] = data[0]
        elif address == 0x40 and register in registers:
            registers[register] = data[0] << 8 | data[1]
        else:
            raise OSError(5)


class Timer:
    PERIODIC = 1

    def __init__(self, number=-1):
        pass

    def init(self, mode=1, freq=0, callback=None, hard=False):
        self.freq = freq
        self.callback = callback
        timers.append(self)

    def deinit(self):
        timers.remove(self)


class WDT:
    def __init__(self, timeout=0):
        self.timeout = timeout

    def feed(self):
        fed.append(1)


def disable_irq():
    return 0


def enable_irq(state):
    pass


def reset():
    raise SystemExit(76)


def reset_cause():
    return PWRON_RESET


def unique_id():
    return b"\x01\x02\x03\x04\x05\x06\x0a\x0b"

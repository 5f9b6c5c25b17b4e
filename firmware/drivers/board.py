"""The board itself: the only import of machine, hence longer than others. Fills core's Inputs, drives core's Outputs.

Used of the port, and nothing else: machine's ADC, I2C (readfrom_mem_into, writeto_mem, writeto), PWM (duty_u16), Pin
(value, irq), Timer, WDT, disable_irq, enable_irq, reset, reset_cause, unique_id; onewire.OneWire (reset, writebyte,
readbyte).
"""

from array import array

import machine
from machine import ADC, I2C, PWM, Pin, Timer

from drivers.analogue import NoSensor, ThermistorInput, counter, even, sampler
from groundbox.wire.messages import RESET_CAUSES, UNKNOWN
from groundbox.wire.settings import SENSOR_KINDS
from drivers.pins import PINS
from drivers.shunt import Shunt

_WATCHDOG_MS = 8000  # RP2040 goes up to 8388
_FEED_MS = 1000
_FAN_HZ = 25000  # open 4-wire fan specification: 21 to 28 kHz
_I2C_HZ = 400000
_DISPLAY_HZ = 100000  # its expander allows no more
_I2C_WAIT_US = 5000
_STEPS_HZ = 10  # without fast samples the monitor is seen once a step
_PLACES = ("case", "intake", "battery")
_FITTED = ["voltage_monitor_kind", "check_adc_fitted", "sample_hz", "humidity_fitted", "display_fitted"]
_FITTED += ["%s_sensor_kind" % place for place in _PLACES]
_FITTED += ["fan%d_%s" % (i, what) for i in (1, 2, 3, 4) for what in ("kind", "tach")]
_ONEWIRE_KIND = SENSOR_KINDS.index("onewire")
_HARD = {"hard": True} if PINS["hard"] else {}
_IRQ = machine if PINS["hard"] else None  # deferred callbacks cannot come between
_kept = []  # a timer that nothing refers to stops at the next collection


class Board:
    """The peripherals of the pin table.

    Attributes:
        inputs: core.interface.Inputs to fill; to be set before `fit`.
        sample_hz: fast voltage samples a second that this port really takes.
    """

    def __init__(self):
        self.inputs = None
        self.sample_hz = _STEPS_HZ
        self._outputs = None
        self._fitted = None
        self._watchdog = None
        self._timer = None
        self._shunt = None
        self._hygrometer = None
        self._display = None
        self._step_ms = 0
        self._turn = 0
        self._drives = [None, None, None, None]
        self._percents = array("h", (-1, -1, -1, -1))
        self._button = Pin(PINS["button"], Pin.IN, Pin.PULL_UP)
        self._lamp = Pin(PINS["lamp"], Pin.OUT, value=0)
        self._buzzer = Pin(PINS["buzzer"], Pin.OUT, value=0)

    def hold(self, output1_on, output2_on):
        """Takes the outputs over from their hardware default, in this state from the first moment."""
        first, second = PINS["outputs"]
        self._outputs = (Pin(first, Pin.OUT, value=0 if output1_on else 1), Pin(second, Pin.OUT, value=output2_on))

    def fit(self, settings):
        """Opens what the settings say is fitted, for `inputs`; again after settings changed. Allocates."""
        fitted = [settings[name] for name in _FITTED]
        if fitted == self._fitted:
            return
        self._fitted = fitted
        kind = settings["voltage_monitor_kind"]
        bus = _bus(_DISPLAY_HZ if settings["display_fitted"] else _I2C_HZ)
        self._shunt = Shunt(bus, kind) if kind else None
        self._hygrometer = _hygrometer(bus) if settings["humidity_fitted"] else None
        self._display = _display(bus) if settings["display_fitted"] else None
        self._case = self._sensor(0, settings["case_sensor_kind"])
        self._intake = self._sensor(1, settings["intake_sensor_kind"])
        self._battery = self._sensor(2, settings["battery_sensor_kind"])
        for i in range(4):
            if settings["fan%d_kind" % (i + 1)]:
                self._fit_fan(i, settings["fan%d_tach" % (i + 1)])
        self._sample(settings["sample_hz"] if settings["check_adc_fitted"] else 0)

    def sense(self, step_ms):
        """Fills the inputs; a step's worth of each sensor, none of them waited for."""
        inputs = self.inputs
        self._step_ms = step_ms
        turn = self._turn
        self._turn = (turn + 1) % 3
        if self._shunt:
            self._shunt.read(step_ms)
            inputs.monitor_bus = self._shunt.bus
            inputs.monitor_shunt = self._shunt.shunt
        inputs.case_raw = self._case.read(step_ms, turn == 0)
        inputs.intake_raw = self._intake.read(step_ms, turn == 1)
        inputs.battery_raw = self._battery.read(step_ms, turn == 2)
        hygrometer = self._hygrometer
        inputs.humidity_centi_percent = hygrometer.read(step_ms) if hygrometer else UNKNOWN
        inputs.button = self.pressed()

    def drive(self, outputs):
        """Drives outputs, fans, buzzer and lamp."""
        self._outputs[0].value(1 - outputs.output1_on)
        self._outputs[1].value(outputs.output2_on)
        self._fan(0, outputs.fan1_percent)
        self._fan(1, outputs.fan2_percent)
        self._fan(2, outputs.fan3_percent)
        self._fan(3, outputs.fan4_percent)
        self.signal(outputs.buzzer, outputs.lamp)
        if self._display:
            self._display.step(self._step_ms, outputs.text)

    def signal(self, buzzer, lamp):
        """Sounds the buzzer and lights the lamp (1), or not (0)."""
        self._buzzer.value(buzzer)
        self._lamp.value(lamp)

    def pressed(self):
        """1 while the button is held down."""
        return 1 - self._button.value()

    def guard(self):
        """Starts the watchdog, or feeds it where main.py has started it; nothing stops it again."""
        self._watchdog = machine.WDT(timeout=_WATCHDOG_MS)

    def feed(self):
        """Holds the watchdog off for another 8 s."""
        if self._watchdog:
            self._watchdog.feed()

    def restart(self):
        """Resets the board; does not return."""
        machine.reset()

    def feed_for(self, wait_ms):
        """Feeds the watchdog by a timer for so long, for a person at the prompt; then the board resets."""
        left = [wait_ms // _FEED_MS]

        def feed(_):
            if left[0]:
                left[0] -= 1
                self.feed()

        _kept.append(Timer(PINS["timer"]))
        _kept[0].init(mode=Timer.PERIODIC, period=_FEED_MS, callback=feed)

    def _fan(self, i, percent):
        if self._drives[i] and percent != self._percents[i]:
            self._percents[i] = percent
            self._drives[i].duty_u16(65535 - percent * 65535 // 100)

    def _fit_fan(self, i, tach):
        if self._drives[i] is None:
            self._drives[i] = PWM(Pin(PINS["fan_drives"][i]), freq=_FAN_HZ, duty_u16=0)
        pin = Pin(PINS["fan_tachs"][i], Pin.IN)
        pin.irq(counter(self.inputs.pulses, i) if tach else None, Pin.IRQ_FALLING, **_HARD)

    def _sensor(self, place, kind):
        if kind == _ONEWIRE_KIND:
            from onewire import OneWire  # only here: most boxes need the memory more
            from drivers.probe import OneWireProbe

            return OneWireProbe(OneWire(Pin(PINS["onewire"][place])))
        number = PINS["ntc"][place]
        return ThermistorInput(_adc(number), _IRQ) if kind and number is not None else NoSensor()

    def _sample(self, hz):
        if self._timer:
            self._timer.deinit()
            self._timer = None
        self.sample_hz = min(hz, PINS["most_sample_hz"]) or _STEPS_HZ
        if hz:
            self._timer = Timer(PINS["timer"])
            take = sampler(_adc(PINS["divider"]), self.inputs.window)
            self._timer.init(mode=Timer.PERIODIC, freq=self.sample_hz, callback=take, **_HARD)


def box_name():
    """A name for a box that has none: from the chip's own number."""
    return "box-%02x%02x" % tuple(machine.unique_id()[-2:])


def reset_cause():
    """Index in messages.RESET_CAUSES; a restart by program looks like the watchdog on RP2040."""
    cause = machine.reset_cause()
    for name, word in (("PWRON_RESET", "power"), ("WDT_RESET", "watchdog"), ("SOFT_RESET", "soft")):
        if cause == getattr(machine, name, None):
            return RESET_CAUSES.index(word)
    return RESET_CAUSES.index("other")


def _hygrometer(bus):
    from drivers.hygrometer import Hygrometer

    return Hygrometer(bus)


def _display(bus):
    from drivers.display import Display

    return Display(bus)


def _adc(number):
    """What reads the converter at a pin, 0 to 65535."""
    adc = ADC(Pin(number))
    if hasattr(ADC, "ATTN_11DB"):
        adc.atten(ADC.ATTN_11DB)
    return adc.read_u16 if PINS["even_steps"] else lambda: even(adc.read_u16())


def _bus(hz):
    number, data, clock = PINS["i2c"]
    return I2C(number, scl=Pin(clock), sda=Pin(data), freq=hz, timeout=_I2C_WAIT_US)

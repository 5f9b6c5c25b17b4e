"""The sensing and control step: everything the board does by itself, ten times a second, without allocation.

The caller fills `Inputs`, calls `Control.step(step_ms, inputs)`, drives `control.outputs` and, when
`control.reading_due` is 1 after a step, calls `control.close_reading(worst_step_us)`. Every raw input but the pulse
counters, humidity and the button is set back to UNKNOWN by the step: what is not filled again counts as not
read, and its age grows.

Each step takes raw numbers in and drives fans and signals; what is judged (sensors, battery, thermostat, tachometers,
outputs) is judged as each second of uptime is full, on all that came in it, fast samples included.

The module is longer than others, since it is the one place where all parts meet.
"""

from core.battery import BatteryWatch
from core.countdown import CountdownTones
from core.fans import Fans
from core.interface import Outputs
from core.limits import LimitTable
from core.outputs import OutputSwitch, ShedWatch
from core.reading import BoardReading, charge_bits, charge_severity, fault_bits, fault_severity, fill
from core.sensors import Sensors
from core.signals import Button, Signals
from core.thermostat import LOST_MS, Thermostat
from core.turn_back import TurnBack
from groundbox.wire.messages import UNKNOWN
from micropython import const

_LAUNCH = const(0)
_LANDING = const(1)
_RETURNING = const(2)
_SWAP = const(4)
_STARTING = const(5)
_LANDING_MS = const(10000)
_URGENT = const(2)
_STOP = const(3)
_OK = const(0)
_LATE_MS = const(120)  # a longer step: a write to flash had everything stopped, and pulses are missing
# Of messages.EVENTS.
_MARK_EVENTS = (1, 2, 14, 3, 4)  # by messages.MARKS
_SILENCED = const(5)
_OUTPUT1_EVENTS = (0, 7, 9)  # by messages.OUTPUT_STATES; 0: none
_OUTPUT2_EVENTS = (0, 8, 10, 6, 0, 0)


class Control:
    """All of the board's own decisions.

    Args:
        settings: dictionary with every name of groundbox.wire.settings.SETTINGS.
        outbox: uplinks.outbox.Outbox; readings and events go there.

    Attributes:
        outputs: Outputs.
        reading: Reading of the last full second.
        reading_due: 1 from the step that fills a second until close_reading.
        uptime_s, uptime_ms: time since this start: whole seconds, and 0..999 milliseconds.
        place: index in messages.PLACES.
        landed: 1 between a marked landing and the next launch.
        returning: 1 from the mark that the pilot is returning to the end of the flight.
        output1, output2: core.outputs.OutputSwitch; their `state` is what to keep across a restart.
        sensors, fans, watch, shed_watch, thermostat, signals, turn_back, button: the parts.
    """

    def __init__(self, settings, outbox):
        self.outputs = Outputs()
        self.reading = BoardReading()
        self.reading_due = 0
        self.uptime_s = 0
        self.uptime_ms = 0
        self.place = 0
        self.landed = 0
        self.returning = 0
        limits = LimitTable(settings)
        self.sensors = Sensors(limits)
        self.fans = Fans(limits)
        self.watch = BatteryWatch(limits)
        self.shed_watch = ShedWatch(limits)
        self.thermostat = Thermostat(limits)
        self.signals = Signals()
        self.turn_back = TurnBack()
        self.output1 = OutputSwitch(limits, 1)
        self.output2 = OutputSwitch(limits, 2)
        self._limits = limits
        self._outbox = outbox
        self._elapsed_ms = 0
        self._pulses_missing = False
        self._fans_measured = False
        self._judged = True
        self._landing_ms = 0  # left for the second press of a landing
        self._pressed_in_flight = 0
        self.button = Button()
        self._countdown = CountdownTones()
        self._compose = None
        self._fit_display()

    def apply(self, settings):
        """Takes changed settings into force, keeping all state; allocates, call it between steps."""
        self._limits.take(settings)
        for part in (self.sensors, self.fans, self.output1, self.output2):
            part.apply()
        self._fit_display()
        self._drive_outputs()

    def restore(self, place, landed, output1, output2, powered):
        """Takes up where the last start ended; `powered`: its power had failed.

        `place` is an index in messages.PLACES, `landed` 0 or 1, the outputs are indexes in messages.OUTPUT_STATES.
        """
        self.place = place
        self.landed = landed
        self.output1.restore(output1, powered)
        self.output2.restore(output2, powered)
        self._drive_outputs()

    def step(self, step_ms, inputs):
        """Senses and decides, `step_ms` milliseconds (1..5000) after the step before. Allocates nothing.

        After a judgement that failed, the fans run at full drive until one succeeds.
        """
        self.sensors.sense(inputs)
        self._press(step_ms, inputs.button)
        self._elapsed_ms += step_ms
        self._pulses_missing = self._pulses_missing or step_ms > _LATE_MS
        self.uptime_ms += step_ms
        if self.uptime_ms >= 1000:
            seconds = self.uptime_ms // 1000
            self.uptime_s += seconds
            self.uptime_ms %= 1000
            self._judged = False
            self._judge(self._elapsed_ms, seconds, inputs)
            self._judged = True
            self._elapsed_ms = 0
        self.fans.drive(step_ms, self.thermostat.percent if self._judged else 100, self.outputs)
        signals = self.signals
        signals.step(step_ms)
        self.outputs.buzzer = signals.buzzer
        self.outputs.lamp = signals.lamp
        if self.place and not self.returning:
            self._countdown.step(step_ms, self.outputs)

    def close_reading(self, worst_step_us):
        """Puts the reading of the last full second into the outbox, once. Allocates nothing."""
        if self.reading_due:
            self.reading_due = 0
            self.reading.worst_step_us = worst_step_us
            self._outbox.put_reading(self.uptime_s, self.uptime_ms, self.reading)

    def event(self, kind, value):
        """Puts an event (index in messages.EVENTS; whole number or UNKNOWN) into the outbox. Allocates nothing."""
        self._outbox.put_event(self.uptime_s, self.uptime_ms, kind, value)

    def mark(self, kind, how=UNKNOWN):
        """A person marks one of messages.MARKS (its index); `how` is 1 by command. False: not possible on the ground.

        "Returning" silences the buzzer up to urgent, so that a stop level still sounds. It is one event a flight.
        """
        if kind == _RETURNING:
            if not self.place:
                return False
            self.signals.silence(_URGENT)
            if self.returning:
                return True
            self.returning = 1
        elif kind in (_LAUNCH, _LANDING):
            self.returning = 0
            self.place = 1 if kind == _LAUNCH else 0
            if self.place:
                self.signals.sound_again()
                self.turn_back.launch()
            self.landed = 1 - self.place
        elif kind == _SWAP:
            self.turn_back.forget()
        elif not self.place:
            self.turn_back.charged()
        self.event(_MARK_EVENTS[kind], how)
        return True

    def silence(self):
        """A person silences the buzzer, by command, or by a short press when no return is to be marked."""
        self.signals.silence(_STOP)
        self.event(_SILENCED, UNKNOWN)

    def switch(self, output, on):
        """A person switches output 1 or 2 on (1) or off (0); False when it is not fitted."""
        part = self.output1 if output == 1 else self.output2
        before = part.state
        done = part.switch(on)
        self._report(_OUTPUT1_EVENTS if output == 1 else _OUTPUT2_EVENTS, before, part.state)
        self._drive_outputs()
        return done

    def try_out(self, part, percent, max_ms):
        """Tries messages.TRIED[part] for a while, on top of what it does anyway; False when it is not fitted.

        A fan is never driven less than the thermostat asks.
        """
        if part < 4:
            return self.fans.try_out(part, percent, max_ms)
        self.signals.try_out(part == 4, max_ms)
        return True

    def uncorrected_of(self, channel):
        """Present value of messages.CHANNELS[channel] before calibration (mV, mA or centi-C), or UNKNOWN."""
        return self.sensors.uncorrected_of(channel)

    def _press(self, step_ms, down):
        """On the ground a long press marks the launch. In flight the first press marks the return, and two long ones,
        each let go within 5 s and the second within 10 s of the first, mark the landing: a knee does not.
        """
        button = self.button
        button.step(step_ms, down)
        if self._landing_ms > 0:
            self._landing_ms -= step_ms
        if button.short and self.place and not self.returning:
            self.event(_SILENCED, UNKNOWN)
            self.mark(_RETURNING)
        elif button.short:
            self.silence()
        elif button.long:
            self._pressed_in_flight = self.place
            if not self.place:
                self.mark(_LAUNCH)
            self.signals.confirm(1)
        elif button.held and self._pressed_in_flight and self.place:
            if self._landing_ms > 0:
                self.mark(_LANDING)
                self.signals.confirm(2)
            else:
                self._landing_ms = _LANDING_MS
                self.mark(_RETURNING)

    def _judge(self, elapsed_ms, seconds, inputs):
        sensors = self.sensors
        thermostat = self.thermostat
        sensors.settle(elapsed_ms, thermostat.cooling_demand, self.watch.charging, thermostat.percent)
        self._measure_fans(elapsed_ms, inputs.pulses)
        self._judge_battery(elapsed_ms)
        charging = self.watch.charging
        case = sensors.case.channel
        age_ms = case.age_ms if case.state == _OK else LOST_MS
        intake = sensors.intake.channel.value
        thermostat.step(elapsed_ms, case.value, age_ms, intake, charging, self.fans.fault, self.watch.heat)
        self._count_down(seconds, charging)
        watch = self.watch
        faults = fault_severity(self)
        heat = thermostat.case_heat
        self._step_outputs(elapsed_ms, heat)
        charge = charge_severity(watch)
        bits = fault_bits(self)
        self.signals.judge(watch.low_voltage, heat, faults, charge, bits, charge_bits(watch))
        fill(self.reading, self)
        self.reading.humidity_centi_percent = inputs.humidity_centi_percent
        if self._limits.display_fitted:
            self._compose(self.outputs.text, self, self._countdown.now, watch.low_voltage, heat, faults, charge)
        self.reading_due = 1

    def _fit_display(self):
        if self._limits.display_fitted:
            from core.display_text import compose  # most boxes need the memory more

            self._compose = compose

    def _count_down(self, seconds, charging):
        supply = self.sensors.supply
        turn_back = self.turn_back
        turn_back.step(seconds, supply.battery_ma, supply.low_mv, charging, self.place)
        self._countdown.judge(seconds, turn_back.left_s, self.place and not self.returning)

    def _measure_fans(self, elapsed_ms, pulses):
        """Not in a second in which pulses are missing, but at least every other second."""
        self._fans_measured = not (self._pulses_missing and self._fans_measured)
        if self._fans_measured:
            self.fans.measure(elapsed_ms, pulses)
        else:
            self.fans.pass_over(pulses)
        self._pulses_missing = False

    def _judge_battery(self, elapsed_ms):
        supply = self.sensors.supply
        watch = self.watch
        battery_centi_c = self.sensors.battery_centi_c()
        watch.step(elapsed_ms, supply.low_mv, supply.high_mv, supply.battery_ma, battery_centi_c)
        watch.judge_heat(self.sensors.battery.channel.value)
        if supply.battery_ma != UNKNOWN and self.turn_back.spent():  # the counted charge agrees with the lower source
            self.shed_watch.step(elapsed_ms, supply.low_mv, True, self.landed)
        else:
            self.shed_watch.step(elapsed_ms, supply.highest_mv, supply.sources > 1, self.landed)

    def _step_outputs(self, elapsed_ms, heat):
        before = self.output2.state
        self.output2.step(elapsed_ms, self.shed_watch, self.watch.charging, heat, self.place)
        self._report(_OUTPUT2_EVENTS, before, self.output2.state)
        self._drive_outputs()

    def _report(self, kinds, before, state):
        if state != before and before != _STARTING and kinds[state]:
            mv = self.sensors.supply.battery_mv
            self.event(kinds[state], mv if mv == UNKNOWN else mv // 10)

    def _drive_outputs(self):
        self.outputs.output1_on = self.output1.feeds
        self.outputs.output2_on = self.output2.feeds

"""One fan: its starting pulse, its lowest speed and its tachometer's supervision."""

from groundbox.wire.messages import UNKNOWN
from micropython import const

_ABSENT = const(0)
_OFF = const(1)
_STARTING = const(2)
_RUNNING = const(3)
_STALLED = const(4)
_UNSUPERVISED = const(5)
_TOO_FAST = const(6)
_RUNS_ON = const(7)
_SWITCHED = const(1)
_NEVER_STOPS = const(3)
_LONG_MS = const(1000000)
_PROVEN_MS = const(2000)
_COASTS_MS = const(20000)  # a fan that is switched off is still by then; common practice, no source
_MAX_PULSES = const(17000)  # times 60000 stays below 2**30; more is noise on the line
_MAX_RPM = const(30000)


class FanDrive:
    """Fan number 1 to 4, by core.limits.LimitTable. Its tachometer shows three faults, each after `fan_stall_s`:

    stalled: commanded, past the starting mask, and under `fan_stall_percent` of the speed expected at this drive. Its
        drive stays on: a fan's own protection tries again.
    too_fast: commanded, past the mask, and at 1.5 times its full speed or above. No fan turns so fast: the tachometer
        shows noise, and nobody knows whether the fan turns.
    runs_on: off for 20 s, and above a third of its full speed (wind turns it slower). Not judged where its kind is
        `pwm_never_stops`.

    Stalled and too fast stay shown, off or on, until it has turned well for two seconds; runs on, until it has stood
    still for two seconds.

    Attributes:
        percent: drive, 0 to 100.
        rpm: measured, UNKNOWN without a tachometer.
        state: index in messages.FAN_STATES.
        fault: 0, or that of stalled, too_fast or runs_on.
        in_doubt: True while nobody knows that it turns when it is driven: stalled or too fast.
    """

    def __init__(self, limits, number):
        self.percent = 0
        self.rpm = UNKNOWN
        self.state = _OFF
        self.fault = 0
        self.in_doubt = False
        self._name = "fan%d" % number
        self._run_ms = 0
        self._off_ms = 0
        self._wrong_ms = 0
        self._good_ms = 0
        self._try_percent = 0
        self._try_ms = 0
        self._limits = limits
        self.apply()

    def apply(self):
        """Looks again at what is fitted, after the settings changed."""
        limits = self._limits
        kind = getattr(limits, self._name + "_kind")
        self._switched = kind == _SWITCHED
        self._never_stops = kind == _NEVER_STOPS
        self._tach = getattr(limits, self._name + "_tach")
        self._full_rpm = getattr(limits, self._name + "_full_rpm")
        if not kind or not self._tach or (self._never_stops and self.fault == _RUNS_ON):
            self._set_fault(0)
        if not kind:
            self.state = _ABSENT
            self.percent = 0
        elif self.state == _ABSENT or self.state > _UNSUPERVISED or self.state == _STALLED:
            self.state = self.fault or _OFF
        if not kind or not self._tach:
            self.rpm = UNKNOWN

    def try_out(self, percent, max_ms):
        """Drives at least `percent` for `max_ms`; False when there is no fan."""
        if self.state == _ABSENT:
            return False
        self._try_percent = percent
        self._try_ms = max_ms
        return True

    def drive(self, step_ms, percent):
        """Sets the drive for the `step_ms` to come: 0, or at least the starting pulse and then `percent`."""
        if self.state == _ABSENT:
            return
        if self._try_ms > 0:
            self._try_ms -= step_ms
            percent = max(percent, self._try_percent)
        if not percent:
            self.percent = self._run_ms = 0
            self.state = self.fault or _OFF
            return
        limits = self._limits
        starting = self._run_ms < limits.fan_start_pulse_ms
        self.percent = 100 if starting or self._switched else percent
        if self._run_ms < _LONG_MS:
            self._run_ms += step_ms
        if self.fault:
            self.state = self.fault
        elif not self._tach:
            self.state = _UNSUPERVISED
        else:
            self.state = _RUNNING if self._run_ms > limits.fan_start_mask_ms else _STARTING

    def measure(self, elapsed_ms, pulses):
        """Judges the tachometer's `pulses` of the last `elapsed_ms`."""
        if self.state == _ABSENT or not self._tach:
            return
        per_minute = 60000 // self._limits.fan_pulses_per_turn
        self.rpm = min(_MAX_RPM, min(pulses, _MAX_PULSES) * per_minute // elapsed_ms)
        if self.percent:
            self._off_ms = 0
            self._judge_driven(elapsed_ms)
        else:
            self._judge_off(elapsed_ms)

    def _judge_driven(self, elapsed_ms):
        limits = self._limits
        slow = self.rpm * 10000 < self._full_rpm * self.percent * limits.fan_stall_percent
        if slow or self.rpm * 2 >= self._full_rpm * 3:
            self._good_ms = 0
            if self._run_ms > limits.fan_start_mask_ms:
                self._count_wrong(elapsed_ms, _STALLED if slow else _TOO_FAST)
            return
        self._wrong_ms = 0
        self._good_ms += elapsed_ms
        if self._good_ms >= _PROVEN_MS:
            self._good_ms = _PROVEN_MS
            if self.in_doubt:
                self._set_fault(0)
                self.state = _RUNNING

    def _judge_off(self, elapsed_ms):
        """Nothing is proved of a fan in doubt while it is off."""
        if self._off_ms < _COASTS_MS:
            self._off_ms += elapsed_ms
            self._good_ms = self._wrong_ms = 0
        elif self.in_doubt or self._never_stops:
            return
        elif self.rpm * 3 > self._full_rpm:
            self._good_ms = 0
            self._count_wrong(elapsed_ms, _RUNS_ON)
        else:
            self._wrong_ms = 0
            self._good_ms += elapsed_ms
            if self._good_ms >= _PROVEN_MS and self.fault:
                self._set_fault(0)
                self.state = _OFF

    def _count_wrong(self, elapsed_ms, fault):
        self._wrong_ms += elapsed_ms
        if self._wrong_ms >= self._limits.fan_stall_s * 1000:
            self._wrong_ms = 0
            self._set_fault(fault)
            self.state = fault

    def _set_fault(self, fault):
        self.fault = fault
        self.in_doubt = fault in (_STALLED, _TOO_FAST)

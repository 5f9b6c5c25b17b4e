"""One fan: its starting pulse, its lowest speed and its tachometer's supervision."""

from groundbox.wire.messages import UNKNOWN
from micropython import const

_ABSENT = const(0)
_OFF = const(1)
_STARTING = const(2)
_RUNNING = const(3)
_STALLED = const(4)
_UNSUPERVISED = const(5)
_SWITCHED = const(1)
_LONG_MS = const(1000000)
_PROVEN_MS = const(2000)
_MAX_PULSES = const(17000)  # times 60000 stays below 2**30; more is noise on the line
_MAX_RPM = const(30000)


class FanDrive:
    """Fan number 1 to 4, by core.limits.LimitTable.

    Stalled: commanded, past the starting mask, and under `fan_stall_percent` of the speed expected at this drive for
    `fan_stall_s`. Its drive stays on (a fan's own protection tries again) and shown as stalled, off or on, until it has
    turned well for two seconds.

    Attributes:
        percent: drive, 0 to 100.
        rpm: measured, UNKNOWN without a tachometer.
        state: index in messages.FAN_STATES.
    """

    def __init__(self, limits, number):
        self.percent = 0
        self.rpm = UNKNOWN
        self.state = _OFF
        self._name = "fan%d" % number
        self._run_ms = 0
        self._slow_ms = 0
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
        self._tach = getattr(limits, self._name + "_tach")
        self._full_rpm = getattr(limits, self._name + "_full_rpm")
        if not kind:
            self.state = _ABSENT
            self.percent = 0
        elif self.state == _ABSENT:
            self.state = _OFF
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
            if self.state != _STALLED:
                self.state = _OFF
            return
        limits = self._limits
        starting = self._run_ms < limits.fan_start_pulse_ms
        self.percent = 100 if starting or self._switched else percent
        if self._run_ms < _LONG_MS:
            self._run_ms += step_ms
        if self.state != _STALLED:
            if not self._tach:
                self.state = _UNSUPERVISED
            else:
                self.state = _RUNNING if self._run_ms > limits.fan_start_mask_ms else _STARTING

    def measure(self, elapsed_ms, pulses):
        """Judges the tachometer's `pulses` of the last `elapsed_ms`."""
        if self.state == _ABSENT or not self._tach:
            if self.state == _STALLED:
                self.state = _OFF
            return
        limits = self._limits
        per_minute = 60000 // limits.fan_pulses_per_turn
        self.rpm = min(_MAX_RPM, min(pulses, _MAX_PULSES) * per_minute // elapsed_ms)
        if not self.percent:
            self._slow_ms = self._good_ms = 0
        elif self.rpm * 10000 < self._full_rpm * self.percent * limits.fan_stall_percent:
            self._good_ms = 0
            if self._run_ms > limits.fan_start_mask_ms:
                self._slow_ms += elapsed_ms
            if self._slow_ms >= limits.fan_stall_s * 1000:
                self._slow_ms = 0
                self.state = _STALLED
        else:
            self._slow_ms = 0
            self._good_ms += elapsed_ms
            if self._good_ms >= _PROVEN_MS:
                self._good_ms = _PROVEN_MS
                if self.state == _STALLED:
                    self.state = _RUNNING

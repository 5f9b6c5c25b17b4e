"""One temperature sensor, thermistor or 1-wire: raw numbers in, calibrated hundredths of a degree and faults out."""

from core.channel import NOTHING, Channel
from core.conversion import SHORTED, Calibration, thermistor_centi_c, thermistor_table
from core.voltage import Accumulator
from groundbox.wire.messages import UNKNOWN
from micropython import const

_OK = const(0)
_OPEN = const(1)
_SHORTED = const(2)
_RANGE = const(3)
_FROZEN = const(4)
_INTERMITTENT = const(8)
_IMPLAUSIBLE = const(9)
_ONEWIRE = const(3)
_EDGE_MS = const(30000)
_BUCKET_MS = const(150000)
_JUMP_CENTI_C = const(500)  # in a second: no sensor in air or on a battery changes so fast
_POWER_ON = const(1360)  # 85.00 °C in sixteenths: the 1-wire sensor's value before its first measurement
_HOT_ENOUGH = const(8000)  # from here on 85 °C may be true
_RIVAL_CENTI_C = const(300)
_LOWEST = const(-4000)
_HIGHEST = const(12500)


class Thermometer:
    """A sensor named as in messages.CHANNELS ("case", "battery", "intake").

    Attributes:
        channel: core.channel.Channel with state, value in centi-C and age.
        plain: centi-C before calibration, UNKNOWN while there is none.
        latest: calibrated centi-C of the last second that gave one, whether trusted or not; UNKNOWN while its wire
            gives none.

    A loose contact fills a leaky bucket: each beginning of a wire fault or jump of 5 K adds 30 s; time empties it. At
    150 s the sensor is intermittent, until the bucket is empty.
    """

    def __init__(self, limits, name):
        self.channel = Channel()
        self.plain = self.latest = UNKNOWN
        self._before = UNKNOWN
        self._broken = False
        self._loose = False
        self._bucket_ms = 0
        self._means = Accumulator()
        self._name = name
        self._kind = -1
        self._limits = limits
        self.apply()

    def apply(self):
        """Looks again at what is fitted and how it is calibrated, after the settings changed."""
        limits = self._limits
        kind = getattr(limits, self._name + "_sensor_kind")
        if kind != self._kind:
            self.channel = Channel()
            self._means.clear()
        self._kind = kind
        self._table = thermistor_table(kind, limits.ntc_pullup_ohm) if 0 < kind < _ONEWIRE else None
        if self._table:
            self._open_above = (self._table[0] + 65535) >> 1
            self._shorted_below = self._table[-1] >> 1
        self._calibration = Calibration(limits.settings, self._name, "centi_c")
        # A battery follows its surroundings slowly: four times the time limit.
        self._ms_a_second = 4000 if self._name == "battery" else 1000

    def put(self, raw):
        """Takes one raw number in, as core.interface.Inputs describes it."""
        self._means.put(raw)

    def settle(self, step_ms, rival_centi_c, doubt=False):
        """Makes state and value out of what came in the last `step_ms`.

        `rival_centi_c` is another temperature of this box, or UNKNOWN: when it moves by 3 K, this one must move too.
        `doubt`: the other temperatures contradict this one.
        """
        if not self._kind:
            self.channel.leave_out()
            self.latest = UNKNOWN
            return
        means = self._means
        code = NOTHING
        value = UNKNOWN
        if means.count:
            code = self._wire_fault()
            if code == _OK:
                value = self._value()
            self.latest = value
            loose = self._is_loose(step_ms, code, value)
            if code == _OK:
                code = self._doubt(step_ms, value, rival_centi_c)
            if loose:
                code = _INTERMITTENT
            elif code == _OK and doubt:
                code = _IMPLAUSIBLE
            means.clear()
        self.channel.step(step_ms, code, value)

    def _wire_fault(self):
        means = self._means
        if self._kind == _ONEWIRE:
            return _SHORTED if means.low <= SHORTED else _OK
        if means.high > self._open_above:
            return _OPEN
        return _SHORTED if means.low < self._shorted_below else _OK

    def _is_loose(self, step_ms, code, value):
        broken = code != _OK
        jumped = not broken and self._before != UNKNOWN and abs(value - self._before) >= _JUMP_CENTI_C
        if jumped or (broken and not self._broken):
            self._bucket_ms = min(_BUCKET_MS, self._bucket_ms + _EDGE_MS)
        else:
            self._bucket_ms = max(0, self._bucket_ms - step_ms)
        self._broken = broken
        if not broken:
            self._before = value
        if self._bucket_ms >= _BUCKET_MS:
            self._loose = True
        elif not self._bucket_ms:
            self._loose = False
        return self._loose

    def _value(self):
        mean = self._means.mean()
        self.plain = mean * 25 >> 2 if self._kind == _ONEWIRE else thermistor_centi_c(self._table, mean)
        return UNKNOWN if self.plain == UNKNOWN else self._calibration.true(self.plain)

    def _doubt(self, step_ms, value, rival_centi_c):
        means = self._means
        raw = means.low if means.low == means.high else UNKNOWN
        limit_ms = self._limits.frozen_s * self._ms_a_second
        still = self.channel.frozen(step_ms, raw, rival_centi_c, _RIVAL_CENTI_C, limit_ms)
        if value < _LOWEST or value > _HIGHEST:
            return _RANGE
        if self._kind == _ONEWIRE and raw == _POWER_ON and self.channel.value < _HOT_ENOUGH:
            return _FROZEN
        return _FROZEN if still else _OK

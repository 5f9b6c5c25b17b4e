"""The board's sensors in the box: converters, thermistors, 1-wire sensors, shunt monitor, with their errors.

Each box draws its own errors from its seed, within the usual ranges (from memory): converter gain
0.5 %, offset 20 mV at the battery, shunt gain 0.5 % and offset 20 mA, temperature 0.3 K.
"""

from dataclasses import dataclass
from math import exp
from random import Random

OPEN_RAW, SHORTED_RAW = -32768, -32767  # codes of board/onewire.py
OK, OPEN, SHORTED, FROZEN, LOOSE = "ok", "open", "shorted", "frozen", "loose"  # loose: open for half a second in three
FAULTS = (OK, OPEN, SHORTED, FROZEN, LOOSE)
_LOOSE_S, _LOOSE_OPEN_S = 3.0, 0.5
PLACES = ("case", "intake", "battery")
_MONITOR_AVERAGES_S = 0.035
_FULL = 65535
_REFERENCE_PER_K = 100e-6  # hardware/values.py


@dataclass(frozen=True, slots=True, kw_only=True)
class SimSensorSettings:
    """How the box is wired for sensing; the firmware's own defaults fit these.

    Attributes:
        monitor: 0 none, 1 INA226, 2 INA219.
        ntc_beta: of the 10 k thermistors, kelvin.
        ntc_lag_s: time constant of a thermistor in air.
        perfect: no errors, no noise.
    """

    monitor: int = 1
    monitor_address: int = 0x40
    shunt_micro_ohm: int = 2000
    reference_mv: float = 3000.0
    divider_ratio: float = 6.0
    ntc_beta: float = 3950.0
    ntc_pullup_ohm: float = 10000.0
    ntc_lag_s: float = 8.0
    adc_noise: float = 45.0
    perfect: bool = False


class SimProbe:
    """One temperature sensor with lag, which may break.

    Attributes:
        fault: one of FAULTS.
        drift_c: added to the temperature it reports.
        bath_c: temperature of the water that it is in; None in air.
        ntc_u16: converter's reading of a thermistor to ground, pulled up to the converter's reference.
        onewire_raw: sixteenths of a degree, or the code of a broken line.
    """

    __slots__ = (
        "_error_c",
        "_lag_s",
        "_loose_s",
        "_reported_c",
        "_settings",
        "_true_c",
        "bath_c",
        "drift_c",
        "fault",
        "ntc_u16",
        "onewire_raw",
    )

    def __init__(self, settings: SimSensorSettings, start_c: float, error_c: float, lag_s: float) -> None:
        self.fault = OK
        self.drift_c = 0.0
        self.bath_c: float | None = None
        self._settings = settings
        self._error_c = error_c
        self._lag_s = lag_s
        self._loose_s = 0.0
        self._true_c = start_c
        self._reported_c = start_c + error_c
        self.step(0.0, start_c)

    def step(self, dt_s: float, true_c: float) -> None:
        """Follows the true temperature for `dt_s`; stirred water is followed ten times as quickly as air."""
        lag_s = self._lag_s if self.bath_c is None else self._lag_s / 10
        around_c = true_c if self.bath_c is None else self.bath_c
        self._true_c += (around_c - self._true_c) * (1 - exp(-dt_s / lag_s))
        self._loose_s = (self._loose_s + dt_s) % _LOOSE_S if self.fault == LOOSE else 0.0
        if self.fault != FROZEN:
            self._reported_c = self._true_c + self._error_c + self.drift_c
        self.ntc_u16 = self._ntc()
        self.onewire_raw = self._onewire()

    def _is_open(self) -> bool:
        return self.fault == OPEN or self._loose_s > _LOOSE_S - _LOOSE_OPEN_S

    def _ntc(self) -> int:
        settings = self._settings
        if self._is_open():
            return _FULL
        if self.fault == SHORTED:
            return 0
        ohm = 10000 * exp(settings.ntc_beta * (1 / (self._reported_c + 273.15) - 1 / 298.15))
        return round(_FULL * ohm / (ohm + settings.ntc_pullup_ohm))

    def _onewire(self) -> int:
        if self._is_open():
            return OPEN_RAW
        if self.fault == SHORTED:
            return SHORTED_RAW
        return round(self._reported_c * 16)


class SimSensors:
    """All sensors of a box.

    Attributes:
        probes: case, intake and battery.
        check_error_volts: added to the divider's voltage.
        board_warmer_c: kelvin by which the divider's parts are warmer than at first; it then shows too little.
        reference_error_percent: how much higher the converter's reference is than it should be. It does not change
            a thermistor's reading, which uses the same reference.
        monitor_silent: the shunt monitor does not answer.
    """

    def __init__(self, settings: SimSensorSettings, start_c: float, seed: str) -> None:
        self.settings = settings
        random = Random(seed)
        scale = 0.0 if settings.perfect else 1.0
        self._gain = 1 + scale * random.uniform(-0.005, 0.005)
        self._offset_volts = scale * random.uniform(-0.02, 0.02)
        self._shunt_gain = 1 + scale * random.uniform(-0.005, 0.005)
        self._shunt_offset_amps = scale * random.uniform(-0.02, 0.02)
        self.probes = {
            name: SimProbe(
                settings,
                start_c,
                scale * random.uniform(-0.3, 0.3),
                settings.ntc_lag_s * (4 if name == "battery" else 1),
            )
            for name in PLACES
        }
        self.adc_noise = [round(scale * random.gauss(0, settings.adc_noise)) for _ in range(256)]
        self.check_error_volts = self.reference_error_percent = self.board_warmer_c = 0.0
        self.monitor_silent = False
        self._bus_volts = self._shunt_amps = 0.0

    def average(self, dt_s: float, volts: float, amps: float) -> None:
        """The monitor averages over its own conversion time."""
        weight = min(1.0, dt_s / _MONITOR_AVERAGES_S)
        self._bus_volts += weight * (volts - self._bus_volts)
        self._shunt_amps += weight * (amps - self._shunt_amps)

    def divider_u16(self, volts: float) -> int:
        """Converter's reading of the battery through its divider; the converter clips what is outside 0..65535."""
        s = self.settings
        measured = volts * self._gain + (self._offset_volts if volts > 1 else 0.0) + self.check_error_volts
        error = self.reference_error_percent / 100 + _REFERENCE_PER_K * self.board_warmer_c
        reference_mv = s.reference_mv * (1 + error)
        return round(_FULL * measured * 1000 / s.divider_ratio / reference_mv)

    def monitor_microvolts(self) -> int:
        """At the monitor's bus input; -1 when it does not answer."""
        return -1 if self.monitor_silent else max(0, round(self._bus_volts * 1e6))

    def shunt_nanovolts(self) -> int:
        """Across the shunt."""
        amps = self._shunt_amps * self._shunt_gain + self._shunt_offset_amps
        return round(amps * self.settings.shunt_micro_ohm * 1000)

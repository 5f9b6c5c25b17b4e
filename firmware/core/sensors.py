"""All sensors of a box: raw numbers in each step, values and faults each second."""

from core.plausibility import CaseVote
from core.supply import Supply
from core.thermometer import Thermometer
from groundbox.wire.messages import CHANNELS, UNKNOWN
from micropython import const

_OK = const(0)
_HEAT_CENTI_C = const(300)


class Sensors:
    """Attributes: supply (core.supply.Supply); case, battery, intake (core.thermometer.Thermometer); vote."""

    def __init__(self, limits):
        self.supply = Supply(limits)
        self.case = Thermometer(limits, "case")
        self.battery = Thermometer(limits, "battery")
        self.intake = Thermometer(limits, "intake")
        self.vote = CaseVote()
        self._case_rival = None
        self._limits = limits
        self.apply()

    def apply(self):
        """Looks again at what is fitted and how it is calibrated, after the settings changed."""
        for part in (self.supply, self.case, self.battery, self.intake):
            part.apply()
        # Fixed by what is fitted: a change when a sensor fails would look like a change of temperature.
        if self._limits.battery_sensor_kind:
            self._case_rival = self.battery
        else:
            self._case_rival = self.intake if self._limits.intake_sensor_kind else None

    def sense(self, inputs):
        """Takes one step's raw numbers in, and sets them back to UNKNOWN."""
        self.supply.sense(inputs)
        inputs.monitor_bus = inputs.monitor_shunt = UNKNOWN
        if inputs.case_raw != UNKNOWN:
            self.case.put(inputs.case_raw)
            inputs.case_raw = UNKNOWN
        if inputs.battery_raw != UNKNOWN:
            self.battery.put(inputs.battery_raw)
            inputs.battery_raw = UNKNOWN
        if inputs.intake_raw != UNKNOWN:
            self.intake.put(inputs.intake_raw)
            inputs.intake_raw = UNKNOWN

    def settle(self, elapsed_ms, cooling_demand, charging, fan_percent):
        """Makes values and states out of what came in the last `elapsed_ms`.

        `cooling_demand`: the thermostat asks for the fans. With no other thermometer fitted, that is what must move the
        case's temperature, or its sensor is frozen. `charging`: a charger is seen; `fan_percent`: their drive.
        """
        self.supply.settle(elapsed_ms)
        rival = self._case_rival
        heat = _HEAT_CENTI_C if cooling_demand else 0
        vote = self.vote
        self.case.settle(elapsed_ms, rival.channel.value if rival else heat, vote.doubt)
        battery = self.battery.channel.value
        vote.step(
            elapsed_ms,
            self.case.latest,
            battery,
            self.intake.channel.value,
            charging,
            self.supply.battery_ma,
            fan_percent,
        )
        case = self.case.channel.value
        self.battery.settle(elapsed_ms, case)
        self.intake.settle(elapsed_ms, case)

    def battery_centi_c(self):
        """The battery's temperature, else the case's, else UNKNOWN."""
        value = self.battery.channel.value
        return self.case.channel.value if value == UNKNOWN else value

    def uncorrected_of(self, channel):
        """Present value of messages.CHANNELS[channel] before calibration (mV, mA or centi-C), or UNKNOWN."""
        supply = self.supply
        name = CHANNELS[channel]
        if name == "voltage":
            return supply.plain_mv if supply.battery.state == _OK else UNKNOWN
        if name == "check":
            return supply.plain_check_mv if supply.check.state == _OK else UNKNOWN
        if name == "current":
            return supply.plain_ma if supply.current.state == _OK else UNKNOWN
        part = self.case if name == "case" else self.battery if name == "battery" else self.intake
        return part.plain if part.channel.state == _OK else UNKNOWN

"""The reading: what the parts have found, and its severities for buzzer and lamp."""

from groundbox.wire.messages import UNKNOWN, fields_of
from micropython import const

_BEFORE = const(4)  # fields before the measured ones: box, boot, sequence, uptime_ms

_OK = const(0)
_DISAGREE = const(5)
_JAMMED = const(2)
_ABSENT = const(7)
_NO_FAN = const(0)
_FAN_BITS = const(7)
_NOT_TO_CHARGE = const(28)  # bits of cold, warm, hot
_CHARGE_SEVERITY = (0, 0, 2, 1, 3)  # by messages.CHARGE_STATES: no, yes, cold, warm, hot


class BoardReading:
    """The reading being made: one attribute for each field of the registry's reading after its uptime.

    Whole numbers, UNKNOWN where not known; states as indexes of their tuples.
    """

    def __init__(self):
        for field in fields_of("reading")[_BEFORE:]:
            setattr(self, field[0], 0 if isinstance(field[1], tuple) else UNKNOWN)


def fill(reading, control):
    """Copies everything measured and found into `reading`."""
    sensors = control.sensors
    supply = sensors.supply
    reading.battery_mv = supply.battery_mv
    reading.battery_min_mv = supply.battery_min_mv
    reading.battery_max_mv = supply.battery_max_mv
    reading.check_mv = supply.check_mv
    reading.battery_ma = supply.battery_ma
    reading.battery_min_ma = supply.battery_min_ma
    reading.battery_max_ma = supply.battery_max_ma
    reading.voltage_sensor = supply.battery.state
    reading.check_sensor = _DISAGREE if supply.disagree else supply.check.state
    reading.current_sensor = supply.current.state
    reading.case_centi_c = sensors.case.channel.value
    reading.battery_centi_c = sensors.battery.channel.value
    reading.intake_centi_c = sensors.intake.channel.value
    reading.case_sensor = sensors.case.channel.state
    reading.battery_sensor = sensors.battery.channel.state
    reading.intake_sensor = sensors.intake.channel.state
    _fill_fans(reading, control.fans.pair1, control.fans.pair2)
    reading.output1 = control.output1.state
    reading.output2 = control.output2.state
    reading.low_voltage = control.watch.low_voltage
    reading.overvoltage = control.watch.overvoltage
    reading.case_heat = control.thermostat.case_heat
    reading.battery_heat = control.watch.heat
    reading.charging = control.watch.charging
    reading.place = control.place
    reading.turn_back_s = control.turn_back.left_s
    reading.button = control.button.state


def _fill_fans(reading, pair1, pair2):
    reading.fan1_rpm = pair1.first.rpm
    reading.fan2_rpm = pair1.second.rpm
    reading.fan3_rpm = pair2.first.rpm
    reading.fan4_rpm = pair2.second.rpm
    reading.fan1_percent = _percent(pair1.first)
    reading.fan2_percent = _percent(pair1.second)
    reading.fan3_percent = _percent(pair2.first)
    reading.fan4_percent = _percent(pair2.second)
    reading.fan1_state = pair1.first.state
    reading.fan2_state = pair1.second.state
    reading.fan3_state = pair2.first.state
    reading.fan4_state = pair2.second.state


def _percent(fan):
    return UNKNOWN if fan.state == _NO_FAN else fan.percent


def fault_severity(control):
    """Index in messages.LEVELS: the faults of fans and sensors.

    Urgent: no sensor gives the case's temperature or the battery's voltage, or a fan is stalled or too fast while the
    battery is being charged or the case is hot. Every other fault is a notice, and so is a jammed button.
    """
    sensors = control.sensors
    supply = sensors.supply
    if sensors.case.channel.state != _OK or (supply.battery.state != _OK and supply.battery_mv == UNKNOWN):
        return 2
    if control.fans.fault:
        return 2 if control.watch.charging or control.thermostat.case_heat else 1
    return 1 if fault_bits(control) else 0


def charge_severity(watch):
    """Index in messages.LEVELS: overvoltage, a hot battery, and one that should not be charged."""
    return max(watch.overvoltage, watch.heat, _CHARGE_SEVERITY[watch.charging])


def fault_bits(control):
    """One bit for each faulty sensor and fan, one for voltages that disagree, and one for a jammed button."""
    sensors = control.sensors
    supply = sensors.supply
    pair1 = control.fans.pair1
    pair2 = control.fans.pair2
    bits = _faulty(supply.battery) | _faulty(supply.check) << 1 | _faulty(supply.current) << 2
    bits |= _faulty(sensors.case.channel) << 3 | _faulty(sensors.battery.channel) << 4
    bits |= _faulty(sensors.intake.channel) << 5 | supply.disagree << 6
    bits |= (pair1.first.fault > 0) << _FAN_BITS | (pair1.second.fault > 0) << _FAN_BITS + 1
    bits |= (pair2.first.fault > 0) << _FAN_BITS + 2 | (pair2.second.fault > 0) << _FAN_BITS + 3
    return bits | (control.button.state == _JAMMED) << _FAN_BITS + 4


def charge_bits(watch):
    """One bit each for overvoltage, a hot battery, and one too cold, too warm and too hot to charge."""
    return (watch.overvoltage > 0) | (watch.heat > 0) << 1 | (1 << watch.charging) & _NOT_TO_CHARGE


def _faulty(channel):
    return channel.state != _OK and channel.state != _ABSENT

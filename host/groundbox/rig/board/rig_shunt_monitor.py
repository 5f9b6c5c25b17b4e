"""Registers of the two shunt monitors the firmware knows.

Source: makers' data sheets of INA226 and INA219, register maps, LSB weights and power-on values (from memory; the
scaling is checked in tests against worked examples).
"""

import rig_clock

INA226 = 1
INA219 = 2

_CONFIGURATION = 0
_SHUNT = 1
_BUS = 2
_POWER = 3
_CURRENT = 4
_CALIBRATION = 5
_POWER_ON = {INA226: 0x4127, INA219: 0x399F}
_IDENTITY = {0xFE: 0x5449, 0xFF: 0x2260}


class ShuntMonitor:
    """Reads its inputs from the simulation: bus in microvolts (-1: no answer), shunt in nanovolts."""

    def __init__(self, kind):
        self._kind = kind
        self._bus_slot = rig_clock.slot_of_input["monitor_bus"]
        self._shunt_slot = rig_clock.slot_of_input["monitor_shunt"]
        self._written = {_CONFIGURATION: _POWER_ON[kind], _CALIBRATION: 0}

    def answers(self):
        return rig_clock.incoming[self._bus_slot] >= 0

    def read(self, register):
        """Value 0..65535 of a register, negative ones in two's complement; 0 where there is none."""
        if register in self._written:
            return self._written[register]
        if register == _SHUNT:
            return self._shunt() & 0xFFFF
        if register == _BUS:
            bus = self._bus()
            return bus if self._kind == INA226 else bus << 3 | 2  # bit 1: conversion ready
        if register == _CURRENT:
            return self._current() & 0xFFFF
        if register == _POWER:
            return abs(self._current()) * self._bus() // (20000 if self._kind == INA226 else 5000)
        return _IDENTITY.get(register, 0) if self._kind == INA226 else 0

    def write(self, register, value):
        if register == _CONFIGURATION and value & 0x8000:  # reset
            self._written = {_CONFIGURATION: _POWER_ON[self._kind], _CALIBRATION: 0}
        elif register in self._written:
            self._written[register] = value

    def _bus(self):
        microvolts = rig_clock.incoming[self._bus_slot]
        if self._kind == INA226:
            return min(microvolts // 1250, 0x7FFF)
        return min(microvolts // 4000, 8000)

    def _shunt(self):
        nanovolts = rig_clock.incoming[self._shunt_slot]
        counts = (nanovolts + 1250) // 2500 if self._kind == INA226 else (nanovolts + 5000) // 10000
        most = 32767 if self._kind == INA226 else 32000
        return max(-most - 1, min(most, counts))

    def _current(self):
        divisor = 2048 if self._kind == INA226 else 4096
        product = self._shunt() * self._written[_CALIBRATION]
        return product // divisor if product >= 0 else -(-product // divisor)

"""Shunt monitor registers as whole millivolts and milliamperes.

The shunt voltage register is used, not the current register: the latter is 0 after a glitch on the chip's supply until
someone writes its calibration again, and 0 A would look like a measurement.
Source: INA226 and INA219 data sheets (maker's sheets), register maps and LSB weights.
"""

from micropython import const

ADDRESS = const(0x40)
CONFIGURATION = const(0)
SHUNT = const(1)
BUS = const(2)
# Continuous, 16 averages: 35 ms (INA226, 1.1 ms each) and 17 ms (INA219, 12 bits, 32 V, +-320 mV) for a pair of values.
CONFIGURATION_WORDS = (0, 0x4527, 0x3E67)  # by settings' voltage_monitor_kind
IDENTITY_REGISTER = const(0xFE)  # INA226 only
IDENTITY = const(0x5449)


def bus_mv(kind, register):
    """Bus voltage in mV of MONITOR_KINDS[kind] from its register 0..65535."""
    if kind == 2:
        return (register >> 3) * 4
    return register * 5 >> 2


def shunt_ma(kind, register, shunt_micro_ohm):
    """Current in mA from the shunt voltage register 0..65535 (two's complement); shunt from 200 micro-ohm up."""
    value = register - 65536 if register & 0x8000 else register
    # 2.5 uV and 10 uV an LSB: nanovolts / micro-ohm = milliamperes. At most 32768 * 10000 < 2**30.
    return value * (10000 if kind == 2 else 2500) // shunt_micro_ohm

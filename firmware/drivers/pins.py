"""The pin tables: which part of a box is on which pin of which kind of board.

Wiring these tables assume, so that a board without power or program leaves a box safe:

    output1            low = on. A pull-down holds it on through reset, bootloader and watchdog restart.
    output2            high = on. A pull-down holds it off then: after a power loss no large load starts with the board.
    fan drives         low = full speed: a transistor on the pin pulls the fan's control line down, so that 65535 of
                       duty is standstill and 0, a floating or an unprogrammed pin is full speed.
    tachometers        open collector, pulled up to 3.3 V outside, two falling edges a turn.
    buzzer, lamp       high = on (a self-sounding buzzer).
    button             to ground, low = pressed.
    divider, NTCs      on the converter's own reference: a reading is a fraction of it, 0 to 65535. NTC to ground.
    1-wire             one sensor a pin, 4.7 k to 3.3 V: the plug decides which sensor it is, not its number.

Every pin that may be absent is None.
"""

import sys

RP2 = {
    "board": "rp2040",
    "outputs": (2, 3),
    "i2c": (0, 4, 5),  # bus, data, clock
    "button": 6,
    "lamp": 7,
    "buzzer": 8,
    "onewire": (10, 11, 12),  # case, intake, battery
    "ntc": (27, 28, 29),  # case, intake, battery; 29 is taken on boards with a radio, touched only where fitted
    "divider": 26,
    "even_steps": False,  # of the converter: see analogue.py
    "fan_drives": (16, 17, 18, 19),  # fans 1 and 2 are the first pair
    "fan_tachs": (20, 21, 22, 15),
    "hard": True,  # timers and pin interrupts run at once, without the scheduler
    "timer": -1,
    "most_sample_hz": 1000,
    "write_bytes": 1,  # POLLOUT promises room for one; a longer write waits up to 500 ms for it
}

ESP32 = {
    "board": "esp32",
    "outputs": (25, 26),
    "i2c": (0, 21, 22),
    "button": 27,
    "lamp": 13,
    "buzzer": 14,
    "onewire": (4, 16, 17),
    "ntc": (39, 34, None),  # first converter only: the second is unusable beside Wi-Fi
    "divider": 36,
    "even_steps": True,  # a curve instead, which two points of a calibration do not straighten
    "fan_drives": (18, 19, 23, 2),
    "fan_tachs": (32, 33, 15, 35),
    "hard": False,  # this port defers callbacks to the scheduler: fast samples come late under load
    "timer": 0,
    "most_sample_hz": 100,
    "write_bytes": 16,
}

# Off hardware the reference board is used; a pseudo-terminal takes what fits and returns how much.
UNIX = dict(RP2, board="rig", write_bytes=256)

TABLES = {"rp2": RP2, "esp32": ESP32}
PINS = TABLES.get(sys.platform, UNIX)

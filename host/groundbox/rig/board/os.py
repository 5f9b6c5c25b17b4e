"""The board's `os`, with random bytes by the run's seed: a board needs some for its first boot number."""

import rig_clock
from uos import *  # noqa: F403

_state = rig_clock.wiring["random_seed"]


def urandom(count):
    global _state
    drawn = bytearray(count)
    for i in range(count):
        _state = (_state * 1103515245 + 12345) & 0x7FFFFFFF  # a common linear generator; its upper bits are used
        drawn[i] = _state >> 16 & 255
    return bytes(drawn)

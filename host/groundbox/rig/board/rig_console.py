"""The console as a real port has it; also replaces the module `micropython`, for its `kbd_intr`.

Printed text ends its lines with "\\r\\n". While an interrupt character is set, Ctrl-C raises KeyboardInterrupt whenever
time passes, and discards what waits to be read. A port sets it before main.py and before each program of its prompt.

Source: MicroPython's ports/rp2 (main.c), shared/runtime/pyexec.c and shared/tinyusb/mp_usbd_cdc.c, version 1.28.0.
"""

import sys

import rig_clock
import uselect
from micropython import *

CTRL_C = 3
_NO_ROOM_US = 1000

_poll = uselect.poll()
_poll.register(sys.stdin.buffer, uselect.POLLIN)
_kept = bytearray()  # bytes that came while an interrupt character was set, for the prompt


def kbd_intr(character):
    """Sets the byte that raises KeyboardInterrupt the next time that time passes; -1: none does."""
    rig_clock.on_input = _look if character == CTRL_C else None


def read_byte():
    """The next byte of the host; waits for it."""
    while True:
        if _kept:
            byte = bytes(_kept[:1])
            _kept[:] = _kept[1:]
            return byte
        for _ in _poll.poll(0):
            byte = sys.stdin.buffer.read(1)
            if byte:
                return byte
        rig_clock.let_pass(1000000)


def say(data):
    """Writes all bytes as they are; the simulation reads them while time passes."""
    while data:
        count = sys.stdout.buffer.write(data)
        if count:
            data = data[count:]
        else:
            rig_clock.let_pass(_NO_ROOM_US)


def show(*values, sep=" ", end="\n"):
    """The builtin `print`."""
    say((sep.join([str(value) for value in values]) + end).replace("\n", "\r\n").encode())


def _look():
    take(CTRL_C)


def take(interrupt=-1):
    """Keeps what has arrived for the prompt; raises KeyboardInterrupt for the byte `interrupt`."""
    while _poll.poll(0):
        byte = sys.stdin.buffer.read(1)
        if not byte:
            return
        if byte[0] == interrupt:
            _kept[:] = b""
            raise KeyboardInterrupt
        _kept.append(byte[0])

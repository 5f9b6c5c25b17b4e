"""The prompt of a board that runs nothing: the raw mode of MicroPython's prompt, for tools that copy files.

The port this runs on has no raw mode of its own. What is sent is run by the very interpreter that runs the firmware,
in the board's flash. In the friendly mode nothing is run.

Source: MicroPython's documentation, "The MicroPython Interactive Interpreter Mode", raw mode and raw-paste mode.
"""

import io
import sys

import rig_clock
from rig_console import CTRL_C, kbd_intr, read_byte as _hear, say as _say, take

_RAW, _FRIENDLY, _INTERRUPT, _END, _PASTE = b"\x01", b"\x02", b"\x03", b"\x04", b"\x05"
_RAW_BANNER = b"raw REPL; CTRL-B to exit\r\n>"
_FRIENDLY_BANNER = b"\r\nMicroPython; raw mode only, CTRL-A begins it\r\n>>> "
_WINDOW = 128


def run():
    """Serves the port until the board is reset."""
    kbd_intr(-1)
    _say(_FRIENDLY_BANNER)
    while True:
        if _hear() == _RAW:
            _raw()
            _say(_FRIENDLY_BANNER)


def _raw():
    names = _fresh()
    _say(_RAW_BANNER)
    said = bytearray()
    while True:
        byte = _hear()
        if byte == _FRIENDLY:
            return
        if byte == _PASTE and not said:
            _paste(names)
        elif byte in (_RAW, _INTERRUPT):
            said = bytearray()
            if byte == _RAW:
                _say(_RAW_BANNER)
        elif byte != _END:
            said += byte
        elif said:
            _say(b"OK")
            _do(bytes(said), names)
            said = bytearray()
        else:
            names = _fresh()
            rig_clock.end_timers()  # main.py does not run again, the watchdog does
            _say(b"OK\r\nMPY: soft reboot\r\n" + _RAW_BANNER)


def _paste(names):
    """Raw-paste mode: a window of bytes at a time, each granted when the one before has arrived."""
    if _hear() != b"A" or _hear() != _RAW:
        return
    _say(b"R\x01" + bytes((_WINDOW & 255, _WINDOW >> 8, 1)))  # the last byte grants a second window
    said = bytearray()
    while True:
        byte = _hear()
        if byte == _INTERRUPT:
            _say(_END + _END + b"KeyboardInterrupt\r\n" + _END + b">")
            return
        if byte == _END:
            break
        said += byte
        if len(said) % _WINDOW == 0:
            _say(b"\x01")
    _say(_END)
    _do(bytes(said), names)


def _do(code, names):
    """Runs the program that was sent; writes its output, its error and the prompt."""
    take()
    kbd_intr(CTRL_C)
    try:
        exec(code.decode(), names)
        _say(_END)
    except (Exception, KeyboardInterrupt) as error:  # noqa: BLE001 (any error of the program)
        text = io.StringIO()
        sys.print_exception(error, text)
        _say(_END + text.getvalue().replace("\n", "\r\n").encode())
    kbd_intr(-1)
    _say(_END + b">")


def _fresh():
    return {"__name__": "__main__"}

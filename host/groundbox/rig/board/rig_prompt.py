"""The prompt of a board that runs nothing: the raw mode of MicroPython's prompt, for tools that copy files.

The port this runs on has no raw mode of its own. What is sent is run by the very interpreter that runs the firmware,
in the board's flash. In the friendly mode nothing is run.

Source: MicroPython's documentation, "The MicroPython Interactive Interpreter Mode", raw mode and raw-paste mode.
"""

import io
import select
import sys

import rig_clock

_RAW, _FRIENDLY, _INTERRUPT, _END, _PASTE = b"\x01", b"\x02", b"\x03", b"\x04", b"\x05"
_RAW_BANNER = b"raw REPL; CTRL-B to exit\r\n>"
_FRIENDLY_BANNER = b"\r\nMicroPython; raw mode only, CTRL-A begins it\r\n>>> "
_WINDOW = 1024
_NO_ROOM_US = 1000

_poll = select.poll()
_poll.register(sys.stdin.buffer, select.POLLIN)


def run():
    """Serves the port until the board is reset."""
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
            _say(b"OK\r\nMPY: soft reboot\r\n" + _RAW_BANNER)


def _paste(names):
    """Raw-paste mode: a window of bytes at a time, each granted when the one before has arrived."""
    if _hear() != b"A" or _hear() != _RAW:
        return
    _say(b"R\x01" + bytes((_WINDOW & 255, _WINDOW >> 8)))
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
    try:
        exec(code.decode(), names)
        _say(_END)
    except Exception as error:  # noqa: BLE001 (any error of the program)
        text = io.StringIO()
        sys.print_exception(error, text)
        _say(_END + text.getvalue().encode())
    _say(_END + b">")


def _fresh():
    return {"__name__": "__main__", "print": _print}


def _print(*values, sep=" ", end="\n"):
    _say((sep.join([str(value) for value in values]) + end).encode())


def _say(data):
    """Writes all of it; the simulation reads it while time passes."""
    while data:
        count = sys.stdout.buffer.write(data)
        if count:
            data = data[count:]
        else:
            rig_clock.let_pass(_NO_ROOM_US)


def _hear():
    """The next byte of the host."""
    while True:
        for _ in _poll.ipoll(1000):
            byte = sys.stdin.buffer.read(1)
            if byte:
                return byte

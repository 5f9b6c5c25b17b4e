"""The interpreter that runs the firmware, as a child process on four pipes: ask, reply, console in and console out."""

import fcntl
import os
import select
import shutil
import subprocess
import sys
from array import array
from pathlib import Path

from groundbox.errors import BadInput
from groundbox.rig.image import BOARD_CODE

MICROPYTHON, CPYTHON = "micropython", "cpython"
# The reference board has 264 KB of RAM; objects are twice as large here, hence the w.
_HEAP = "heapsize=200wK"
_HUNG_MS = 20_000  # real time without a word: the firmware loops without ever reading its clock
_PIPE_BYTES = 4096


def interpreter_path() -> str | None:
    """Path of the `micropython` command beside this Python, or on the search path; None when there is none."""
    beside = Path(sys.executable).parent / "micropython"
    return str(beside) if beside.exists() else shutil.which("micropython")


def best_interpreter() -> str:
    """MICROPYTHON where it is to be had, else CPYTHON."""
    return MICROPYTHON if interpreter_path() else CPYTHON


class Process:
    """One start of the board.

    Args:
        interpreter: MICROPYTHON or CPYTHON.
        native: MicroPython compiles to machine code: a quarter faster, and tracebacks have no line numbers.

    Attributes:
        fds: the child's ends of the pipes to ask and to be answered, for the wiring file.
    """

    def __init__(self, interpreter: str, native: bool = False) -> None:
        self._command = _command(interpreter, native)
        self._asks, self._child_asks = os.pipe()
        self._child_replies, self._replies = os.pipe()
        self._out, self._child_out = os.pipe()
        self._child_in, self._in = os.pipe()
        for fd in (self._out, self._child_out, self._child_in, self._in):
            os.set_blocking(fd, False)
        if hasattr(fcntl, "F_SETPIPE_SZ"):
            fcntl.fcntl(self._out, fcntl.F_SETPIPE_SZ, _PIPE_BYTES)
        self.fds = (self._child_asks, self._child_replies)
        self._popen: subprocess.Popen[bytes] | None = None
        self._poll = select.poll()
        self._poll.register(self._asks, select.POLLIN)

    def start(self, flash: Path, wiring_file: Path) -> None:
        """Switches on: runs board/power_on.py with `flash` as its working directory."""
        self._popen = subprocess.Popen(
            [*self._command, str(BOARD_CODE / "power_on.py"), str(wiring_file)],
            stdin=self._child_in,
            stdout=self._child_out,
            stderr=self._child_out,
            pass_fds=self.fds,
            cwd=flash,
        )
        for fd in (self._child_asks, self._child_replies, self._child_out, self._child_in):
            os.close(fd)

    @property
    def pid(self) -> int:
        """Process number."""
        assert self._popen is not None
        return self._popen.pid

    def ask(self, into: "array[int]") -> bool:
        """Reads the board's next ask; False when the process has ended or hangs."""
        return bool(self._poll.poll(_HUNG_MS)) and os.readv(self._asks, [into]) == len(into) * into.itemsize

    def reply(self, numbers: "array[int]") -> None:
        """Answers the ask; a board that has died meanwhile does not hear it."""
        try:
            os.write(self._replies, numbers)
        except BrokenPipeError:
            return

    def console_read(self) -> bytes:
        """What the firmware has written and nobody has read; b"" when that is all."""
        try:
            return os.read(self._out, _PIPE_BYTES)
        except BlockingIOError:
            return b""

    def console_write(self, data: bytes) -> int:
        """Gives the firmware console input; returns how many bytes of it fit."""
        try:
            return os.write(self._in, data)
        except (BlockingIOError, BrokenPipeError):
            return 0

    def kill(self) -> None:
        """Ends it at once, as a power cut does."""
        if self._popen is not None:
            self._popen.kill()
            self._popen.wait()
        for fd in (self._asks, self._replies, self._out, self._in):
            os.close(fd)


def _command(interpreter: str, native: bool) -> list[str]:
    if interpreter == CPYTHON:
        return [sys.executable, "-I", "-S", "-B"]
    path = interpreter_path()
    if interpreter != MICROPYTHON or path is None:
        raise BadInput(
            "interpreter", interpreter, "is not to be had here: pip install 'groundbox[rig]', or use cpython"
        )
    return [path, "-X", _HEAP, "-X", f"emit={'native' if native else 'bytecode'}"]

"""The interpreter that runs the firmware: a child process on four pipes, and which pin is which thing of the box.

The pipes are ask, reply, console in and console out. The pins are those of the firmware's own pin table.
"""

import fcntl
import json
import os
import runpy
import select
import shutil
import subprocess
import sys
from array import array
from collections.abc import Callable, Sequence
from pathlib import Path
from random import Random

from groundbox.errors import BadInput
from groundbox.rig.box import SimBox
from groundbox.rig.image import BOARD_CODE, firmware_folder

MICROPYTHON, CPYTHON = "micropython", "cpython"
# The reference board has 264 KB of RAM; objects are twice as large here, hence the w.
_HEAP = "heapsize=200wK"
_HUNG_MS = 20_000  # real time without a message: the firmware loops without reading its clock
_PIPE_BYTES = 4096


def interpreter_path() -> str | None:
    """Path of the `micropython` command beside this Python, or on the search path; None when there is none."""
    beside = Path(sys.executable).parent / "micropython"
    return str(beside) if beside.exists() else shutil.which("micropython")


def best_interpreter() -> str:
    """MICROPYTHON where it is installed, else CPYTHON."""
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
        """Answers the ask; a board that has ended meanwhile does not receive it."""
        try:
            os.write(self._replies, numbers)
        except BrokenPipeError:
            return

    def console_read(self) -> bytes:
        """Bytes the firmware has written that are not read yet; b"" when there are none."""
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
        raise BadInput("interpreter", interpreter, "is not installed: pip install 'groundbox[rig]', or use cpython")
    return [path, "-X", _HEAP, "-X", f"emit={'native' if native else 'bytecode'}"]


RESET_CAUSES = {"power": 1, "reset": 3, "watchdog": 3}  # on this port a reset by program goes through the watchdog
_HEAD = 2  # numbers before the pins in every exchange
_FULL = 65535
_PLACES = ("case", "intake", "battery")  # in the order of the pin table


def _nothing() -> None:
    """Does nothing."""


class Wiring:
    """The pins of one board in one box.

    Attributes:
        outputs, inputs: GPIO numbers (inputs also by name) in the order of the exchange.
        changed: called after the board drove its pins differently than before.
        import_us_per_byte: time a board needs to read one byte of a module at its next start; 0: none.
        flash_us: time for which each write to flash has everything stopped, from the next start.
    """

    def __init__(self, box: SimBox) -> None:
        self._box = box
        pins = runpy.run_path(str(firmware_folder() / "drivers" / "pins.py"))["PINS"]
        self._fans = len(box.fans)
        self.outputs: list[int] = [*pins["fan_drives"][: self._fans], *pins["outputs"], pins["buzzer"], pins["lamp"]]
        self._probes = [box.senses.probes[name] for name in _PLACES]
        tachs = pins["fan_tachs"][: self._fans]
        self.inputs: list[int | str | None] = [pins["divider"], pins["button"], "monitor_bus", "monitor_shunt"]
        self.inputs += [*pins["ntc"], *pins["onewire"], *tachs]
        self.ask = array("q", [0] * (_HEAD + len(self.outputs)))
        self.changed: Callable[[], None] = _nothing
        self.import_us_per_byte = 0
        self.flash_us = 0
        self._levels: list[int] = []

    def differs(self, levels: list[int]) -> bool:
        """Whether the board drives its pins differently than before."""
        return levels != self._levels

    def drive(self, levels: list[int]) -> None:
        """Applies the board's pins to the box: -1 floating, else duty 0 to 65535; see the firmware's pin table."""
        if not self.differs(levels):
            return
        self._levels = levels
        box, n = self._box, self._fans
        for fan, level in zip(box.fans, levels, strict=False):
            fan.drive = 1 - max(0, level) / _FULL
        box.output_on = [levels[n] <= 0, levels[n + 1] > 0]
        box.buzzer, box.lamp = levels[n + 2] > 0, levels[n + 3] > 0
        self.changed()

    def release(self) -> None:
        """The board is off or starting: every pin floats."""
        self.drive([-1] * len(self.outputs))

    def answer(self, granted_us: int, input_waits: bool, steady_us: int) -> "array[int]":
        """The reply to the board: elapsed time, its inputs, and for how long they stay the same."""
        box, senses = self._box, self._box.senses
        numbers = [
            granted_us,
            input_waits,
            steady_us,
            senses.divider_u16(box.node.battery_volts),
            not box.button_down,
        ]
        numbers += (senses.monitor_microvolts(), senses.shunt_nanovolts())
        numbers += [probe.ntc_u16 for probe in self._probes]
        numbers += [probe.onewire_raw for probe in self._probes]
        pulses = [fan.pulse_milli_hz for fan in box.fans]
        if box.tach_leads_crossed:
            pulses[:2] = pulses[1::-1]
        return array("q", numbers + pulses)

    def write(
        self, path: Path, start: int, reset_cause: str, fds: tuple[int, int], hang_link_us: Sequence[int] = ()
    ) -> None:
        """Writes what the board's start-up needs.

        Args:
            path: the file.
            start: number of this start in the run.
            reset_cause: one of RESET_CAUSES.
            fds: the board's ends of the pipes to ask and to be answered.
            hang_link_us: microseconds after this start at which the link task hangs.
        """
        settings = self._box.settings
        random = Random(f"{settings.seed}/{settings.name}/{start}")
        content = {
            "outputs": self.outputs,
            "inputs": self.inputs,
            "ask_fd": fds[0],
            "reply_fd": fds[1],
            "monitor": settings.senses.monitor,
            "monitor_address": settings.senses.monitor_address,
            "display": settings.display,
            "adc_noise": self._box.senses.adc_noise,
            "reset_cause": RESET_CAUSES[reset_cause],
            "unique_id": list(Random(settings.name).randbytes(8)),
            "random_seed": random.getrandbits(30),
            "hang_link_us": list(hang_link_us),
            "clock_s": 1609459200,  # the first of January 2021: an unset clock
            "import_us_per_byte": self.import_us_per_byte,
            "flash_us": self.flash_us,
            "ticks_us": settings.ticks_start_ms * 1000,
        }
        path.write_text(json.dumps(content), encoding="ascii")

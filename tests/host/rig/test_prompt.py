"""The simulated board's prompt against a real port's: line ends, raw mode, Ctrl-C, timers that nothing refers to."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from groundbox.rig.box import SimBox, SimBoxSettings
from groundbox.rig.console import BufferConsole
from groundbox.rig.electric import SimBatterySettings
from groundbox.rig.process import MICROPYTHON, interpreter_path
from groundbox.rig.world import Unpaced, World

Type = Callable[..., bytes]
BEGIN = b"\x01"
END = b"\x04"

pytestmark = pytest.mark.skipif(interpreter_path() is None, reason="no micropython command here")


@pytest.fixture
def typed(tmp_path: Path) -> Iterator[Type]:
    """Sends bytes to a bare board at its prompt; returns the board's bytes of the next simulated seconds."""
    flash = tmp_path / "flash"
    flash.mkdir()
    (flash / "main.py").write_text("")
    console = BufferConsole()
    settings = SimBoxSettings(name="b", battery=SimBatterySettings(c20_ah=18))
    world = World(SimBox(settings), flash, console, MICROPYTHON, Unpaced())

    def send(data: bytes, seconds: float = 1.0) -> bytes:
        begin = len(console.heard)
        console.send(data)
        world.run_until(world.now_us + round(seconds * 1e6))
        return bytes(console.heard[begin:])

    send(b"", 0.6)
    yield send
    world.power_cut()


def test_lines_end_as_on_a_real_port(typed: Type) -> None:
    assert typed(BEGIN).endswith(b"raw REPL; CTRL-B to exit\r\n>")
    assert typed(b"print('a\\nb')\nprint('c', end=',')" + END) == b"OKa\r\nb\r\nc,\x04\x04>"
    error = typed(b"1 // 0" + END)
    assert error.startswith(b"OK\x04Traceback")
    assert error.endswith(b"ZeroDivisionError: divide by zero\r\n\x04>")
    assert b"\n" not in error.replace(b"\r\n", b"")


def test_bytes_written_to_the_port_stay_as_they_are(typed: Type) -> None:
    typed(BEGIN)
    assert b"OK1\n2" in typed(b"import sys\nsys.stdout.buffer.write(b'1\\n2')" + END)


def test_ctrl_c_ends_a_program_at_any_moment_unless_it_is_switched_off(typed: Type) -> None:
    typed(BEGIN)
    loop = b"import time\nwhile True:\n    time.ticks_ms()\n"
    assert typed(loop + END, 5) == b"OK"
    assert typed(b"lost\x03").endswith(b"KeyboardInterrupt: \r\n\x04>")
    assert typed(b"print('next')" + END) == b"OKnext\r\n\x04\x04>", "what waited before Ctrl-C is discarded"
    assert typed(b"import micropython\nmicropython.kbd_intr(-1)\n" + loop + END) == b"OK"
    assert typed(b"\x03\x03") == b""


def test_raw_paste_mode_grants_windows_and_takes_ctrl_c(typed: Type) -> None:
    typed(BEGIN)
    assert typed(b"\x05A\x01") == b"R\x01\x80\x00\x01"
    assert typed(b"print(1)" + END) == b"\x041\r\n\x04\x04>"
    typed(b"\x05A\x01")
    assert b"KeyboardInterrupt" in typed(b"half a program\x03")


@pytest.mark.parametrize(("keep", "fired"), [("kept = ", b"fired"), ("", b"")])
def test_a_timer_that_nothing_refers_to_stops_at_the_next_collection(typed: Type, keep: str, fired: bytes) -> None:
    typed(BEGIN)
    program = (
        "import gc, machine\n"
        "def begin():\n"
        "    timer = machine.Timer(-1)\n"
        "    timer.init(mode=machine.Timer.ONE_SHOT, period=3000, callback=lambda _: print('fired'))\n"
        "    return timer\n"
        f"{keep}begin()\n"
        "def use_the_stack(n):\n"
        "    return n and use_the_stack(n - 1)\n"
        "use_the_stack(20)\n"
        "gc.collect()\n"
    )
    typed(program.encode() + END)
    assert typed(b"", 5).strip() == fired

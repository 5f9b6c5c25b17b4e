"""Memory: what a board has to spare, measured on the real interpreter.

A heap of 100 KB on a 32-bit board is `heapsize=100wK` here: w doubles it, since objects are twice as large on 64 bit.
"""

from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
FAKES = Path(__file__).parent / "fakes"
OnBoard = Callable[..., str]

_BUILD = """
import gc
gc.threshold(16384)
import board, kept, start
cause = board.reset_cause()
hardware = board.Board()
memory = kept.Kept()
hardware.hold(True, True)
memory.begin()
desk = start.build(memory, hardware, cause)
"""


def test_firmware_imports_and_runs_in_100_kb(on_board: OnBoard) -> None:
    """Ten minutes of steps and link turns, every record encoded, with the heap at its limit."""
    code = (
        _BUILD
        + """
import io, tasks
from port import Port
from uplink_serial import SerialUplink
gc.threshold(-1)

class Sink:
    def __init__(self):
        self.lines = self.written = 0
    def put(self, line):
        assert line.endswith(b"\\n")
        self.lines += 1
    def flush(self):
        return 0
    def read_line(self):
        return said.pop(0) if said else None

said = []
now_ms = 0
tasks.ticks_ms = lambda: now_ms
desk.steps._last_ms = 0
link = SerialUplink(desk, Sink())
from groundbox.wire import line
said.append(line.encode("get", [desk.file.box, 1, "*"]))
said.append(line.encode("who", [desk.file.box, 2]))
least = gc.mem_free()
for step in range(6000):
    now_ms += 100
    desk.steps.step()
    link.turn()
    if step % 100 == 0:
        gc.collect()
        least = min(least, gc.mem_free())
assert link._port.lines > 700, link._port.lines
print(gc.mem_alloc() + gc.mem_free(), least, desk.outbox._slots)
"""
    )
    heap, least, slots = map(int, on_board(code, heap="100wK").split())
    assert heap <= 2 * 100 * 1024
    assert least > 8_000, "room to work in must be left"
    assert slots >= 60


_NO_ALLOCATION = (
    _BUILD
    + """
import micropython, tasks
now_ms = 0
tasks.ticks_ms = lambda: now_ms
steps = desk.steps
steps._last_ms = 0
timer = hardware._timer
tach = __import__("machine").irqs[20]

def measured():
    micropython.heap_lock()
    try:
        for _ in range(5):
            timer.callback(timer)
        tach(None)
        steps.step()
    finally:
        micropython.heap_unlock()

for _ in range(12):
    now_ms += 100
    steps.step()
before = desk.outbox.sequence
for _ in range(35):
    now_ms += 100
    measured()
print(desk.outbox.sequence - before, "readings without allocation")
"""
)


def test_a_step_allocates_nothing(on_board: OnBoard) -> None:
    """With the heap locked: sensing through board.py, control, driving, and the reading put into the outbox."""
    assert on_board(_NO_ALLOCATION) == "3 readings without allocation\n"


def test_a_step_allocates_nothing_on_the_32_bit_object_model(on_32_bit: OnBoard) -> None:
    no_random = "import os, kept; kept.os = type('', (), {'urandom': lambda count: bytes(count)})\n"
    printed = on_32_bit(no_random + _NO_ALLOCATION, FAKES, ROOT / "firmware", ROOT / "host")
    assert printed == "3 readings without allocation\n"

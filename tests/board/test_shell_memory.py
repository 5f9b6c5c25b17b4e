"""Memory: what a board has to spare, measured on the real interpreter from bytecode.

Bytecode of the same modules takes 119.2 KB on the emulated RP2040 and 186.6 KB here, where objects are twice as large
and their code is not: 1 KB of a board's heap is 1.57 KB here. With `heapsize=192wK` as much stays free here as on
RP2040, which has 245.9 KB: 53 KB with the modules of MQTT and all 600 records.
"""

from collections.abc import Callable
from pathlib import Path

FAKES = Path(__file__).parent / "fakes"
OnBoard = Callable[..., str]
BOARD_BYTE = 1.57  # bytes here for one of a board

_BUILD = """
import gc
gc.threshold(16384)
from drivers import board
from startup import saved_state, start
cause = board.reset_cause()
hardware = board.Board()
memory = saved_state.SavedState()
hardware.hold(True, True)
memory.begin(True)
desk = start.build(memory, hardware, cause)
"""


def test_firmware_imports_and_runs_in_150_kb(on_board: OnBoard) -> None:
    """Ten minutes of steps and link turns, every record encoded, with the heap at its limit."""
    code = (
        _BUILD
        + """
import io
from startup import tasks
from drivers.port import Port
from uplinks.serial_uplink import SerialUplink
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
said.append(line.encode("get", [desk.settings.box, 1, "*"]))
said.append(line.encode("who", [desk.settings.box, 2]))
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
    heap, least, slots = map(int, on_board(code, heap="116wK").split())
    assert heap <= 150 * 1024 * BOARD_BYTE
    assert least > 8_000, "room to work in must be left"
    assert slots >= 60


def test_a_day_of_summaries_does_not_delay_the_hello(on_board: OnBoard) -> None:
    code = (
        _BUILD
        + """
from startup.summary_task import SummaryTask
class Device:
    blocks = 3
    looks = 0
    def read_into(self, block, offset, buffer):
        self.looks += 1
device = Device()
task = SummaryTask(desk, device)
task.turn()
early = device.looks
desk.control.uptime_s = 2
task.turn()
print(early, device.looks > 0, desk.archive is not None)
"""
    )
    assert on_board(code, heap="192wK") == "0 True True\n"


def test_free_memory_is_that_after_a_collection(on_board: OnBoard) -> None:
    code = (
        _BUILD
        + """
from startup.tasks import Supervisor
supervisor = Supervisor(desk, [])
for _ in range(20):
    supervisor.round()
gc.collect()
free = gc.mem_free()
for _ in range(200):
    bytearray(100)
print(desk.health()[3] - free)
"""
    )
    assert abs(int(on_board(code, heap="192wK"))) < 4000


_NO_ALLOCATION = (
    _BUILD
    + """
import micropython
from startup import tasks
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


def test_a_step_allocates_nothing_on_the_32_bit_object_model(on_32_bit: OnBoard, compiled: Path) -> None:
    no_random = (
        "from startup import saved_state; saved_state.os = type('', (), {'urandom': lambda count: bytes(count)})\n"
    )
    printed = on_32_bit(no_random + _NO_ALLOCATION, FAKES, compiled)
    assert printed == "3 readings without allocation\n"


def test_with_mqtt_and_summaries_40_kb_of_an_rp2040_stay_free(on_board: OnBoard) -> None:
    """As above, with a broker that acknowledges, and a host that stores nothing, so that all buffers are full."""
    code = (
        """
import gc
gc.threshold(16384)
from binascii import crc32
text = b"broker 127.0.0.1\\nkey " + b"5a" * 32 + b"\\n"
with open("network", "wb") as file:
    file.write(text + b"check %08X\\n" % crc32(text))
from startup import start
new_mqtt, complaint = start.load_mqtt()
assert not complaint, complaint
"""
        + _BUILD
        + """
from startup import tasks
gc.threshold(-1)

class Stream:
    def __init__(self, *_):
        self.answers = b""
        self.sent = 0
    def connected(self):
        return True
    def read_into(self, view):
        count = min(len(view), len(self.answers))
        view[:count] = self.answers[:count]
        self.answers = self.answers[count:]
        return count
    def write(self, view):
        packet = bytes(view)
        self.sent += 1
        if packet[0] == 0x10:
            self.answers += b"\\x20\\x02\\x00\\x00"
        elif packet[0] == 0x82:
            self.answers += b"\\x90\\x03" + packet[2:4] + b"\\x01"
        elif packet[0] & 0xF0 == 0x30:
            at = 2 if packet[1] < 128 else 3
            at += 2 + (packet[at] << 8 | packet[at + 1])
            self.answers += b"\\x40\\x02" + packet[at : at + 2]
        return len(packet)
    def close(self):
        pass

stream = Stream()
now_ms = 0
tasks.ticks_ms = lambda: now_ms
desk.steps._last_ms = 0
desk.settings.values["radio_allowed"] = 1
_, keeper, link = [new() for new in start.links(desk, new_mqtt)]
link._connect = lambda *_: stream
least = gc.mem_free()
for step in range(6000):
    now_ms += 100
    desk.steps.step()
    keeper.turn()
    for _ in range(3):
        link.turn()
    if step % 100 == 0:
        gc.collect()
        least = min(least, gc.mem_free())
assert stream.sent > 600, stream.sent
print(least, desk.outbox._slots, desk.archive.segments.newest)
"""
    )
    least, slots, summaries = map(int, on_board(code, heap="192wK").split())
    assert least > 40 * 1024
    assert slots >= 540
    assert summaries >= 59

"""board.py and what it opens, on the real interpreter with still peripherals."""

from collections.abc import Callable

OnBoard = Callable[..., str]

_OPEN = """
import machine
from drivers.board import Board
from core.interface import Inputs, Outputs
from groundbox.wire.messages import UNKNOWN
from groundbox.wire.settings import defaults
from drivers.pins import PINS, RP2, ESP32
settings = defaults()
board = Board()
board.hold(True, False)
board.inputs = inputs = Inputs()
outputs = Outputs()
"""


def test_outputs_have_their_kept_state_from_the_first_moment(on_board: OnBoard) -> None:
    on_board(
        _OPEN
        + """
outputs.output2_on = 0
board.fit(settings)
board.sense(100)
board.drive(outputs)
assert machine.pins[PINS["outputs"][0]] == [0], machine.pins  # low is on
assert machine.pins[PINS["outputs"][1]] == [0], machine.pins  # low is off
outputs.output2_on = 1
board.drive(outputs)
assert machine.pins[PINS["outputs"][1]] == [0, 1]
"""
    )


def test_fans_run_full_until_the_first_drive_and_low_is_full(on_board: OnBoard) -> None:
    on_board(
        _OPEN
        + """
board.fit(settings)
drives = [machine.pwms[pin] for pin in PINS["fan_drives"] if pin in machine.pwms]
assert len(drives) == 2  # as many as are fitted
assert [drive.duty for drive in drives] == [0, 0]
for percent, duty in ((0, 65535), (50, 32768), (100, 0)):
    outputs.fan1_percent = percent
    board.drive(outputs)
    assert drives[0].duty == duty, drives[0].duty
assert drives[1].duty == 65535
"""
    )


def test_tachometer_pulses_are_counted_and_wrap(on_board: OnBoard) -> None:
    on_board(
        _OPEN
        + """
board.fit(settings)
tach = machine.irqs[PINS["fan_tachs"][1]]
for _ in range(65537):
    tach(None)
assert list(inputs.pulses) == [0, 1, 0, 0]
settings["fan2_tach"] = 0
board.fit(settings)
assert machine.irqs[PINS["fan_tachs"][1]] is None
"""
    )


def test_inputs_are_what_the_peripherals_say(on_board: OnBoard) -> None:
    on_board(
        _OPEN
        + """
board.fit(settings)
board.sense(100)
assert inputs.battery_raw == UNKNOWN  # not fitted: its pin is taken on many boards
settings["battery_sensor_kind"] = 1
board.fit(settings)
board.sense(100)
assert (inputs.monitor_bus, inputs.monitor_shunt) == (9584, 0x0640)
assert machine.registers[0] == 0x4527, hex(machine.registers[0])  # configured
assert (inputs.case_raw, inputs.intake_raw, inputs.battery_raw) == (32768, 32768, 32768)
assert inputs.button == 0
machine.pressed = 1
board.sense(100)
assert inputs.button == 1
(timer,) = machine.timers
assert timer.freq == board.sample_hz == 500
for _ in range(50):
    timer.callback(timer)
inputs.window.take()
assert (inputs.window.count, inputs.window.low, inputs.window.high) == (50, 43738, 43738)  # made even
"""
    )


def test_the_sample_rate_is_what_the_port_takes_and_a_change_counts_at_once(on_board: OnBoard) -> None:
    on_board(
        _OPEN
        + """
settings["sample_hz"] = 2000
board.fit(settings)
assert board.sample_hz == machine.timers[0].freq == RP2["most_sample_hz"]
settings["sample_hz"] = 200
board.fit(settings)
assert [timer.freq for timer in machine.timers] == [200] == [board.sample_hz]
settings["check_adc_fitted"] = 0
board.fit(settings)
assert machine.timers == [] and board.sample_hz == 10
"""
    )


def test_a_stranger_at_the_monitors_address_is_not_believed(on_board: OnBoard) -> None:
    on_board(
        _OPEN
        + """
machine.registers[0xFE] = 0x1234
board.fit(settings)
for _ in range(30):
    board.sense(100)
    assert inputs.monitor_bus == inputs.monitor_shunt == UNKNOWN
machine.registers[0xFE] = 0x5449
for _ in range(11):
    board.sense(100)
assert inputs.monitor_bus == 9584
del machine.registers[2]
board.sense(100)
assert inputs.monitor_bus == inputs.monitor_shunt == UNKNOWN
"""
    )


def test_humidity_is_read_where_it_is_fitted(on_board: OnBoard) -> None:
    """0x8000 is half of full scale, 50 % (HDC2080 data sheet, humidity formula)."""
    on_board(
        _OPEN
        + """
settings["humidity_fitted"] = 1
board.fit(settings)
for _ in range(30):
    board.sense(100)
    assert inputs.humidity_centi_percent == UNKNOWN
machine.humid.update({0x02: 0x00, 0x03: 0x80, 0xFC: 0x49, 0xFD: 0x54})
for _ in range(21):
    board.sense(100)
assert inputs.humidity_centi_percent == 5000
assert (machine.humid[0x0E], machine.humid[0x0F]) == (0x50, 0x01)
machine.humid[0x02] = machine.humid[0x03] = 0xFF
for _ in range(10):
    board.sense(100)
assert inputs.humidity_centi_percent == 9999
machine.humid.clear()
for _ in range(10):
    board.sense(100)
assert inputs.humidity_centi_percent == UNKNOWN
"""
    )


def test_a_1_wire_sensor_is_read_in_short_pieces(on_board: OnBoard) -> None:
    """25.0625 C is 0191 (DS18B20 data sheet, table of temperatures); three sensors in turn."""
    on_board(
        """
from drivers.probe import OneWireProbe
from groundbox.wire.messages import UNKNOWN

class Bus:
    def __init__(self):
        self.present = True
        self.took_us = 0
        self.answer = []
        self.converted_ms = None
    def reset(self):
        self.took_us += 1000
        return self.present
    def writebyte(self, value):
        self.took_us += 600
        if value == 0x44:
            self.converted_ms = now_ms
        elif value == 0xBE:
            assert now_ms - self.converted_ms >= 750
            self.answer = [0x91, 0x01, 0x4B, 0x46, 0x7F, 0xFF, 0x0F, 0x10, 0x25]
    def readbyte(self):
        self.took_us += 600
        return self.answer.pop(0)

from core.conversion import crc8
bus = Bus()
good = bytearray([0x91, 0x01, 0x4B, 0x46, 0x7F, 0xFF, 0x0F, 0x10, 0])
check = crc8(good, 8)
now_ms = 0
probe = OneWireProbe(bus)
read_at = []
for step in range(400):
    before = bus.took_us
    if bus.answer:
        bus.answer[-1] = check
    raw = probe.read(100, step % 3 == 0)
    assert bus.took_us - before <= 2500
    assert bus.took_us == before or step % 3 == 0
    if raw != UNKNOWN:
        assert raw == 0x0191
        read_at.append(now_ms)
    if step == 200:
        bus.present = False
    if step == 250:
        bus.present = True
    now_ms += 100
gaps = [b - a for a, b in zip(read_at, read_at[1:])]
assert len(read_at) > 12 and sorted(gaps)[-2] <= 2500, gaps
"""
    )


def test_both_pin_tables_are_complete_and_use_no_pin_twice(on_board: OnBoard) -> None:
    on_board(
        _OPEN
        + """
for table in (RP2, ESP32):
    assert set(table) == set(RP2)
    used = [table[name] for name in ("button", "lamp", "buzzer", "divider")] + list(table["i2c"][1:])
    for name in ("outputs", "onewire", "ntc", "fan_drives", "fan_tachs"):
        used += [pin for pin in table[name] if pin is not None]
    assert len(used) == len(set(used)), sorted(used)
"""
    )


_PORT = """
from drivers.port import Port

class Stream:
    def __init__(self, said=b""):
        self.said = said
        self.room = 10000
        self.heard = b""
    def read(self, count):
        got, self.said = self.said[:count], self.said[count:]
        return got
    def write(self, data):
        taken = bytes(data[: self.room])
        self.heard += taken
        self.room -= len(taken)
        return len(taken) or None

class Poll:
    def register(self, stream, mask):
        self.stream = stream
        self.mask = mask
    def ipoll(self, wait):
        return ((self.stream, self.mask),)

from drivers import port
port.select = type("", (), {"poll": Poll, "POLLIN": 1, "POLLOUT": 4})
"""


def test_the_port_keeps_no_more_of_a_line_than_the_longest_one(on_board: OnBoard) -> None:
    on_board(
        _PORT
        + """
reader = Stream(b"x" * 5000 + b"\\nshort\\n\\nhalf")
port = Port(reader, Stream(), 8)
lines = []
for _ in range(40):
    line = port.read_line()
    if line is not None:
        lines.append(line)
assert lines[0] == b"x" * 513, len(lines[0])  # one more than the longest: it fails as a line
assert lines[1:] == [b"short", b""]
"""
    )


def test_the_port_keeps_the_tail_of_a_write(on_board: OnBoard) -> None:
    on_board(
        _PORT
        + """
writer = Stream()
port = Port(Stream(), writer, 8)
line = bytes(range(32, 127)) + b"\\n"
port.put(line)
writer.room = 20
assert port.flush() == len(line) - 20
assert port.flush() == len(line) - 20
assert port.written == 20
writer.room = 1000
assert port.flush() == 0
assert writer.heard == line
"""
    )


def test_a_turn_of_the_link_ends_in_time_whatever_waits(on_board: OnBoard) -> None:
    """With a clock that moves 1 ms at each look: no turn looks more than ten times."""
    on_board(
        """
import gc
gc.threshold(16384)
from drivers import board
from startup import saved_state, start
from uplinks import serial_uplink
hardware = board.Board()
memory = saved_state.SavedState()
hardware.hold(True, True)
desk = start.build(memory, hardware, 0)
for _ in range(60):
    desk.control.event(1, 0)
looks = [0]
def ticks_ms():
    looks[0] += 1
    return looks[0]
serial_uplink.ticks_ms = ticks_ms

class Port:
    written = 0
    lines = 0
    def put(self, line):
        self.lines += 1
    def flush(self):
        return 0
    def read_line(self):
        return None

link = serial_uplink.SerialUplink(desk, Port())
turns = 0
while link.turn():
    assert looks[0] <= 10
    looks[0] = 0
    turns += 1
assert turns >= 5 and link._port.lines >= 60
"""
    )

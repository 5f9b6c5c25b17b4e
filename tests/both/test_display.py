"""The optional display: what it says, and that its driver begins again after silence."""

from bench import Box

from drivers.display import Display
from groundbox.wire.messages import MARKS, UNKNOWN

LAUNCH = MARKS.index("launch")


def shown(seconds=70, **changes):
    box = Box(display_fitted=1)
    box.run(2)
    for name in changes:
        setattr(box, name, changes[name])
    box.run(seconds)
    return lines(box)


def lines(box):
    text = bytes(box.control.outputs.text)
    return text[:16].replace(b"\xdf", b"*"), text[16:].replace(b"\xdf", b"*")


def test_nothing_known_is_dashes():
    assert shown(battery_mv=UNKNOWN, check_mv=UNKNOWN, case=UNKNOWN)[0] == b"--- min  --.-- V"
    assert shown(case=UNKNOWN) == (b"--- min  12.50 V", b"--*Csensor fault")


def test_minutes_volts_temperature():
    box = Box(display_fitted=1)
    box.battery_mv = 12050
    box.case = 3140
    box.run(2)
    for left_s, minutes in ((59, b"  0"), (60, b"  1"), (659, b" 10"), (7199, b"119"), (32000, b"533")):
        box.control.turn_back.give(100000, left_s, 0, 100)
        box.control.turn_back.hear()
        box.control.mark(LAUNCH)
        box.step(1)
        box.control.turn_back.left_s = left_s
        box.run(1)
        minutes_shown = bytes(box.control.outputs.text)[:3]
        assert minutes_shown in (minutes, b"%3d" % ((left_s - 1) // 60)), left_s
    assert lines(box)[0][3:] == b" min  12.05 V"
    assert lines(box)[1] == b"31*C            "


def test_cold_hot_and_long_words():
    assert shown(case=-1240, seconds=5)[1] == b"-12*C           "
    assert shown(case=-440, seconds=5)[1] == b"-4*C            "
    assert shown(case=10200, seconds=30)[1] == b"102*C   case hot"
    assert shown(battery_mv=15500, seconds=30)[1] == b"voltage too high"


def test_the_worst_warning_in_words():
    assert shown(battery_mv=11200)[1] == b"25*C battery low"
    assert shown(case=4600)[1] == b"46*C    case hot"
    assert shown(stuck=(1,), case=3600)[1] == b"36*C fan stalled"
    assert shown(button=1)[1] == b"   button jammed"
    assert shown(battery=5500, battery_ma=-3000, battery_mv=13800)[1] == b" battery too hot"
    assert shown(battery=-500, battery_ma=-3000, battery_mv=13800)[1] == b"battery too cold"


def test_time_to_return_comes_first():
    box = Box(display_fitted=1)
    box.battery_mv = 11200
    box.control.turn_back.give(100, 2, 0, 2000)
    box.control.mark(LAUNCH)
    box.run(40)
    assert lines(box) == (b"  0 min  11.20 V", b"25*C  return now")


def test_without_the_setting_nothing_is_written():
    box = Box()
    box.run(5)
    assert bytes(box.control.outputs.text) == bytes(32)


class Bus:
    def __init__(self):
        self.messages = []
        self.silent = False

    def writeto(self, address, buffer):
        if self.silent:
            raise OSError(5)
        self.messages.append((address, bytes(buffer)))


def test_a_start_then_each_second_both_lines_then_again_after_silence():
    bus = Bus()
    display = Display(bus)
    text = bytearray(b"A" * 32)
    for _ in range(18):
        display.step(100, text)
    assert [len(message) for _, message in bus.messages] == [2] * 4 + [4] * 4 + 2 * ([4] + [16] * 4)
    assert all(address == 0x27 for address, _ in bus.messages)
    first = bus.messages[8:]
    bus.messages = []
    for _ in range(10):
        display.step(100, text)
    assert bus.messages == first
    bus.silent = True
    display.step(100, text)
    bus.silent = False
    bus.messages = []
    for _ in range(9):
        display.step(100, text)
    assert bus.messages == []
    display.step(100, text)
    assert bus.messages == [(0x27, b"\x34\x30")]

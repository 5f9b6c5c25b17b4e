"""What the optional display shows: low minutes until turn-back, volts, case temperature, the worst warning in words.

Two lines of 16 characters, " 43 min  12.41 V" and "31°C battery low". An unknown figure is dashes. The words are those
that the host speaks; long ones take the place of the temperature.
"""

from groundbox.wire.messages import UNKNOWN
from micropython import const

_WIDTH = const(16)
_SHARED = const(12)  # words of so many characters have room beside the temperature
_DEGREE = const(0xDF)  # in the controller's Japanese character set (HD44780U data sheet, ROM code A00)
_BLANK = const(0x20)
_DASH = const(0x2D)
_ZERO = const(0x30)
_JAMMED = const(2)  # of messages.BUTTON_STATES
_COLD = const(2)  # of messages.CHARGE_STATES
_EMPTY = b"--- min  --.-- V--\xdfC            "
_RETURN = b"return now"
_BATTERY_LOW = b"battery low"
_CASE_HOT = b"case hot"
_FAN = b"fan stalled"
_SENSOR = b"sensor fault"
_BUTTON = b"button jammed"
_VOLTAGE = b"voltage too high"
_TOO_COLD = b"battery too cold"
_TOO_HOT = b"battery too hot"


def compose(text, control, returning_due, low_voltage, heat, fault, charge):
    """Fills `text`, a bytearray of 32, by core.control.Control and the four severities of its signals.

    `returning_due`: it is time to return.
    """
    for i in range(2 * _WIDTH):
        text[i] = _EMPTY[i]
    left_s = control.turn_back.left_s
    if left_s != UNKNOWN:
        _put(text, 3, left_s // 60, 3)
    reading = control.reading
    if reading.battery_mv != UNKNOWN:
        _put(text, 11, reading.battery_mv // 1000, 2)
        _put(text, 14, reading.battery_mv % 1000 // 10 + 100, 2)
    if reading.case_centi_c != UNKNOWN:
        degrees = (reading.case_centi_c + 50) // 100
        end = _WIDTH + (2 if -10 < degrees < 100 else 3)
        _put(text, end, degrees, end - _WIDTH)
        text[end] = _DEGREE
        text[end + 1] = 0x43
    worst = max(low_voltage, heat, fault, charge)
    if returning_due:
        words = _RETURN
    elif not worst:
        return
    elif low_voltage == worst:
        words = _BATTERY_LOW
    elif heat == worst:
        words = _CASE_HOT
    elif fault == worst:
        words = _FAN if control.fans.fault else _BUTTON if control.button.state == _JAMMED else _SENSOR
    elif control.watch.overvoltage:
        words = _VOLTAGE
    else:
        words = _TOO_COLD if control.watch.charging == _COLD else _TOO_HOT
    if len(words) > _SHARED:
        for i in range(_WIDTH, 2 * _WIDTH):
            text[i] = _BLANK
    for i in range(len(words)):
        text[2 * _WIDTH - len(words) + i] = words[i]


def _put(text, end, number, width):
    """Puts a whole number before `end`, in `width` places: its last digits, a minus, blanks."""
    digits = abs(number)
    first = end - width
    for at in range(end - 1, first - 1, -1):
        if digits or at == end - 1:
            text[at] = _ZERO + digits % 10
            digits //= 10
        else:
            text[at] = _DASH if number < 0 else _BLANK
            number = 0

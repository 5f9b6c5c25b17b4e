"""The registry: every message between board and host, once, for both interpreters.

From it come the board's records and encoder, the host's decoder, the database columns, the JSON form and the table in
README.md. Plain tuples only: MicroPython has no dataclasses or enum.

A message is (name, sender, kept, fields). `sender` is "board" or "host". A kept message is a record: the board numbers
it and holds it until the host says "stored".

A field is (name, code, low, high, meaning), the unit in the name. Codes:
    "h", "i"   whole number, 16 or 32 bits in the board's record (struct codes)
    "q"        whole number too large for a record cell; made when the message is sent
    "s"        word of printable characters without space or separators; low and high are its lengths
    a tuple    one word out of it; its index in the record, the word on the line, in JSON and in the database

Unknown is UNKNOWN in a record, "~" on the line, null in JSON, NULL in the database, and never 0.
"""

from binascii import crc32

UNKNOWN = -32768

LEVELS = ("clear", "notice", "urgent", "stop")
SENSOR_STATES = ("ok", "open", "shorted", "range", "frozen", "disagree", "silent", "absent")
FAN_STATES = ("absent", "off", "starting", "running", "stalled", "unsupervised")
OUTPUT_STATES = ("absent", "on", "off", "dropped")
CHARGE_STATES = ("no", "yes", "cold", "warm", "hot")
PLACES = ("ground", "flight")
RESET_CAUSES = ("power", "watchdog", "soft", "maintenance", "other")
MARKS = ("launch", "landing", "charge", "swap")
RESULTS = ("ok", "refused", "unknown")
SWITCH = ("on", "off")
CHANNELS = ("battery", "check", "current", "case", "block", "intake")
EVENTS = (
    "started",  # value: index of the reset cause
    "launch",  # marked at the board's button or by command
    "landing",
    "charge",
    "swap",
    "silenced",  # a person pressed the button to quiet the buzzer
    "output1_dropped",  # value: battery voltage in units of 10 mV
    "output2_dropped",
    "output1_on",
    "output2_on",
    "output1_off",
    "output2_off",
    "settings_changed",
    "settings_fallback",  # the newest settings file was damaged; the last good one is in force
    "link_restarted",  # the link task hung and was started again
)

_BOARD_HEAD = (
    ("box", "s", 1, 16, "the box that speaks"),
    ("boot", "i", 0, 1 << 29, "counts the board's starts"),
    ("sequence", "i", 0, 1 << 29, "number of the record since this start; elsewhere that of the newest record"),
)
_HOST_HEAD = (
    ("box", "s", 1, 16, "the box spoken to; * is whoever hears it"),
    ("command", "i", 0, 1 << 29, "the host's number for this command, given back in the answer"),
)
_UPTIME = ("uptime_ms", "q", 0, 1 << 53, "milliseconds since this start")


def _fans(
    suffix: str, code: str | tuple[str, ...], low: int, high: int, meaning: str
) -> tuple[tuple[str, str | tuple[str, ...], int, int, str], ...]:
    return tuple(("fan%d_%s" % (n, suffix), code, low, high, meaning % n) for n in (1, 2, 3, 4))


_MEASURED = (
    _UPTIME,
    ("battery_mv", "h", 0, 32000, "voltage at the battery, mean since the last reading"),
    ("battery_min_mv", "h", 0, 32000, "lowest fast sample since the last reading"),
    ("battery_max_mv", "h", 0, 32000, "highest fast sample since the last reading"),
    ("check_mv", "h", 0, 32000, "the same voltage by the second way, mean"),
    ("battery_ma", "h", -32000, 32000, "current, positive on discharge, mean"),
    ("battery_min_ma", "h", -32000, 32000, "lowest current since the last reading"),
    ("battery_max_ma", "h", -32000, 32000, "highest current since the last reading"),
    ("case_centi_c", "h", -4000, 12500, "air in the case"),
    ("battery_centi_c", "h", -4000, 12500, "the battery's block"),
    ("intake_centi_c", "h", -4000, 12500, "air drawn in"),
    ("humidity_centi_percent", "h", 0, 10000, "relative humidity in the case"),
)
_STATES = (
    ("battery_sensor", SENSOR_STATES, 0, 0, "the primary voltage"),
    ("check_sensor", SENSOR_STATES, 0, 0, "the second voltage"),
    ("current_sensor", SENSOR_STATES, 0, 0, "the current"),
    ("case_sensor", SENSOR_STATES, 0, 0, "the case temperature"),
    ("block_sensor", SENSOR_STATES, 0, 0, "the battery block's temperature"),
    ("intake_sensor", SENSOR_STATES, 0, 0, "the intake temperature"),
    ("output1", OUTPUT_STATES, 0, 0, "switched output 1"),
    ("output2", OUTPUT_STATES, 0, 0, "switched output 2"),
    ("low_voltage", LEVELS, 0, 0, "low-voltage level the board signals"),
    ("overvoltage", LEVELS, 0, 0, "overvoltage level the board signals: clear or stop"),
    ("case_heat", LEVELS, 0, 0, "case temperature level the board signals"),
    ("charging", CHARGE_STATES, 0, 0, "no; yes; block too cold or warm to charge, too hot to go on"),
    ("place", PLACES, 0, 0, "ground, or flight between marked launch and landing"),
    ("worst_step_us", "i", 0, 1 << 29, "longest sensing and control step since the last reading"),
)
_READING = (
    _MEASURED
    + _fans("rpm", "h", 0, 30000, "speed of fan %d")
    + _fans("percent", "h", 0, 100, "drive commanded to fan %d")
    + _fans("state", FAN_STATES, 0, 0, "what fan %d does")
    + _STATES
)

MESSAGES = (
    (
        "hello",
        "board",
        False,
        _BOARD_HEAD
        + (
            ("firmware", "s", 1, 16, "firmware version"),
            ("registry", "s", 8, 8, "checksum of this registry, 8 hexadecimal digits"),
            ("settings", "s", 8, 8, "checksum of the settings in force"),
            ("board", "s", 1, 32, "kind of board"),
            ("reset_cause", RESET_CAUSES, 0, 0, "why the board started"),
            ("sample_hz", "h", 1, 2000, "fast voltage samples a second that this port keeps up with"),
            ("oldest_sequence", "i", 0, 1 << 29, "oldest record still held; what was before is lost"),
            _UPTIME,
        ),
    ),
    ("reading", "board", True, _BOARD_HEAD + _READING),
    (
        "event",
        "board",
        True,
        _BOARD_HEAD
        + (
            _UPTIME,
            ("kind", EVENTS, 0, 0, "what happened"),
            ("value", "h", -32767, 32767, "its number where it has one"),
        ),
    ),
    (
        "health",
        "board",
        False,
        _BOARD_HEAD
        + (
            ("free_heap_bytes", "i", 0, 1 << 29, "memory left on the board"),
            ("worst_step_us", "i", 0, 1 << 29, "longest sensing and control step since the start"),
            ("late_steps", "i", 0, 1 << 29, "control steps that began more than half a period late"),
            ("dropped_records", "i", 0, 1 << 29, "records overwritten before the host had stored them"),
            ("bad_lines", "i", 0, 1 << 29, "damaged lines heard from the host"),
            ("link_restarts", "i", 0, 1 << 29, "times the link task was started again"),
        ),
    ),
    (
        "clock",
        "board",
        False,
        _BOARD_HEAD
        + (
            ("command", "i", 0, 1 << 29, "the number of the host's question"),
            _UPTIME,
        ),
    ),
    (
        "answer",
        "board",
        False,
        _BOARD_HEAD
        + (
            ("command", "i", 0, 1 << 29, "the number of the host's command"),
            ("result", RESULTS, 0, 0, "what became of it"),
            ("setting", "s", 1, 32, "the setting or thing concerned"),
            ("value", "s", 1, 32, "its value now"),
            ("low", "i", -(1 << 29), 1 << 29, "lowest value compiled in"),
            ("high", "i", -(1 << 29), 1 << 29, "highest value compiled in"),
            ("reason", "s", 1, 80, "why it was refused, words joined by underscores"),
        ),
    ),
    ("who", "host", False, _HOST_HEAD),
    ("ask_clock", "host", False, _HOST_HEAD),
    (
        "stored",
        "host",
        False,
        _HOST_HEAD
        + (
            ("stored_boot", "i", 0, 1 << 29, "the start these records belong to"),
            ("stored_sequence", "i", 0, 1 << 29, "every record up to this one is on the host's disk"),
        ),
    ),
    (
        "resend",
        "host",
        False,
        _HOST_HEAD
        + (
            ("from_sequence", "i", 0, 1 << 29, "first record wanted, of the present start"),
            ("to_sequence", "i", 0, 1 << 29, "last record wanted"),
        ),
    ),
    ("get", "host", False, _HOST_HEAD + (("setting", "s", 1, 32, "name of the setting, or * for all"),)),
    (
        "set",
        "host",
        False,
        _HOST_HEAD
        + (
            ("setting", "s", 1, 32, "name of the setting"),
            ("value", "s", 1, 32, "new value"),
        ),
    ),
    (
        "calibrate",
        "host",
        False,
        _HOST_HEAD
        + (
            ("channel", CHANNELS, 0, 0, "what is being calibrated"),
            ("point", "h", 1, 2, "first or second point"),
            ("true_value", "h", -32000, 32000, "what a trusted instrument shows now, in the channel's unit"),
        ),
    ),
    ("silence", "host", False, _HOST_HEAD),
    ("mark", "host", False, _HOST_HEAD + (("kind", MARKS, 0, 0, "what a person did"),)),
    (
        "switch",
        "host",
        False,
        _HOST_HEAD
        + (
            ("output", "h", 1, 2, "which output"),
            ("want", SWITCH, 0, 0, "on or off"),
        ),
    ),
    ("maintenance", "host", False, _HOST_HEAD),
)

BY_NAME = {message[0]: message for message in MESSAGES}


def fields_of(name: str) -> tuple[tuple[str, str | tuple[str, ...], int, int, str], ...]:
    """Tuple of the fields of message `name`; KeyError for a name that is not in the registry."""
    return BY_NAME[name][3]


def checksum() -> str:
    """Eight hexadecimal digits over names, codes and ranges: equal digits, and board and host understand each other."""
    crc = 0
    for name, sender, kept, fields in MESSAGES:
        crc = crc32(("%s,%s,%d;" % (name, sender, kept)).encode(), crc)
        for field, code, low, high, _ in fields:
            kind = code if isinstance(code, str) else "/".join(code)
            crc = crc32(("%s,%s,%d,%d;" % (field, kind, low, high)).encode(), crc)
    return "%08X" % (crc & 0xFFFFFFFF)

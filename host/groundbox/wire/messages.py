"""The registry: every message between board and host, once, for both interpreters.

From it come the board's records and encoder, the host's decoder, the database columns, the JSON form and the table in
README.md. Plain tuples only: MicroPython has no dataclasses or enum.

A message is (name, sender, kept, fields). `sender` is "board" or "host". A kept message is a record: the board numbers
it and holds it until the host says "stored".

A field is (name, code, low, high), the unit in the name; its meaning is in meanings.py, which stays on the host
(text costs memory on the board). Codes:
    "h", "i"   whole number, 16 or 32 bits in the board's record (struct codes)
    "q"        whole number too large for a record cell; made when the message is sent
    "s"        word of printable characters without space or separators; low and high are its lengths
    a tuple    one word out of it; its index in the record, the word on the line, in JSON and in the database

Unknown is UNKNOWN in a record, "~" on the line, null in JSON, NULL in the database, and never 0.
"""

from binascii import crc32

UNKNOWN = -32768

LEVELS = ("clear", "notice", "urgent", "stop")
SENSOR_STATES = (
    "ok",
    "open",
    "shorted",
    "range",
    "frozen",
    "disagree",
    "silent",
    "absent",
    "intermittent",
    "implausible",
)
FAN_STATES = ("absent", "off", "starting", "running", "stalled", "unsupervised", "too_fast", "runs_on")
OUTPUT_STATES = ("absent", "on", "off", "shed", "shed_soon", "starting")
BUTTON_STATES = ("released", "pressed", "jammed")
CHARGE_STATES = ("no", "yes", "cold", "warm", "hot")
PLACES = ("ground", "flight")
RESET_CAUSES = ("power", "watchdog", "soft", "maintenance", "other")
MARKS = ("launch", "landing", "returning", "charge", "swap")
RESULTS = ("ok", "refused", "unknown")
SWITCH = ("on", "off")
CONFIRMED = ("no", "yes")
TRIED = ("fan1", "fan2", "fan3", "fan4", "lamp", "buzzer")
CHANNELS = ("voltage", "check", "current", "case", "battery", "intake")
EVENTS = (
    "started",  # value: index of the reset cause
    "launch",  # marked at the board's button, or by command: then value is 1, as for every mark
    "landing",
    "charge",
    "swap",
    "silenced",  # a person pressed the button to quiet the buzzer
    "output2_shed",  # value: battery voltage in units of 10 mV
    "output1_on",
    "output2_on",
    "output1_off",
    "output2_off",
    "settings_changed",
    "settings_fallback",  # stored settings are damaged or contradict: earlier ones, or defaults of these, are in force
    "link_restarted",  # the link task hung and was started again
    "returning",  # the pilot is returning: a short press in flight, or a mark by command; once a flight
    "control_failed",  # a judgement ended with an error: fans full, a reset when it lasts
    "starved",  # two starts from power loss, each after less than 60 s: output 2 is shed
)

_BOARD_HEAD = (
    ("box", "s", 1, 16),
    ("boot", "i", 0, 1 << 29),
    ("sequence", "i", 0, 1 << 29),
)
_HOST_HEAD = (
    ("box", "s", 1, 16),
    ("command", "i", 0, 1 << 29),
)
_UPTIME = ("uptime_ms", "q", 0, 1 << 53)


def _fans(
    suffix: str, code: str | tuple[str, ...], low: int, high: int
) -> tuple[tuple[str, str | tuple[str, ...], int, int], ...]:
    return tuple(("fan%d_%s" % (n, suffix), code, low, high) for n in (1, 2, 3, 4))


_MEASURED = (
    _UPTIME,
    ("battery_mv", "h", 0, 32000),
    ("battery_min_mv", "h", 0, 32000),
    ("battery_max_mv", "h", 0, 32000),
    ("check_mv", "h", 0, 32000),
    ("battery_ma", "h", -32000, 32000),
    ("battery_min_ma", "h", -32000, 32000),
    ("battery_max_ma", "h", -32000, 32000),
    ("case_centi_c", "h", -4000, 12500),
    ("battery_centi_c", "h", -4000, 12500),
    ("intake_centi_c", "h", -4000, 12500),
    ("humidity_centi_percent", "h", 0, 10000),
)
_STATES = (
    ("voltage_sensor", SENSOR_STATES, 0, 0),
    ("check_sensor", SENSOR_STATES, 0, 0),
    ("current_sensor", SENSOR_STATES, 0, 0),
    ("case_sensor", SENSOR_STATES, 0, 0),
    ("battery_sensor", SENSOR_STATES, 0, 0),
    ("intake_sensor", SENSOR_STATES, 0, 0),
    ("output1", OUTPUT_STATES, 0, 0),
    ("output2", OUTPUT_STATES, 0, 0),
    ("low_voltage", LEVELS, 0, 0),
    ("overvoltage", LEVELS, 0, 0),
    ("case_heat", LEVELS, 0, 0),
    ("battery_heat", LEVELS, 0, 0),
    ("charging", CHARGE_STATES, 0, 0),
    ("place", PLACES, 0, 0),
    ("turn_back_s", "h", 0, 32000),
    ("button", BUTTON_STATES, 0, 0),
    ("worst_step_us", "i", 0, 1 << 29),
)
_READING = (
    _MEASURED + _fans("rpm", "h", 0, 30000) + _fans("percent", "h", 0, 100) + _fans("state", FAN_STATES, 0, 0) + _STATES
)

_SUMMED = (
    _UPTIME,
    ("number", "i", 1, 1 << 29),
    ("readings", "h", 1, 1000),
    ("battery_mv", "h", 0, 32000),
    ("battery_min_mv", "h", 0, 32000),
    ("battery_max_mv", "h", 0, 32000),
    ("battery_ma", "h", -32000, 32000),
    ("battery_min_ma", "h", -32000, 32000),
    ("battery_max_ma", "h", -32000, 32000),
    ("case_centi_c", "h", -4000, 12500),
    ("battery_centi_c", "h", -4000, 12500),
    ("intake_centi_c", "h", -4000, 12500),
    ("humidity_centi_percent", "h", 0, 10000),
)
_SUMMED_STATES = (
    ("voltage_sensor", SENSOR_STATES, 0, 0),
    ("case_sensor", SENSOR_STATES, 0, 0),
    ("output1", OUTPUT_STATES, 0, 0),
    ("output2", OUTPUT_STATES, 0, 0),
    ("low_voltage", LEVELS, 0, 0),
    ("overvoltage", LEVELS, 0, 0),
    ("case_heat", LEVELS, 0, 0),
    ("charging", CHARGE_STATES, 0, 0),
    ("place", PLACES, 0, 0),
)
_SUMMARY = _SUMMED + _fans("state", FAN_STATES, 0, 0) + _SUMMED_STATES

MESSAGES = (
    (
        "hello",
        "board",
        False,
        _BOARD_HEAD
        + (
            ("firmware", "s", 1, 16),
            ("registry", "s", 8, 8),
            ("settings", "s", 8, 8),
            ("board", "s", 1, 32),
            ("reset_cause", RESET_CAUSES, 0, 0),
            ("sample_hz", "h", 1, 2000),
            ("oldest_sequence", "i", 0, 1 << 29),
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
            ("kind", EVENTS, 0, 0),
            ("value", "h", -32767, 32767),
        ),
    ),
    ("summary", "board", False, _BOARD_HEAD + _SUMMARY),
    (
        "health",
        "board",
        False,
        _BOARD_HEAD
        + (
            ("free_heap_bytes", "i", 0, 1 << 29),
            ("worst_step_us", "i", 0, 1 << 29),
            ("late_steps", "i", 0, 1 << 29),
            ("dropped_records", "i", 0, 1 << 29),
            ("bad_lines", "i", 0, 1 << 29),
            ("link_restarts", "i", 0, 1 << 29),
            ("lost_summaries", "i", 0, 1 << 29),
        ),
    ),
    (
        "clock",
        "board",
        False,
        _BOARD_HEAD
        + (
            ("command", "i", 0, 1 << 29),
            _UPTIME,
        ),
    ),
    (
        "answer",
        "board",
        False,
        _BOARD_HEAD
        + (
            ("command", "i", 0, 1 << 29),
            ("result", RESULTS, 0, 0),
            ("setting", "s", 1, 32),
            ("value", "s", 1, 32),
            ("low", "i", -(1 << 29), 1 << 29),
            ("high", "i", -(1 << 29), 1 << 29),
            ("reason", "s", 1, 120),
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
            ("stored_boot", "i", 0, 1 << 29),
            ("stored_sequence", "i", 0, 1 << 29),
        ),
    ),
    ("summary_stored", "host", False, _HOST_HEAD + (("number", "i", 1, 1 << 29),)),
    (
        "resend",
        "host",
        False,
        _HOST_HEAD
        + (
            ("from_sequence", "i", 0, 1 << 29),
            ("to_sequence", "i", 0, 1 << 29),
        ),
    ),
    ("get", "host", False, _HOST_HEAD + (("setting", "s", 1, 32),)),
    (
        "set",
        "host",
        False,
        _HOST_HEAD
        + (
            ("setting", "s", 1, 32),
            ("value", "s", 1, 32),
            ("confirmed", CONFIRMED, 0, 0),
        ),
    ),
    (
        "calibrate",
        "host",
        False,
        _HOST_HEAD
        + (
            ("channel", CHANNELS, 0, 0),
            ("point", "h", 1, 2),
            ("true_value", "h", -32000, 32000),
        ),
    ),
    ("silence", "host", False, _HOST_HEAD),
    ("mark", "host", False, _HOST_HEAD + (("kind", MARKS, 0, 0),)),
    (
        "switch",
        "host",
        False,
        _HOST_HEAD
        + (
            ("output", "h", 1, 2),
            ("want", SWITCH, 0, 0),
            ("confirmed", CONFIRMED, 0, 0),
        ),
    ),
    (
        "budget",  # every value unknown: the board is to forget its own
        "host",
        False,
        _HOST_HEAD
        + (
            ("charge_mah", "i", 0, 100000),
            ("turn_back_s", "i", 0, 86400),
            ("home_s", "h", 0, 14400),
            ("load_ma", "h", 1, 32000),
        ),
    ),
    (
        "battery_table",
        "host",
        False,
        _HOST_HEAD
        + (
            ("load_ma", "h", 1, 32000),
            ("resistance_mohm", "h", 1, 1000),
            ("home_s", "h", 0, 14400),
        )
        + tuple(("point%d_%s" % (n, unit), "h", 0, 32000) for n in (1, 2, 3, 4, 5) for unit in ("mv", "s")),
    ),
    ("maintenance", "host", False, _HOST_HEAD),
    ("keep", "host", False, _HOST_HEAD),
    (
        "try_out",
        "host",
        False,
        _HOST_HEAD
        + (
            ("part", TRIED, 0, 0),
            ("percent", "h", 1, 100),
            ("seconds", "h", 1, 30),
        ),
    ),
)

BY_NAME = {message[0]: message for message in MESSAGES}


def fields_of(name: str) -> tuple[tuple[str, str | tuple[str, ...], int, int], ...]:
    """Tuple of the fields of message `name`; KeyError for a name that is not in the registry."""
    return BY_NAME[name][3]


def checksum() -> str:
    """Eight hexadecimal digits over names, codes and ranges: equal digits, and board and host understand each other."""
    crc = 0
    for name, sender, kept, fields in MESSAGES:
        crc = crc32(("%s,%s,%d;" % (name, sender, kept)).encode(), crc)
        for field, code, low, high in fields:
            kind = code if isinstance(code, str) else "/".join(code)
            crc = crc32(("%s,%s,%d,%d;" % (field, kind, low, high)).encode(), crc)
    return "%08X" % (crc & 0xFFFFFFFF)

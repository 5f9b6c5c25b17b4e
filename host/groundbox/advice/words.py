"""Spans, clock times and voltages as a person in a hurry reads them."""

from collections.abc import Iterable
from datetime import datetime

CHARGE_CAUTIONS = (
    "charge with the battery out of the box or the lid wide open, in the open air, away from sparks and flames",
    "lead-acid batteries give off hydrogen; fans do not make a closed box safe to charge in",
    "never charge a frozen, swollen or leaking battery, and keep a fuse in the lead",
)


def span(seconds: float) -> str:
    """ "40 s", "12 min", "3 h 05 min"; rounded down, so that a promise is never longer than it is."""
    whole = max(int(seconds), 0)
    if whole < 120:
        return f"{whole} s"
    minutes = whole // 60
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def clock(wall_s: float) -> str:
    """The time of day "14:32" here, rounded down to the minute."""
    return datetime.fromtimestamp(wall_s).strftime("%H:%M")


def volts(value: float | None, digits: int = 1) -> str:
    """ "11.9 V", or "no reading"."""
    return "no reading" if value is None else f"{value:.{digits}f} V"


def celsius(value: float | None) -> str:
    """ "41 C", or "no reading"."""
    return "no reading" if value is None else f"{value:.0f} C"


def listed(names: Iterable[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    words = list(names)
    return " and ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))

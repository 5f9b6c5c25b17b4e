"""Figures as a person reads and hears them: spans, clock times, volts, temperatures. Rounded to the safe side."""

from collections.abc import Iterable
from datetime import datetime

from groundbox.advice.limits import COARSE_ABOVE_S, COARSE_STEP_S, FINE_STEP_S

CHARGE_CAUTIONS = (
    "Charge with the battery out of the box or the lid wide open, in the open air, away from sparks and flames",
    "Lead-acid batteries give off hydrogen; fans do not make a closed box safe to charge in",
    "Never charge a frozen, swollen or leaking battery, and keep a fuse in the lead",
)
CHARGE_WITH_CARE = "outdoors, out of the box, no sparks near"
CHARGE_FITTED_WITH_CARE = "outdoors, lid wide open, no sparks near"  # a battery whose box runs meanwhile
_ONES = (
    *("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"),
    *("thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"),
)
_TENS = ("", "", "twenty", "thirty", "forty", "fifty")


def rounded_down_s(seconds: float) -> float:
    """A span as it is shown: whole steps of 5 min above 30 min, else of 1 min; never below 0."""
    step = COARSE_STEP_S if seconds > COARSE_ABOVE_S else FINE_STEP_S
    return max(seconds // step * step, 0.0)


def span(seconds: float) -> str:
    """A span to rely on, rounded down: "25 min", "2 h 05 min", "0 min"."""
    minutes = int(rounded_down_s(seconds) // 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def needed(seconds: float) -> str:
    """A span that is needed, rounded up to the minute: "50 min"."""
    return f"{-int(-max(seconds, 0.0) // 60)} min"


def age(seconds: float) -> str:
    """How long ago, to the second below two minutes: "14 s", "12 min", "3 h 05 min"."""
    whole = max(int(seconds), 0)
    if whole < 120:
        return f"{whole} s"
    minutes = whole // 60
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def clock(wall_s: float) -> str:
    """The time of day here, rounded down to the minute: "14:32"."""
    return datetime.fromtimestamp(wall_s).strftime("%H:%M")


def iso(wall_s: float | None) -> str | None:
    """A wall time as ISO 8601 with this computer's offset, to the second; None for None."""
    return None if wall_s is None else datetime.fromtimestamp(wall_s).astimezone().isoformat(timespec="seconds")


def volts(value: float | None, digits: int = 1) -> str:
    """ "11.9 V", or "no reading"."""
    return "no reading" if value is None else f"{value:.{digits}f} V"


def celsius(value: float | None) -> str:
    """ "41 °C", or "no reading"."""
    return "no reading" if value is None else f"{value:.0f} °C"


def listed(names: Iterable[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    words = list(names)
    return " and ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))


def spoken_number(number: int) -> str:
    """0 to 59 in words: "thirty-five"."""
    if number < len(_ONES):
        return _ONES[number]
    tens, ones = divmod(number, 10)
    return f"{_TENS[tens]}-{_ONES[ones]}" if ones else _TENS[tens]


def spoken_clock(wall_s: float) -> str:
    """The time of day in words: "fourteen thirty-five", "nine oh five", "twenty hundred"."""
    time = datetime.fromtimestamp(wall_s)
    hour = spoken_number(time.hour)
    if time.minute == 0:
        return f"{hour} hundred"
    return f"{hour} oh {_ONES[time.minute]}" if time.minute < 10 else f"{hour} {spoken_number(time.minute)}"

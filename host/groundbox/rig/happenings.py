"""What people and fate do to a simulated box, as plain data: a thing, and what becomes of it, at a time.

| thing | becomes |
|---|---|
| `fan1` .. `fan4` | sound, stalled, slow, tach_dead |
| `tach_leads` | right, crossed: the tachometers of fans 1 and 2 |
| `case`, `intake`, `battery` | sound, open, shorted, frozen: that temperature sensor |
| `case_drift_c`, `intake_drift_c`, `battery_drift_c` | kelvin added to what it shows |
| `check_error_volts` | added to what the divider shows |
| `reference_error_percent` | how much too high the converter's reference is; the divider then shows too little |
| `monitor` | sound, silent |
| `fuse` | sound, open |
| `extra_ohm` | resistance of a bad connector at the battery |
| `sag_volts` | volts the battery gives less than it should |
| `blocked` | share of the filter's area lost, 0 to 0.98 |
| `charger_amps`, `charger_volts` | 0 A is unplugged |
| `button` | pressed, released |
| the name of a load | on, off, auto (its own pattern) |

What befalls the board itself stands in board_faults.py.
"""

from collections.abc import Callable
from dataclasses import dataclass

from groundbox.errors import BadInput
from groundbox.rig import fans, senses
from groundbox.rig.box import Box
from groundbox.rig.loads import Load

Value = str | float
_HANDS = {"on": True, "off": False, "auto": None}  # a person's hand on a load's switch


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """At `at_s` of simulated time, `thing` becomes `value`; see the table above."""

    at_s: float
    thing: str
    value: Value


def happen(box: Box, thing: str, value: Value) -> None:
    """Makes `thing` of the box become `value`.

    Raises:
        BadInput: no such thing in this box, or it cannot become that.
    """
    numbers = _numbers(box)
    words = _words(box)
    if thing in numbers:
        low, high, put = numbers[thing]
        if isinstance(value, str) or not low <= value <= high:
            raise BadInput(box.settings.name, thing, f"is {value!r}; wants a number from {low:g} to {high:g}")
        put(float(value))
    elif thing in words:
        allowed, choose = words[thing]
        if value not in allowed:
            raise BadInput(box.settings.name, thing, f"is {value!r}; wants one of {', '.join(allowed)}")
        choose(str(value))
    else:
        raise BadInput(box.settings.name, thing, f"is not a thing of this box; it has {', '.join([*words, *numbers])}")


def _numbers(box: Box) -> dict[str, tuple[float, float, Callable[[float], None]]]:
    found: dict[str, tuple[float, float, Callable[[float], None]]] = {
        "check_error_volts": (-5, 5, _to(box.senses, "check_error_volts")),
        "reference_error_percent": (-20, 20, _to(box.senses, "reference_error_percent")),
        "sag_volts": (0, 14, _to(box, "sag_volts")),
        "extra_ohm": (0, 10, _to(box, "extra_ohm")),
        "blocked": (0, 0.98, _to(box, "blocked")),
        "charger_amps": (0, 30, _to(box.charger, "amps")),
        "charger_volts": (10, 17, _to(box.charger, "volts")),
    }
    found |= {f"{name}_drift_c": (-100, 100, _to(probe, "drift_c")) for name, probe in box.senses.probes.items()}
    return found


def _words(box: Box) -> dict[str, tuple[tuple[str, ...], Callable[[str], None]]]:
    found: dict[str, tuple[tuple[str, ...], Callable[[str], None]]] = {
        "monitor": (("sound", "silent"), _flag(box.senses, "monitor_silent", "silent")),
        "fuse": (("sound", "open"), _flag(box, "fuse_open", "open")),
        "button": (("pressed", "released"), _flag(box, "button_pressed", "pressed")),
    }
    if len(box.fans) > 1:
        found["tach_leads"] = (("right", "crossed"), _flag(box, "tach_leads_crossed", "crossed"))
    found |= {f"fan{i}": (fans.FAULTS, _to(fan, "fault")) for i, fan in enumerate(box.fans, 1)}
    found |= {name: (senses.FAULTS, _to(probe, "fault")) for name, probe in box.senses.probes.items()}
    return found | {name: (tuple(_HANDS), _hand(load)) for name, load in box.loads.items()}


def _hand(load: Load) -> Callable[[str], None]:
    def turn(word: str) -> None:
        load.wanted = _HANDS[word]

    return turn


def _to(owner: object, name: str) -> Callable[[object], None]:
    return lambda value: setattr(owner, name, value)


def _flag(owner: object, name: str, word: str) -> Callable[[str], None]:
    return lambda value: setattr(owner, name, value == word)

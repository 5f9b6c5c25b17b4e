"""Changes of a simulated box and its board, as plain data: at a time, a thing becomes a value.

| thing | becomes |
|---|---|
| `fan1` .. `fan4` | ok, stalled, slow, no_tach, noisy_tach (ten times the full speed), runs_on (also without drive) |
| `tach_leads` | ok, crossed: the tachometers of fans 1 and 2 |
| `case`, `intake`, `battery` | ok, open, shorted, frozen, loose (a contact that comes and goes): that sensor |
| `case_drift_c`, `intake_drift_c`, `battery_drift_c` | kelvin added to what it shows |
| `case_bath_c`, `intake_bath_c`, `battery_bath_c` | that sensor is in stirred water of this temperature |
| `case_bath`, `intake_bath`, `battery_bath` | out: that sensor is in air again |
| `board_warmer_c` | kelvin by which the board's parts are warmer than at first |
| `check_error_volts` | added to what the divider shows |
| `reference_error_percent` | how much too high the converter's reference is; the divider then shows too little |
| `monitor` | ok, silent |
| `fuse` | ok, open |
| `extra_ohm` | resistance of a bad connector at the battery |
| `sag_volts` | volts the battery gives less than it should |
| `blocked` | fraction of the filter's area that is blocked, 0 to 0.98 |
| `charger_amps`, `charger_volts` | 0 A is unplugged |
| `button` | pressed, released; held, held_twice: one or two presses of 2 s |
| the name of a load | on, off, auto (its own pattern) |
| `board` | off (no power), on, restart (power fails for a moment), watchdog (as if it had hung) |
| `settings_file` | damaged: one bit of the newest settings on the flash; the next start reads it |
| `link_task` | hung: the firmware's link task waits for ever |

console.py has the changes of the host and the link.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from groundbox.errors import BadInput
from groundbox.rig import heat, senses
from groundbox.rig.box import PRESS_S, SimBox
from groundbox.rig.electric import SimLoad

Value = str | float
_SWITCH = {"on": True, "off": False, "auto": None}  # a person switches a load


@dataclass(frozen=True, slots=True, kw_only=True)
class SimChange:
    """At `at_s` of simulated time, `thing` becomes `value`; see the table above."""

    at_s: float
    thing: str
    value: Value


def make_change(box: SimBox, thing: str, value: Value) -> None:
    """Makes `thing` of the box become `value`.

    Raises:
        BadInput: no such thing in this box, or it cannot become that.
    """
    numbers = _numbers(box)
    words = _words(box)
    if thing in numbers:
        low, high, put = numbers[thing]
        if isinstance(value, str) or not low <= value <= high:
            raise BadInput(box.settings.name, thing, f"is {value!r}; write a number from {low:g} to {high:g}")
        put(float(value))
    elif thing in words:
        allowed, choose = words[thing]
        if value not in allowed:
            raise BadInput(box.settings.name, thing, f"is {value!r}; write one of {', '.join(allowed)}")
        choose(str(value))
    else:
        raise BadInput(box.settings.name, thing, f"is no thing of this box; it has {', '.join([*words, *numbers])}")


def _numbers(box: SimBox) -> dict[str, tuple[float, float, Callable[[float], None]]]:
    found: dict[str, tuple[float, float, Callable[[float], None]]] = {
        "check_error_volts": (-5, 5, _to(box.senses, "check_error_volts")),
        "reference_error_percent": (-20, 20, _to(box.senses, "reference_error_percent")),
        "board_warmer_c": (-50, 50, _to(box.senses, "board_warmer_c")),
        "sag_volts": (0, 14, _to(box, "sag_volts")),
        "extra_ohm": (0, 10, _to(box, "extra_ohm")),
        "blocked": (0, 0.98, _to(box, "blocked")),
        "charger_amps": (0, 30, _to(box.charger, "amps")),
        "charger_volts": (10, 17, _to(box.charger, "volts")),
    }
    found |= {f"{name}_drift_c": (-100, 100, _to(probe, "drift_c")) for name, probe in box.senses.probes.items()}
    found |= {f"{name}_bath_c": (-5, 90, _to(probe, "bath_c")) for name, probe in box.senses.probes.items()}
    return found


def _words(box: SimBox) -> dict[str, tuple[tuple[str, ...], Callable[[str], None]]]:
    found: dict[str, tuple[tuple[str, ...], Callable[[str], None]]] = {
        "monitor": (("ok", "silent"), _flag(box.senses, "monitor_silent", "silent")),
        "fuse": (("ok", "open"), _flag(box, "fuse_open", "open")),
        "button": (("pressed", "released", "held", "held_twice"), _button(box)),
    }
    if len(box.fans) > 1:
        found["tach_leads"] = (("ok", "crossed"), _flag(box, "tach_leads_crossed", "crossed"))
    found |= {f"fan{i}": (heat.FAULTS, _to(fan, "fault")) for i, fan in enumerate(box.fans, 1)}
    found |= {name: (senses.FAULTS, _to(probe, "fault")) for name, probe in box.senses.probes.items()}
    found |= {f"{name}_bath": (("out",), _out(probe)) for name, probe in box.senses.probes.items()}
    return found | {name: (tuple(_SWITCH), _switch(load)) for name, load in box.loads.items()}


def _switch(load: SimLoad) -> Callable[[str], None]:
    def turn(word: str) -> None:
        load.requested = _SWITCH[word]

    return turn


def _button(box: SimBox) -> Callable[[str], None]:
    def press(word: str) -> None:
        box.button_pressed = word == "pressed"
        apart_s = (0.0, 2 * PRESS_S) if word == "held_twice" else (0.0,)
        box.presses_s = tuple(box.now_s + at_s for at_s in apart_s) if word.startswith("held") else ()

    return press


def _out(probe: senses.SimProbe) -> Callable[[str], None]:
    return lambda _: setattr(probe, "bath_c", None)


def _to(owner: object, name: str) -> Callable[[object], None]:
    return lambda value: setattr(owner, name, value)


def _flag(owner: object, name: str, word: str) -> Callable[[str], None]:
    return lambda value: setattr(owner, name, value == word)


THINGS: dict[str, tuple[str, ...]] = {
    "board": ("off", "on", "restart", "watchdog"),
    "settings_file": ("damaged",),
    "link_task": ("hung",),
}


class PoweredBoard(Protocol):
    """The part of World that these faults act on."""

    powered: bool

    def order(self, do: Callable[[], None]) -> None:
        """Has `do` called between two steps."""

    def power_cut(self, cause: str = "power") -> None:
        """Ends the board's start at once."""


class BoardFaults:
    """The board's faults in one run.

    Args:
        world: what has the board.
        flash: the board's files.
        changes: all changes of the run.
    """

    def __init__(self, world: PoweredBoard, flash: Path, changes: Sequence[SimChange]) -> None:
        self._world, self._flash = world, flash
        self._hangs_us = sorted(round(one.at_s * 1e6) for one in changes if one.thing == "link_task")

    def hangs_us(self, start_us: int) -> list[int]:
        """Times at which the link task hangs, from a start at `start_us`."""
        return [at_us - start_us for at_us in self._hangs_us if at_us >= start_us]

    def take(self, change: SimChange) -> bool:
        """True when `change` is a fault of the board; it then takes effect between this step and the next."""
        thing, value = change.thing, change.value
        if thing not in THINGS:
            return False
        if value not in THINGS[thing]:
            raise BadInput("changes", thing, f"is {value!r}; write one of {', '.join(THINGS[thing])}")
        if thing == "settings_file":
            damage(self._flash)
        elif thing == "board":
            self._world.order(lambda: self._board(str(value)))
        return True

    def _board(self, value: str) -> None:
        self._world.powered = value != "off"
        if value != "on":
            self._world.power_cut("watchdog" if value == "watchdog" else "power")


def damage(flash: Path) -> None:
    """Flips one bit of the newest settings file, as worn flash does."""
    found = [(int(path.read_bytes()[9:].split(b"\n")[0]), path) for path in flash.glob("settings.?")]
    if found:
        path = max(found)[1]
        content = bytearray(path.read_bytes())
        content[len(content) // 2] ^= 1
        path.write_bytes(content)

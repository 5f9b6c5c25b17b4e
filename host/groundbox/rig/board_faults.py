"""What befalls the board itself, as happenings beside those of the box.

| thing | becomes |
|---|---|
| `board` | off (no power), on, restart (power gone for a moment), watchdog (as if it had hung) |
| `settings_file` | damaged: one bit of the newest settings on its flash; seen at the next start |
| `link_task` | hung: the firmware's link task waits for what never comes |

What its host does or the cable loses stands in listener.py.
"""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

from groundbox.errors import BadInput
from groundbox.rig.happenings import Happening

THINGS: dict[str, tuple[str, ...]] = {
    "board": ("off", "on", "restart", "watchdog"),
    "settings_file": ("damaged",),
    "link_task": ("hung",),
}


class Powered(Protocol):
    """What of the world these faults touch."""

    powered: bool

    def order(self, do: Callable[[], None]) -> None:
        """Has `do` called between two steps."""

    def power_cut(self, cause: str = "power") -> None:
        """Ends the board's start at once."""


class BoardFaults:
    """Those of one run.

    Args:
        world: what has the board.
        flash: the board's files.
        happenings: all that happens in the run.
    """

    def __init__(self, world: Powered, flash: Path, happenings: Sequence[Happening]) -> None:
        self._world, self._flash = world, flash
        self._hangs_us = sorted(round(one.at_s * 1e6) for one in happenings if one.thing == "link_task")

    def hangs_us(self, start_us: int) -> list[int]:
        """When the link task hangs in a start that begins now."""
        return [at_us - start_us for at_us in self._hangs_us if at_us >= start_us]

    def take(self, happening: Happening) -> bool:
        """True when `happening` is one of these; then it happens between this step and the next."""
        thing, value = happening.thing, happening.value
        if thing not in THINGS:
            return False
        if value not in THINGS[thing]:
            raise BadInput("happenings", thing, f"is {value!r}; wants one of {', '.join(THINGS[thing])}")
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
    """Turns one bit of the newest settings file over, as worn flash does."""
    found = [(int(path.read_bytes()[9:].split(b"\n")[0]), path) for path in flash.glob("settings.?")]
    if found:
        path = max(found)[1]
        content = bytearray(path.read_bytes())
        content[len(content) // 2] ^= 1
        path.write_bytes(content)

"""The board's serial console: bytes for a test, a port for other programs, or the host of a scenario.

| thing | becomes |
|---|---|
| `host` | listening, silent (hears, never sends), stalled (holds the port open and reads nothing) |
| `link_lost`, `link_flipped` | fraction of the board's bytes that are lost, or have one bit flipped; 0 to 0.5 |
| `mark` | launch, landing, charge, swap: a person's mark at the host |
| `switch1`, `switch2` | on, off, off_confirmed: a person's command for the board's output |
"""

import os
import pty
import select
import tty
from pathlib import Path
from random import Random
from typing import Protocol

from groundbox.conversion import from_wire
from groundbox.errors import BadInput
from groundbox.model import Event, Health, Reading
from groundbox.rig.changes import Value
from groundbox.wire import line, messages


class BoardConsole(Protocol):
    """The simulation's side of the line between board and host."""

    def from_board(self, data: bytes) -> None:
        """Takes bytes from the board."""

    def full(self) -> bool:
        """True while the host does not keep up: the board has to wait."""

    def to_board(self) -> bytes:
        """Bytes from the host since the last call."""

    def fd(self) -> int | None:
        """A descriptor that becomes readable when the host sends; None when no host is connected."""

    def board_ends(self) -> None:
        """The board is reset or without power."""

    def board_starts(self) -> None:
        """The board starts."""


class BufferConsole:
    """For a test in the same process.

    Attributes:
        heard: all bytes from the board.
    """

    def __init__(self) -> None:
        self.heard = bytearray()
        self._to_board = b""

    def send(self, data: bytes) -> None:
        """Sends bytes to the board."""
        self._to_board += data

    def from_board(self, data: bytes) -> None:
        self.heard += data

    def full(self) -> bool:
        return False

    def to_board(self) -> bytes:
        sent, self._to_board = self._to_board, b""
        return sent

    def fd(self) -> int | None:
        return None

    def board_ends(self) -> None:
        """Nothing: the test stays connected."""

    def board_starts(self) -> None:
        """Nothing."""


class PortConsole:
    """A port other programs open like that of a board on USB.

    While no program has it open, the board's bytes are lost. When the board is reset the port is absent for a
    while. Both are as on USB. `path` is a link and stays the same.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._cable = True
        self._master: int | None = None
        self._poll = select.poll()
        self._rest = b""
        self._open()

    def plug(self, plugged: bool) -> None:
        """Connects the cable, or disconnects it: then the port is absent also for the program that has it open."""
        self._cable = plugged
        if plugged:
            self._open()
        else:
            self._close()

    def board_ends(self) -> None:
        self._close()

    def board_starts(self) -> None:
        if self._cable:
            self._open()

    def _open(self) -> None:
        if self._master is not None:
            return
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(self._master, False)
        self._poll.register(self._master, 0)
        self.path.parent.mkdir(parents=True, exist_ok=True)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(slave))
        os.close(slave)

    def _close(self) -> None:
        master, self._master, self._rest = self._master, None, b""
        if master is not None:
            self.path.unlink(missing_ok=True)
            self._poll.unregister(master)
            os.close(master)

    def from_board(self, data: bytes) -> None:
        self._rest = self._rest + data if self._is_open() else b""
        self._send()

    def full(self) -> bool:
        if self._rest and not self._is_open():
            self._rest = b""
        self._send()
        return bool(self._rest)

    def to_board(self) -> bytes:
        if self._master is None:
            return b""
        try:
            return os.read(self._master, 4096)
        except OSError:  # no bytes, or no program there
            return b""

    def fd(self) -> int | None:
        return self._master if self._is_open() else None

    def _is_open(self) -> bool:
        return self._master is not None and not self._poll.poll(0)  # a hang-up is always reported

    def _send(self) -> None:
        if not self._rest or self._master is None:
            return
        try:
            self._rest = self._rest[os.write(self._master, self._rest) :]
        except OSError:  # no room, or no program there any more
            return


_SWITCH = (*messages.SWITCH, "off_confirmed")
WORDS: dict[str, tuple[str, ...]] = {
    "host": ("listening", "silent", "stalled"),
    "mark": messages.MARKS,
    "switch1": _SWITCH,
    "switch2": _SWITCH,
}
FRACTIONS = ("link_lost", "link_flipped")
_MAX_FRACTION = 0.5
# After each message from the host the board polls for a fifth of a second, which costs twenty slices of the run.
_SEND_EVERY_S = 5


def refuse(thing: str, value: Value) -> str:
    """Why `thing` cannot become `value`; "" when it can."""
    if thing in WORDS:
        return "" if value in WORDS[thing] else f"is {value!r}; write one of {', '.join(WORDS[thing])}"
    good = not isinstance(value, str) and 0 <= value <= _MAX_FRACTION
    return "" if good else f"is {value!r}; write a number from 0 to {_MAX_FRACTION:g}"


class SimHost(BufferConsole):
    """The host of a scenario, in the same thread: it hears the board over a link that may lose or flip bytes.

    Attributes:
        damaged: lines that the link damaged.
    """

    def __init__(self, box: str, seed: int) -> None:
        super().__init__()
        self.damaged = 0
        self._items: list[Reading | Event | Health] = []
        self._box, self._random = box, Random(f"{seed}/link")
        self._state = "listening"
        self._fraction = dict.fromkeys(FRACTIONS, 0.0)
        self._rest = b""
        self._commands = self._since_sent_s = 0
        self._have: dict[int, set[int]] = {}
        self._complete: dict[int, int] = {}
        self._confirmed = (0, 0)

    def make_change(self, thing: str, value: Value) -> None:
        """Makes `thing` become `value`, by the table above."""
        reason = refuse(thing, value)
        if reason:
            raise BadInput("change", thing, reason)
        if thing == "host":
            self._state = str(value)
        elif thing in FRACTIONS:
            self._fraction[thing] = float(value)
        elif thing == "mark":
            self._command("mark", [str(value)])
        else:
            want, _, confirmed = str(value).partition("_")
            self._command("switch", [int(thing[-1]), want, "yes" if confirmed else "no"])

    def take(self) -> list[Reading | Event | Health]:
        """Messages since the last call, once a second; every few calls it confirms records and requests gaps."""
        items, self._items = self._items, []
        if self._state == "listening" and self._complete:
            self._confirm(max(self._complete))
        return items

    def _confirm(self, boot: int) -> None:
        self._since_sent_s += 1
        if self._since_sent_s < _SEND_EVERY_S:
            return
        self._since_sent_s = 0
        top, have = self._complete[boot], self._have[boot]
        if (boot, top) != self._confirmed:
            self._confirmed = (boot, top)
            self._command("stored", [boot, top])
        if len(have) > top:
            self._command("resend", [top + 1, min(n for n in have if n > top) - 1])

    def missing(self) -> int:
        """Records that the board numbered and this host never received."""
        return sum(max(have) - len(have) for have in self._have.values())

    def full(self) -> bool:
        return self._state == "stalled"

    def from_board(self, data: bytes) -> None:
        self.heard += data
        *lines, self._rest = (self._rest + self._damage(data)).split(b"\n")
        for text in lines:
            self._hear(text)

    def _damage(self, data: bytes) -> bytes:
        lost, flipped = self._fraction["link_lost"], self._fraction["link_flipped"]
        if not lost and not flipped:
            return data
        random, kept = self._random, bytearray()
        for byte in data:
            if random.random() >= lost:
                kept.append(byte ^ (1 << random.randrange(8)) if random.random() < flipped else byte)
        return bytes(kept)

    def _hear(self, text: bytes) -> None:
        try:
            name, values = line.decode(text)
        except ValueError:
            self.damaged += bool(text)
            return
        kind = {"reading": Reading, "event": Event, "health": Health}.get(name)
        if kind is None:
            return
        item = from_wire(kind, values)
        if not isinstance(item, Health) and not self._is_new(item.boot, item.sequence):
            return
        self._items.append(item)

    def _is_new(self, boot: int, sequence: int) -> bool:
        have = self._have.setdefault(boot, set())
        if sequence in have:
            return False
        have.add(sequence)
        top = self._complete.get(boot, 0)
        while top + 1 in have:
            top += 1
        self._complete[boot] = top
        return True

    def _command(self, name: str, values: list[int | str | None]) -> None:
        self._commands += 1
        self.send(line.encode(name, [self._box, self._commands, *values]))

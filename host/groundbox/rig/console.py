"""The board's serial console: for a program outside as a port to open, for a test as bytes to read."""

import os
import pty
import select
import tty
from pathlib import Path
from typing import Protocol


class Console(Protocol):
    """The world's side of the line between board and host."""

    def from_board(self, data: bytes) -> None:
        """Takes what the board has said."""

    def full(self) -> bool:
        """True while the listener does not keep up: the board has to wait."""

    def to_board(self) -> bytes:
        """What the host has said since."""

    def fd(self) -> int | None:
        """A descriptor that becomes readable when the host speaks; None when nobody listens."""

    def board_ends(self) -> None:
        """The board is reset or without power."""

    def board_starts(self) -> None:
        """The board comes up."""


class BufferConsole:
    """For a test in the same process.

    Attributes:
        heard: everything the board has said.
    """

    def __init__(self) -> None:
        self.heard = bytearray()
        self._said = b""

    def say(self, data: bytes) -> None:
        """Says something to the board."""
        self._said += data

    def from_board(self, data: bytes) -> None:
        self.heard += data

    def full(self) -> bool:
        return False

    def to_board(self) -> bytes:
        said, self._said = self._said, b""
        return said

    def fd(self) -> int | None:
        return None

    def board_ends(self) -> None:
        """Nothing: the test keeps listening."""

    def board_starts(self) -> None:
        """Nothing."""


class PortConsole:
    """A port other programs open like that of a board on USB.

    While nobody has it open, what the board says is lost, and when the board is reset the port vanishes for a while,
    both as on USB. `path` is a link and stays the same.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._cable = True
        self._master: int | None = None
        self._poll = select.poll()
        self._rest = b""
        self._open()

    def plug(self, plugged: bool) -> None:
        """Puts the cable in, or draws it: then the port vanishes under whoever has it open."""
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
        except OSError:  # nothing said, or nobody there
            return b""

    def fd(self) -> int | None:
        return self._master if self._is_open() else None

    def _is_open(self) -> bool:
        return self._master is not None and not self._poll.poll(0)  # a hang-up is reported unasked

    def _send(self) -> None:
        if not self._rest or self._master is None:
            return
        try:
            self._rest = self._rest[os.write(self._master, self._rest) :]
        except OSError:  # no room, or nobody there any more
            return

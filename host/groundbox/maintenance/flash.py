"""Files on a board: over its prompt with mpremote, or in a folder that holds a board's files."""

import hashlib
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Protocol

import serial
from mpremote.transport import TransportError  # type: ignore[import-untyped]
from mpremote.transport_serial import SerialTransport  # type: ignore[import-untyped]

from groundbox.errors import LinkError

CHUNK = 1024
READ_S = 10.0
KNOCK_S = 0.5
GIVEN_UP_S = 10.0

_HASHES = """
import os, hashlib
def _hash(path):
    total = hashlib.sha256()
    part = bytearray(512)
    with open(path, "rb") as file:
        while True:
            count = file.readinto(part)
            if not count:
                break
            total.update(memoryview(part)[:count])
    return "".join(["%02x" % byte for byte in total.digest()])
def _walk(folder, head):
    for name in os.listdir(folder):
        path = folder + "/" + name
        if os.stat(path)[0] & 0x4000:
            _walk(path, head + name + "/")
        else:
            print(head + name, _hash(path))
"""


class Flash(Protocol):
    """A board's files; paths from its root. OSError and TransportError where it cannot be done."""

    def hashes(self, folder: str) -> dict[str, str]:
        """Path in `folder` -> SHA-256, of every file below it; {} when it is not there."""

    def read(self, path: str) -> bytes | None:
        """A file's content; None when it is not there."""

    def write(self, path: str, data: bytes) -> None:
        """Writes a file; its folders are made."""

    def remove(self, path: str) -> None:
        """Removes a file."""

    def rename(self, old: str, new: str) -> None:
        """Puts file `old` in the place of `new`."""


class FolderFlash:
    """A board's files in a folder.

    Args:
        folder: its root.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def hashes(self, folder: str) -> dict[str, str]:
        root = self._folder / folder
        files = [path for path in sorted(root.rglob("*")) if path.is_file()]
        return {path.relative_to(root).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}

    def read(self, path: str) -> bytes | None:
        file = self._folder / path
        return file.read_bytes() if file.is_file() else None

    def write(self, path: str, data: bytes) -> None:
        file = self._folder / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)

    def remove(self, path: str) -> None:
        (self._folder / path).unlink()

    def rename(self, old: str, new: str) -> None:
        (self._folder / old).replace(self._folder / new)


class SerialFlash:
    """A board at its prompt, in maintenance or without firmware.

    Args:
        port: device path.
        wait_s: how long a board may take to come to its prompt.

    Raises:
        LinkError: nothing there answers as MicroPython's prompt.
    """

    def __init__(self, port: str, wait_s: float) -> None:
        self._port = port
        self._board = _at_prompt(port, wait_s)
        self._folders = {""}

    def __enter__(self) -> "SerialFlash":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Lets go of the port; the board stays at its prompt."""
        if self._board is not None:
            _quietly_close(self._board)
            self._board = None

    def hashes(self, folder: str) -> dict[str, str]:
        self._do(lambda board: board.exec(_HASHES))
        text = self._do(
            lambda board: board.exec(f"if {folder!r} in os.listdir(''):\n    _walk({folder!r}, '')\n").decode()
        )
        return dict(line.split(" ") for line in str(text).split("\n") if line)

    def read(self, path: str) -> bytes | None:
        return bytes(content) if (content := self._do(lambda board: _read(board, path))) is not None else None

    def write(self, path: str, data: bytes) -> None:
        for folder in _folders_of(path):
            self._make(folder)
        self._do(lambda board: board.fs_writefile(path, data, chunk_size=CHUNK))

    def remove(self, path: str) -> None:
        self._do(lambda board: board.fs_rmfile(path))

    def rename(self, old: str, new: str) -> None:
        self._do(lambda board: board.exec(f"import os\nos.rename({old!r}, {new!r})"))

    def restart(self) -> None:
        """Resets the board, whatever it was in the middle of, and lets go of the port, which vanishes."""
        assert self._board is not None
        with suppress(OSError, TransportError):  # it may be gone before it can say that it understood
            _knock(self._board)
            self._board.exec_raw_no_follow("import machine\nmachine.reset()")
        self.close()

    def _make(self, folder: str) -> None:
        if folder not in self._folders and not self._do(lambda board: board.fs_exists(folder)):
            self._do(lambda board: board.fs_mkdir(folder))
        self._folders.add(folder)

    def _do(self, what: Callable[[Any], Any]) -> Any:
        assert self._board is not None
        try:
            return what(self._board)
        except TransportError as error:
            raise LinkError(f"{self._port}: {_last_line(error)}") from error
        except OSError as error:
            raise LinkError(
                f"{self._port}: unplugged, or the board's flash does not take it ({error}); what it had is in force: "
                "plug it in and do this again"
            ) from error


@contextmanager
def maintained(port: str, wait_s: float) -> Iterator[SerialFlash]:
    """A board in maintenance at its prompt. At the end it is restarted, also when a person gives up on the way.

    Raises:
        LinkError: as SerialFlash.
    """
    try:
        flash = SerialFlash(port, wait_s)
    except KeyboardInterrupt:
        with suppress(LinkError):
            SerialFlash(port, GIVEN_UP_S).restart()
        raise
    try:
        yield flash
    finally:
        flash.restart()


def _at_prompt(port: str, wait_s: float) -> Any:
    """mpremote's transport, at the raw prompt. Not through a soft reset: that would end what maintenance holds."""
    late_s = time.monotonic() + wait_s
    while True:
        try:
            board = SerialTransport(port, 115200, timeout=READ_S)
        except (OSError, TransportError):
            board = None
        if board is not None:
            try:
                _knock(board)
                return board
            except (OSError, TransportError, serial.SerialException):
                _quietly_close(board)
            except KeyboardInterrupt:
                _quietly_close(board)
                raise
        if time.monotonic() > late_s:
            raise LinkError(
                f"{port}: no MicroPython prompt answers there: put MicroPython on the board first (its maker's or "
                "MicroPython's page says how), or hold its button for 4 s while it is plugged in and let go"
            )
        time.sleep(KNOCK_S)


def _knock(board: Any) -> None:
    """To the raw prompt, out of whatever mode a program has left it in."""
    board.serial.write(b"\r\x03\x03\r\x02")
    time.sleep(KNOCK_S)
    board.serial.write(b"\r\x03")
    board.serial.reset_input_buffer()
    board.serial.write(b"\r\x01")
    data = board.read_until(1, b"raw REPL; CTRL-B to exit\r\n", timeout=2, timeout_overall=3)
    if not data.endswith(b"raw REPL; CTRL-B to exit\r\n"):
        raise TransportError("no raw prompt")
    board.in_raw_repl = True


def _quietly_close(board: Any) -> None:
    with suppress(OSError):
        board.close()


def _read(board: Any, path: str) -> bytes | None:
    return bytes(board.fs_readfile(path)) if board.fs_exists(path) else None


def _folders_of(path: str) -> list[str]:
    parts = path.split("/")[:-1]
    return ["/".join(parts[: i + 1]) for i in range(len(parts))]


def _last_line(error: Exception) -> str:
    return str(error).strip().rpartition("\n")[2] or "the board does not answer at its prompt"

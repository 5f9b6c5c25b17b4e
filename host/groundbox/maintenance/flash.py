"""Files on a board: over its prompt with mpremote, or in a folder that holds a board's files."""

import hashlib
import io
import time
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stdout, suppress
from pathlib import Path
from typing import Any, Protocol

from mpremote.transport import TransportError  # type: ignore[import-untyped]
from mpremote.transport_serial import SerialTransport  # type: ignore[import-untyped]

from groundbox.errors import LinkError

CHUNK = 1024
READ_S = 10.0
RETRY_S = 0.5
POLL_S = 0.02
PROMPT_S = 3.0
STARTING_S = 2.0  # from the port's return to maintenance: 0.9 s measured on the emulated board
READY = b"maintenance:"
ABORTED_S = 10.0


class Flash(Protocol):
    """A board's files; paths from its root. OSError and TransportError where an operation fails."""

    def bytecode_version(self) -> int | None:
        """Version of the bytecode (.mpy) that the board takes; None: unknown, or none."""

    def hashes(self, folder: str) -> dict[str, str]:
        """Path in `folder` -> SHA-256 in hexadecimal digits, of every file below it; {} when the folder is missing."""

    def read(self, path: str) -> bytes | None:
        """A file's content; None when it is missing."""

    def write(self, path: str, data: bytes) -> None:
        """Writes a file and makes its folders."""

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

    def bytecode_version(self) -> None:
        return None

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
        wait_s: time budget until the board's prompt answers.

    Raises:
        LinkError: no MicroPython prompt answers there.
    """

    def __init__(self, port: str, wait_s: float) -> None:
        self._port = port
        self._board = _at_prompt(port, wait_s)

    def __enter__(self) -> "SerialFlash":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Closes the port; the board stays at its prompt."""
        if self._board is not None:
            _close(self._board)
            self._board = None

    def bytecode_version(self) -> int | None:
        self._do("exec", "import sys")
        return int(self._do("eval", "getattr(sys.implementation, '_mpy', 0)")) & 0xFF or None

    def hashes(self, folder: str) -> dict[str, str]:
        if not self._do("fs_exists", folder):
            return {}
        return {
            path.removeprefix(f"{folder}/"): self._do("fs_hashfile", path, "sha256", CHUNK).hex()
            for path in self._files(folder)
        }

    def read(self, path: str) -> bytes | None:
        exists = self._do("fs_exists", path)
        return bytes(self._do("fs_readfile", path, CHUNK)) if exists else None

    def write(self, path: str, data: bytes) -> None:
        for folder in reversed(Path(path).parents[:-1]):
            if not self._do("fs_exists", folder.as_posix()):
                self._do("fs_mkdir", folder.as_posix())
        self._do("fs_writefile", path, data, CHUNK)

    def remove(self, path: str) -> None:
        self._do("fs_rmfile", path)

    def rename(self, old: str, new: str) -> None:
        self._do("exec", f"import os\nos.rename({old!r}, {new!r})")

    def restart(self) -> None:
        """Resets the board, in the middle of any operation, and closes the port, which vanishes."""
        assert self._board is not None
        with suppress(OSError, TransportError):  # the port may vanish before the answer
            _enter_prompt(self._board)
            self._board.exec_raw_no_follow("import machine\nmachine.reset()")
        self.close()

    def _files(self, folder: str) -> Iterator[str]:
        for name, mode, *_ in self._do("fs_listdir", folder):
            path = f"{folder}/{name}"
            if mode & 0x4000:
                yield from self._files(path)
            else:
                yield path

    def _do(self, operation: str, *arguments: object) -> Any:
        """The result of a method of mpremote's transport."""
        assert self._board is not None
        try:
            return getattr(self._board, operation)(*arguments)
        except TransportError as error:
            last_line = str(error).strip().rpartition("\n")[2]
            raise LinkError(f"{self._port}: {last_line or 'the board does not answer at its prompt'}") from error
        except OSError as error:
            raise LinkError(
                f"{self._port}: unplugged, or the board's flash fails ({error}); its earlier files are in force: "
                "plug it in and try again"
            ) from error


@contextmanager
def maintained(port: str, wait_s: float) -> Iterator[SerialFlash]:
    """A board in maintenance at its prompt. It is restarted at the end, also after Ctrl-C.

    Raises:
        LinkError: as SerialFlash.
    """
    try:
        flash = SerialFlash(port, wait_s)
    except KeyboardInterrupt:
        with suppress(LinkError):
            SerialFlash(port, ABORTED_S).restart()
        raise
    try:
        yield flash
    finally:
        flash.restart()


def _at_prompt(port: str, wait_s: float) -> Any:
    """mpremote's transport, at the raw prompt."""
    end_s = time.monotonic() + wait_s
    while True:
        board = None
        try:
            board = SerialTransport(port, 115200, timeout=READ_S)
            _wait_for_maintenance(board)
            _enter_prompt(board)
            return board
        except (OSError, TransportError):
            _close(board)
        except KeyboardInterrupt:
            _close(board)
            raise
        if time.monotonic() > end_s:
            raise LinkError(
                f"{port}: no MicroPython prompt answers: install MicroPython first (see the board maker's page). "
                "Or hold the box's button for 4 s while you plug the board in, then release it"
            )
        time.sleep(RETRY_S)


def _wait_for_maintenance(board: Any) -> None:
    """Lets a board that starts reach maintenance: a byte sent before could end the program that holds its outputs.

    A board that is in maintenance already, or has no firmware, is silent.
    """
    heard, end_s = b"", time.monotonic() + STARTING_S
    while READY not in heard and time.monotonic() < end_s:
        heard += board.serial.read(board.serial.in_waiting)
        time.sleep(POLL_S)


def _enter_prompt(board: Any) -> None:
    """To the raw prompt, out of any mode a program left it in; without a soft reset, which would end maintenance."""
    board.serial.write(b"\r\x03\x03\r\x02")  # ends a program and the raw mode
    time.sleep(RETRY_S)
    with redirect_stdout(io.StringIO()):  # mpremote prints what it read on a failure
        board.enter_raw_repl(soft_reset=False, timeout_overall=PROMPT_S)


def _close(board: Any) -> None:
    if board is not None:
        with suppress(OSError):
            board.close()

"""A disk that fails on command, under the real SQLite: our functions in front of its file layer (VFS).

What SQLite writes is passed on to the real files, and kept here besides as what is durable (written and then flushed)
and what is not yet. A power cut puts back what was durable and, of the rest, a random choice of sectors, as a disk
does that had some of them under way. Needs the SQLite library that Python's own module uses.
"""

import ctypes
import random
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from ctypes import CFUNCTYPE, POINTER, Structure, byref, c_char_p, c_int, c_int64, c_void_p, cast
from ctypes.util import find_library
from pathlib import Path

SECTOR = 512
OK, IOERR, FULL = sqlite3.SQLITE_OK, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_FULL
_Call = Callable[..., int]

_OPEN = CFUNCTYPE(c_int, c_void_p, c_void_p, c_void_p, c_int, POINTER(c_int))
_DELETE = CFUNCTYPE(c_int, c_void_p, c_char_p, c_int)
_MOVE = CFUNCTYPE(c_int, c_void_p, c_void_p, c_int, c_int64)
_SIZED = CFUNCTYPE(c_int, c_void_p, c_int64)
_FLAGGED = CFUNCTYPE(c_int, c_void_p, c_int)


class _Vfs(Structure):
    _fields_ = [
        *(("version", c_int), ("file_bytes", c_int), ("longest", c_int), ("next", c_void_p), ("name", c_char_p)),
        *(("data", c_void_p), ("open", _OPEN), ("delete", _DELETE), ("rest", c_void_p * 14)),
    ]


class _Methods(Structure):
    _fields_ = [
        *(("version", c_int), ("close", c_void_p), ("read", _MOVE), ("write", _MOVE), ("truncate", _SIZED)),
        *(("sync", _FLAGGED), ("rest", c_void_p * 13)),
    ]


class _File(Structure):
    _fields_ = [("methods", POINTER(_Methods))]


class PowerCut(Exception):
    """The disk is off."""


class _Image:
    """A file as the disk has it: what is durable, and what came after."""

    def __init__(self, data: bytes) -> None:
        self.durable = bytearray(data)
        self.pending: list[tuple[int, bytes] | int] = []  # written at, or cut to

    def flush(self) -> None:
        for one in self.pending:
            _apply(self.durable, one)
        self.pending = []

    def after_cut(self, dice: random.Random) -> bytes:
        """What is found when the power is back: any of the sectors under way, each whole or not at all."""
        data = bytearray(self.durable)
        for one in self.pending:
            if isinstance(one, int):
                if dice.random() < 0.5:
                    _apply(data, one)
                continue
            at, content = one
            for begin in range(0, len(content), SECTOR):
                if dice.random() < 0.5:
                    _apply(data, (at + begin, content[begin : begin + SECTOR]))
        return bytes(data)


def _apply(data: bytearray, change: tuple[int, bytes] | int) -> None:
    if isinstance(change, int):
        del data[change:]
        return
    at, content = change
    if len(data) < at:
        data.extend(bytes(at - len(data)))
    data[at : at + len(content)] = content


class Disk:
    """The disk under every SQLite connection opened while it is in use.

    Attributes:
        operations: reads, writes, cuts, flushes, openings and removals so far.
        verdict: asked before each with its number and name; what it returns is SQLite's result, OK to let it happen.
    """

    def __init__(self) -> None:
        self.operations = 0
        self.verdict: Callable[[int, str], int] = lambda number, name: OK
        self.images: dict[str, _Image] = {}
        self._paths: dict[int, str] = {}
        self._library = _library()
        self._below = cast(self._library.sqlite3_vfs_find(None), POINTER(_Vfs)).contents
        self._own: dict[int, _Methods] = {}  # by address of SQLite's own: kinds of files differ
        self._real: dict[int, _Methods] = {}  # of each open file
        self._vfs = _Vfs.from_buffer_copy(self._below)
        self._vfs.name, self._vfs.open, self._vfs.delete = b"groundbox-test", _OPEN(self._open), _DELETE(self._delete)

    @contextmanager
    def in_use(self) -> Iterator["Disk"]:
        """New connections go through this disk within."""
        self._library.sqlite3_vfs_register(byref(self._vfs), 1)
        try:
            yield self
        finally:
            self._library.sqlite3_vfs_unregister(byref(self._vfs))
            self._library.sqlite3_vfs_register(byref(self._below), 1)

    def cut_power(self, dice: random.Random) -> None:
        """Leaves in the folder what a power cut would; close the connections first."""
        for name, image in self.images.items():
            path = Path(name)
            if name.endswith("-shm"):
                path.unlink(missing_ok=True)
            else:
                path.write_bytes(image.after_cut(dice))

    def _asked(self, name: str) -> int:
        self.operations += 1
        return self.verdict(self.operations, name)

    def _open(self, _vfs: int, name: int, file: int, flags: int, out: "ctypes._Pointer[c_int]") -> int:
        if (code := self._asked("open")) != OK:
            cast(file, POINTER(_File)).contents.methods = POINTER(_Methods)()
            return code
        code = self._below.open(ctypes.addressof(self._below), name, file, flags, out)
        if code == OK and name:
            path = ctypes.string_at(name).decode()
            handle = cast(file, POINTER(_File)).contents
            real = handle.methods.contents
            handle.methods = ctypes.pointer(self._adopted(real))
            self._paths[file], self._real[file] = path, real
            if path not in self.images:
                self.images[path] = _Image(Path(path).read_bytes() if Path(path).exists() else b"")
        return code

    def _adopted(self, real: _Methods) -> _Methods:
        own = self._own.get(ctypes.addressof(real))
        if own is None:
            own = self._own[ctypes.addressof(real)] = _Methods.from_buffer_copy(real)
            own.read, own.write = _MOVE(self._read), _MOVE(self._write)
            own.truncate, own.sync = _SIZED(self._truncate), _FLAGGED(self._sync)
        return own

    def _delete(self, _vfs: int, name: bytes, flush_folder: int) -> int:
        if (code := self._asked("delete")) != OK:
            return code
        self.images.pop(name.decode(), None)
        return self._below.delete(ctypes.addressof(self._below), name, flush_folder)

    def _read(self, file: int, data: int, size: int, at: int) -> int:
        return self._asked("read") or self._real[file].read(file, data, size, at)

    def _write(self, file: int, data: int, size: int, at: int) -> int:
        code = self._asked("write") or self._real[file].write(file, data, size, at)
        if code == OK:
            self.images[self._paths[file]].pending.append((at, ctypes.string_at(data, size)))
        return code

    def _truncate(self, file: int, size: int) -> int:
        code = self._asked("truncate") or self._real[file].truncate(file, size)
        if code == OK:
            self.images[self._paths[file]].pending.append(size)
        return code

    def _sync(self, file: int, flags: int) -> int:
        """The real flush is spared: only what is kept here counts."""
        if (code := self._asked("sync")) == OK:
            self.images[self._paths[file]].flush()
        return code


def _library() -> ctypes.CDLL:
    """The SQLite that the sqlite3 module has loaded."""
    found = find_library("sqlite3")
    library = ctypes.CDLL(found or "libsqlite3.so.0")
    library.sqlite3_libversion.restype = c_char_p
    assert library.sqlite3_libversion().decode() == sqlite3.sqlite_version
    library.sqlite3_vfs_find.restype, library.sqlite3_vfs_find.argtypes = c_void_p, [c_char_p]
    library.sqlite3_vfs_register.argtypes = [c_void_p, c_int]
    library.sqlite3_vfs_unregister.argtypes = [c_void_p]
    return library


def there() -> bool:
    """False where Python carries a SQLite of its own, which cannot be reached from here."""
    try:
        _library()
    except (OSError, AssertionError):
        return False
    module = sqlite3.connect.__module__
    maps = Path("/proc/self/maps")
    return module == "_sqlite3" and maps.exists() and "libsqlite3" in maps.read_text()

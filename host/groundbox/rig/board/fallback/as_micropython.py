"""Makes CPython look like MicroPython to the firmware: for machines without the pinned interpreter.

Modules under MicroPython's names replace CPython's; what the interpreter itself still needs is imported before.
"""

import binascii  # noqa: F401
import importlib.util
import io
import json  # noqa: F401
import os
import select
import struct  # noqa: F401
import sys
import time
import traceback


class _Polled:
    """A real poll that returns the registered objects, as MicroPython's does."""

    def __init__(self):
        self._poll = select.poll()
        self._streams = {}

    def register(self, stream, mask):
        self._streams[stream.fileno()] = stream
        self._poll.register(stream, mask)

    def modify(self, stream, mask):
        self._poll.modify(stream, mask)

    def unregister(self, stream):
        del self._streams[stream.fileno()]
        self._poll.unregister(stream)

    def poll(self, wait_ms):
        return [(self._streams[fd], event) for fd, event in self._poll.poll(wait_ms)]


class _RealSelect:
    POLLIN = select.POLLIN
    POLLOUT = select.POLLOUT
    POLLERR = select.POLLERR
    POLLHUP = select.POLLHUP
    poll = _Polled


class _Console:
    """Text on the console; bytes that do not fit while no program reads are lost, as on USB."""

    def __init__(self, buffer):
        self.buffer = buffer

    def write(self, text):
        try:
            self.buffer.write(text.encode())
        except BlockingIOError:
            pass
        return len(text)

    def flush(self):
        pass


def prepare(folder):
    """Installs the replacement modules; `folder` holds those for both interpreters."""
    sys.stdin = _Console(io.FileIO(0, "r"))
    sys.stdout = _Console(io.FileIO(1, "w"))
    sys.print_exception = _print_exception
    sys.path[:] = [folder + "/fallback", folder, ".", *sys.path]
    sys.modules.update({"utime": time, "uselect": _RealSelect, "uos": os})
    for name in ("gc", "time", "select", "os", "asyncio"):
        path = folder + ("/fallback/" if name in ("gc", "asyncio") else "/") + name + ".py"
        spec = importlib.util.spec_from_file_location(name, path)
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)


def _print_exception(error, file=None):
    (file or sys.stdout).write("".join(traceback.format_exception(error)))

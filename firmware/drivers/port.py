"""A line-wise way in and out over two byte streams that is never waited for."""

import select

from groundbox.wire.line import MAX_LINE_BYTES
from micropython import const

_MAX_AT_ONCE = const(256)


class Port:
    """Lines in, bounded; one line out at a time, its unwritten tail kept.

    Args:
        reader, writer: byte streams that can be polled.
        write_bytes: maximum bytes of one write after POLLOUT, so that it does not wait for room.

    Attributes:
        written: bytes written; its reader sets it back.
    """

    def __init__(self, reader, writer, write_bytes):
        self._reader = reader
        self._writer = writer
        self._write_bytes = write_bytes
        self._in = select.poll()
        self._in.register(reader, select.POLLIN)
        self._out = select.poll()
        self._out.register(writer, select.POLLOUT)
        self._line = bytearray()
        self._overlong = False
        self._pending = memoryview(b"")
        self.written = 0

    def read_line(self):
        """The next complete line without its newline, or None when no more bytes wait.

        Of a line longer than the registry's longest only the beginning is given.
        """
        for _ in range(_MAX_AT_ONCE):
            if not _ready(self._in, select.POLLIN):
                return None
            got = self._reader.read(1)
            if not got:
                return None
            if got == b"\n":
                line = bytes(self._line)
                self._line = bytearray()
                return line
            if len(self._line) <= MAX_LINE_BYTES:
                self._line += got
        return None

    def put(self, line):
        """Takes one line (bytes, newline included) to be written; only when `flush` gave 0."""
        self._pending = memoryview(line)

    def flush(self):
        """Writes what goes without waiting; number of bytes left."""
        for _ in range(_MAX_AT_ONCE):
            if not self._pending or not _ready(self._out, select.POLLOUT):
                break
            count = self._writer.write(self._pending[: self._write_bytes])
            if not count:
                break
            self._pending = self._pending[count:]
            self.written += count
        return len(self._pending)


def _ready(poll, mask):
    for _, seen in poll.ipoll(0):  # noqa: SIM110 (asked for each byte: allocates nothing)
        if seen & mask:
            return True
    return False

"""The serial link: carries a conversation as lines over a port that console text may share.

Never waited for: each turn writes what goes without blocking and ends after a few milliseconds. A host that is silent,
slow or absent costs nothing.
"""

import asyncio

from uplinks.conversation import Conversation
from groundbox.wire import line as wire
from micropython import const
from time import ticks_diff, ticks_ms

_BUDGET_MS = const(8)
_HURRY_MS = const(5)  # until the next turn while writing gets on
_LISTEN_MS = const(10)  # ... for a short while after the host spoke, when more may come
_LISTEN_TURNS = const(20)


class SerialUplink:
    """One link.

    Args:
        desk: uplinks.desk.Desk.
        port: drivers.port.Port.
    """

    def __init__(self, desk, port):
        self._desk = desk
        self._port = port
        self._talk = Conversation(desk)
        self._listen = 0
        port.put(b"\n")  # ends whatever half a line is on its way

    async def run(self, alive, pace):
        """Serves the link for ever; calls `alive` at each turn, waits for `pace` (Event) with nothing to do."""
        while True:
            busy = self.turn()
            alive()
            if busy:
                await asyncio.sleep_ms(_HURRY_MS)
            elif self._listen:
                self._listen -= 1
                await asyncio.sleep_ms(_LISTEN_MS)
            else:
                await pace.wait()

    def turn(self):
        """A few milliseconds' worth of hearing and saying; True when more can be said soon."""
        started = ticks_ms()
        self._port.written = 0
        while ticks_diff(ticks_ms(), started) < _BUDGET_MS:
            heard = self._hear_line()
            if self._port.flush():
                if not heard:
                    return self._port.written > 0
                continue
            line = self._next_line()
            if line:
                self._port.put(line)
            elif not heard:
                return False
        return True

    def _hear_line(self):
        line = self._port.read_line() if self._talk.room() else None
        if line is None:
            return False
        self._hear(line)
        return True

    def _hear(self, line):
        try:
            if self._talk.hear(line):
                self._listen = _LISTEN_TURNS
        except ValueError:
            if wire.looks_like_ours(line):
                self._desk.bad_lines += 1

    def _next_line(self):
        """Bytes of the next line to write, b"" for none; console text goes first, it is rare and short."""
        if self._desk.console:
            return self._desk.console.pop(0).encode() + b"\n"
        message = self._talk.next()
        if message is None:
            return b""
        try:
            return wire.encode(message[0], message[1])
        except ValueError as error:
            return b"%s not sent: %s\n" % (message[0].encode(), str(error).encode())

"""The serial link: says who the board is, sends its records until they are stored, answers commands.

Never waited for: each turn writes what goes without blocking and ends after a few milliseconds. A host that is silent,
slow or absent costs nothing; console text may share the port.
"""

import asyncio

import commands
from groundbox.wire import line as wire
from groundbox.wire.messages import BY_NAME
from micropython import const
from sender import Sender
from time import ticks_diff, ticks_ms

_BUDGET_MS = const(8)
_HURRY_MS = const(5)  # until the next turn while writing gets on
_LISTEN_MS = const(10)  # ... for a short while after the host spoke, when more may come
_LISTEN_TURNS = const(20)
_PRESENT_S = const(10)  # a host counts as present this long after it spoke
_AGAIN_S = const(15)  # what a present host has not stored by then goes out again
_HEALTH_S = const(60)
_MOST_REPLIES = const(8)


class SerialUplink:
    """One link.

    Args:
        desk: desk.Desk.
        port: port.Port.
    """

    def __init__(self, desk, port):
        self._desk = desk
        self._port = port
        self._outbox = desk.outbox
        self._sender = Sender(self._outbox)
        self._sender.want_unstored()
        self._replies = [self._hello()]
        self._listen = 0
        now_s = desk.control.uptime_s
        self._heard_s = now_s - _PRESENT_S
        self._health_s = now_s
        self._moved_s = now_s
        self._stored_to = 0
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
        self._every_now_and_then()
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
        line = self._port.read_line() if len(self._replies) < _MOST_REPLIES else None
        if line is None:
            return False
        self._hear(line)
        return True

    def _hear(self, line):
        try:
            words = wire.words_of(line)
        except ValueError:
            if wire.looks_like_ours(line):
                self._desk.bad_lines += 1
            return
        if len(words) < 3 or words[1] not in (self._desk.file.box, "*"):
            return
        self._heard_s = self._desk.control.uptime_s
        self._listen = _LISTEN_TURNS
        try:
            name, values = wire.decode(line)
        except ValueError as error:
            self._refuse(words, error)
            return
        if BY_NAME[name][1] == "host":
            self._obey(name, values)

    def _obey(self, name, values):
        if name == "who":
            self._sender.want_unstored()
            self._replies.append(self._hello())
        elif name == "ask_clock":
            self._replies.append(self._clock(values[1]))
        elif name == "stored":
            if values[2] == self._desk.kept.boot and values[3] is not None:
                self._outbox.stored(min(values[3], self._outbox.sequence))
        elif name == "resend":
            if None not in values:
                self._sender.want(values[2], values[3])
        else:
            self._replies.append(self._answers(commands.answers(name, values, self._desk)))

    def _refuse(self, words, error):
        command = int(words[2]) if words[2].isdigit() else None
        result = "refused" if words[0] in BY_NAME else "unknown"
        self._replies.append(self._answers([commands.answer(command, result, reason=str(error))]))

    def _every_now_and_then(self):
        now_s = self._desk.control.uptime_s
        if now_s - self._health_s >= _HEALTH_S and len(self._replies) < _MOST_REPLIES:
            self._health_s = now_s
            self._replies.append(self._health())
        if self._outbox.stored_to != self._stored_to or now_s - self._heard_s >= _PRESENT_S:
            self._stored_to = self._outbox.stored_to
            self._moved_s = now_s
        elif now_s - self._moved_s >= _AGAIN_S and self._sender.idle():
            self._moved_s = now_s
            self._sender.want_unstored()

    def _next_line(self):
        """Bytes of the next line to write, b"" for none: replies, console text, live records, backlog."""
        while self._replies:
            for name, values in self._replies[0]:
                return self._encoded(name, values)
            self._replies.pop(0)
        if self._desk.console:
            return self._desk.console.pop(0).encode() + b"\n"
        sequence = self._sender.next()
        record = self._outbox.unpack(sequence) if sequence else None
        if record is None:
            return b""
        return self._encoded(record[0], self._desk.head()[:2] + [sequence] + list(record[1]))

    def _encoded(self, name, values):
        try:
            return wire.encode(name, values)
        except ValueError as error:
            return b"%s not sent: %s\n" % (name.encode(), str(error).encode())

    def _hello(self):
        yield "hello", self._desk.hello()

    def _health(self):
        yield "health", self._desk.health()

    def _clock(self, command):
        yield "clock", self._desk.head() + [command, self._desk.steps.uptime_ms()]

    def _answers(self, answers):
        for values in answers:
            yield "answer", self._desk.head() + values

"""What a board and one host have to say to each other, whatever carries it: replies, live records, backlog."""

from groundbox.wire import line as wire
from groundbox.wire.messages import BY_NAME
from micropython import const
from uplinks import commands
from uplinks.archive import AHEAD
from uplinks.sender import Sender

_PRESENT_S = const(10)  # a host counts as present this long after it spoke
_AGAIN_S = const(15)  # what a present host has not stored by then goes out again
_HEALTH_S = const(60)
_MOST_REPLIES = const(8)


class Conversation:
    """One host's, from hello on.

    Args:
        desk: uplinks.desk.Desk.
    """

    def __init__(self, desk):
        self._desk = desk
        self._outbox = desk.outbox
        self._sender = Sender(self._outbox)
        self._sender.want_unstored()
        self._replies = [self._hello()]
        now_s = desk.control.uptime_s
        self._heard_s = now_s - _PRESENT_S
        self._health_s = now_s
        self._moved_s = now_s
        self._stored_to = 0
        self._summary = 0  # the last one sent
        self._summaries_s = now_s
        self._done_to = 0

    def room(self):
        """True while another command can be answered."""
        return len(self._replies) < _MOST_REPLIES

    def hear(self, line):
        """Does and answers what a line (bytes) of the host asks; False when it is not for this box.

        Raises:
            ValueError: not a line of ours, or damaged.
        """
        words = wire.words_of(line)
        if len(words) < 3 or words[1] not in (self._desk.settings.box, "*"):
            return False
        self._heard_s = self._desk.control.uptime_s
        try:
            name, values = wire.decode(line)
        except ValueError as error:
            command = int(words[2]) if words[2].isdigit() else None
            self.refuse(command, "refused" if words[0] in BY_NAME else "unknown", str(error))
            return True
        if BY_NAME[name][1] == "host":
            self.obey(name, values)
        return True

    def obey(self, name, values):
        """Does what a message of the host asks; `values` as line.decode gives them."""
        self._desk.control.turn_back.hear()
        if name == "who":
            self._sender.want_unstored()
            self._replies.append(self._hello())
        elif name == "ask_clock":
            self._replies.append(self._clock(values[1]))
        elif name == "stored":
            if values[2] == self._desk.saved.boot and values[3] is not None:
                self._outbox.stored(min(values[3], self._outbox.sequence))
        elif name == "summary_stored":
            if values[2] is not None and self._desk.archive:
                self._desk.archive.acknowledge(values[2])
        elif name == "resend":
            if None not in values:
                self._sender.want(values[2], values[3])
        else:
            self._replies.append(self._answers(commands.answers(name, values, self._desk)))

    def refuse(self, command, result, reason):
        """Answers what cannot be obeyed at all."""
        self._replies.append(self._answers([commands.answer(command, result, reason=reason)]))

    def next(self):
        """(name, values) of the next message to send, or None: replies first, then live records, then backlog."""
        self._every_now_and_then()
        while self._replies:
            for message in self._replies[0]:
                return message
            self._replies.pop(0)
        sequence = self._sender.next()
        record = self._outbox.unpack(sequence) if sequence else None
        if record is None:
            return self._next_summary() if self._desk.archive else None
        return record[0], self._desk.head()[:2] + [sequence] + list(record[1])

    def _next_summary(self):
        """Only to a host that is there: what nobody hears would have to be said again."""
        archive = self._desk.archive
        now_s = self._desk.control.uptime_s
        if now_s - self._heard_s >= _PRESENT_S:
            return None
        if archive.done_to != self._done_to:
            self._done_to = archive.done_to
            self._summaries_s = now_s
        elif now_s - self._summaries_s >= _AGAIN_S:
            self._summaries_s = now_s
            self._summary = 0
        number = max(self._summary, self._done_to) + 1
        if number > min(archive.segments.newest, self._done_to + AHEAD):
            return None
        wanted = archive.wanted(number)
        if wanted is None:
            return None
        self._summary = number
        return ("summary", [self._desk.settings.box] + archive.values(number)) if wanted else None

    def _every_now_and_then(self):
        now_s = self._desk.control.uptime_s
        if now_s - self._health_s >= _HEALTH_S and self.room():
            self._health_s = now_s
            self._replies.append(self._health())
        if self._outbox.stored_to != self._stored_to or now_s - self._heard_s >= _PRESENT_S:
            self._stored_to = self._outbox.stored_to
            self._moved_s = now_s
        elif now_s - self._moved_s >= _AGAIN_S and self._sender.idle():
            self._moved_s = now_s
            self._sender.want_unstored()

    # Replies are made when they are sent: an uptime must be that of the moment, and a long list costs no memory.
    def _hello(self):
        yield "hello", self._desk.hello()

    def _health(self):
        yield "health", self._desk.health()

    def _clock(self, command):
        yield "clock", self._desk.head() + [command, self._desk.steps.uptime_ms()]

    def _answers(self, answers):
        for values in answers:
            yield "answer", self._desk.head() + values

"""The MQTT link: carries a conversation over a broker, as JSON on groundbox/<box>/<message>.

Never waited for: each turn does what goes without blocking and ends after a few milliseconds. A broker that is absent
or slow costs nothing but the buffers. What was sent stays in the outbox until a host says that it is stored, so a
connection that breaks only begins a new conversation.
"""

import asyncio
import os

from uplinks import mqtt_packets
from uplinks.conversation import Conversation
from groundbox.wire.line import MAX_LINE_BYTES, check
from groundbox.wire.messages import BY_NAME
from micropython import const
from uplinks.stream import Stream
from time import ticks_diff, ticks_ms

_BUDGET_MS = const(8)
_HURRY_MS = const(5)
_OUT_BYTES = const(2048)
_IN_BYTES = MAX_LINE_BYTES + 128  # topic, counter and tag beside the line
_MAX_SENT = const(8)  # packets on their way that the broker has not acknowledged
_KEEP_ALIVE_S = const(30)
_PING_S = const(15)
_ANSWER_S = const(15)  # without an answer for so long the connection counts as ended
_SHORTEST_WAIT_S = const(1)
_LONGEST_WAIT_S = const(60)

_AWAY = const(0)
_CONNECTING = const(1)
_GREETING = const(2)
_SUBSCRIBING = const(3)
_TALKING = const(4)


class MqttUplink:
    """One link.

    Args:
        desk: uplinks.desk.Desk.
        network: uplinks.network_file.Network.
        radio: uplinks.radio.Radio.
        guard: startup.guard.Guard; None: nothing is taken from the network.
        connect: called with address, port, name and ca for a new uplinks.stream.Stream.
    """

    def __init__(self, desk, network, radio, guard, connect=Stream):
        self._desk = desk
        self._network = network
        self._radio = radio
        self._guard = guard
        self._connect = connect
        self._stream = None
        self._talk = None
        self._state = _AWAY
        self._in = mqtt_packets.PacketReader(_IN_BYTES)
        self._out = mqtt_packets.PacketWriter(_OUT_BYTES)
        self._pending = memoryview(b"")
        self._sent = []  # numbers of packets on their way
        self._number = 0
        self._box = b""
        self._wait_s = _SHORTEST_WAIT_S
        self._retry_s = 0  # second of uptime for the next try
        self._since_s = 0  # ... since which an answer is waited for, or the broker has been silent
        self._said_s = 0
        self._pinged = False
        self._reported = ""

    async def run(self, alive, pace):
        """Serves the link for ever; calls `alive` at each turn, waits for `pace` (Event) with nothing to do."""
        self._hang_up()
        while True:
            busy = self.turn()
            alive()
            if busy:
                await asyncio.sleep_ms(_HURRY_MS)
            else:
                await pace.wait()

    def turn(self):
        """A few milliseconds' worth of the link; True when more can be done soon."""
        try:
            return self._turn()
        except (OSError, ValueError, MemoryError) as error:
            self._fail(str(error))
            return False

    def _turn(self):
        if not self._allowed():
            self._leave()
        elif self._state == _AWAY:
            self._call()
        elif self._overdue():
            raise OSError("the broker does not answer")
        elif self._state != _CONNECTING:
            return self._serve()
        elif self._stream.connected():
            self._greet()
            return True
        return False

    def _serve(self):
        started = ticks_ms()
        while ticks_diff(ticks_ms(), started) < _BUDGET_MS:
            if self._flush():
                return True
            if not self._hear() and not self._say():
                return len(self._sent) > 0
        return True

    # --- the connection ---

    def _allowed(self):
        desk = self._desk
        if self._box and self._box != desk.settings.box.encode():
            return False  # renamed: other topics, after a hang-up
        settings = desk.settings.values
        return settings["radio_allowed"] and not (settings["radio_silent_in_flight"] and desk.control.place)

    def _call(self):
        now_s = self._desk.control.uptime_s
        if now_s < self._retry_s or not self._radio.up():
            return
        network = self._network
        box = self._desk.settings.box
        if any(sign in box for sign in "/+#"):
            raise ValueError("a box called %s cannot be a topic: / + # are not allowed; rename it" % box)
        self._box = box.encode()
        self._since_s = now_s
        self._stream = self._connect(network.broker, network.port, network.broker_name, network.ca)
        self._state = _CONNECTING

    def _greet(self):
        user = self._network.user or self._desk.settings.box
        password = self._network.broker_password
        self._pending = self._out.connect(
            b"groundbox-" + user.encode(),
            user.encode() if password is not None else None,
            password.encode() if password is not None else None,
            self._topic("presence"),
            self._presence("false"),
            _KEEP_ALIVE_S,
        )
        self._state = _GREETING

    def _overdue(self):
        """True when the broker owes an answer for too long."""
        now_s = self._desk.control.uptime_s
        if self._state == _TALKING and not (self._sent or self._pinged or self._pending):
            self._since_s = now_s
        return now_s - self._since_s >= _ANSWER_S

    def _fail(self, why):
        if self._reported != why:  # once, not with each try
            self._reported = why
            self._desk.say("mqtt: " + why)
        self._hang_up()
        wait_s = self._wait_s
        self._wait_s = min(2 * wait_s, _LONGEST_WAIT_S)
        wait_s += wait_s * os.urandom(1)[0] // 256  # so that many boxes do not come back all at once
        self._retry_s = self._desk.control.uptime_s + wait_s

    def _leave(self):
        """Ends the connection in order, when the radio must be silent."""
        if self._state == _TALKING:
            try:
                if not self._pending:
                    self._publish("presence", (self._presence("false"),), True)
                    self._flush()
                    self._pending = self._out.short(0xE0)
                    self._flush()
            except OSError:
                pass
        self._hang_up()
        self._radio.down()

    def _hang_up(self):
        if self._stream is not None:
            try:
                self._stream.close()
            except OSError:
                pass
        self._stream = self._talk = None
        self._state = _AWAY
        self._pending = memoryview(b"")
        self._sent = []
        self._pinged = False
        self._box = b""
        self._in.clear()

    # --- what comes in ---

    def _hear(self):
        """True when a packet was dealt with."""
        if self._talk and not self._talk.room():
            return False
        packet = self._in.next()
        if packet is None:
            count = self._stream.read_into(self._in.room())
            if not count:
                return False
            self._in.took(count)
            packet = self._in.next()
        if packet is None:
            return True
        self._since_s = self._desk.control.uptime_s
        self._obey(packet[0], packet[1])
        return True

    def _obey(self, first, body):
        kind = first & 0xF0
        if kind == mqtt_packets.CONNACK and self._state == _GREETING:
            if len(body) != 2 or body[1]:
                raise ValueError("the broker refuses, code %d" % (body[1] if len(body) == 2 else -1))
            self._state = _SUBSCRIBING
            self._pending = self._out.subscribe(self._topic("command"), self._next_number())
        elif kind == mqtt_packets.SUBACK and self._state == _SUBSCRIBING:
            mqtt_packets.number_of(body)
            if body[2:] not in (b"\x00", b"\x01"):
                raise ValueError("the broker refuses the topic of commands")
            self._begin()
        elif kind == mqtt_packets.PUBACK and self._state == _TALKING:
            number = mqtt_packets.number_of(body)
            if number in self._sent:
                self._sent.remove(number)
        elif kind == mqtt_packets.PUBLISH and self._state == _TALKING:
            self._command(mqtt_packets.message_of(first, body))
        elif kind == mqtt_packets.PINGRESP:
            self._pinged = False
        else:
            raise ValueError("packet %02X out of place" % first)

    def _begin(self):
        self._state = _TALKING
        self._wait_s = _SHORTEST_WAIT_S
        self._reported = ""
        self._talk = Conversation(self._desk)
        self._publish("presence", (self._presence("true"),), True)

    def _command(self, message):
        topic, number, payload = message
        if number:
            self._pending = self._out.puback(number)
        if topic != self._topic("command") or self._guard is None:
            return
        line = self._guard.line_of(payload, self._desk.settings.box)
        try:
            if line is not None and self._talk.hear(line):
                return
        except ValueError:
            pass
        self._desk.bad_lines += 1

    # --- what goes out ---

    def _flush(self):
        """Number of bytes that did not go yet."""
        if self._pending:
            count = self._stream.write(self._pending)
            self._pending = self._pending[count:]
        return len(self._pending)

    def _say(self):
        """True when a packet was made ready."""
        if self._state != _TALKING or len(self._sent) >= _MAX_SENT:
            return False
        message = self._talk.next()
        if message is not None:
            name, values = message
            newest = name == "reading" and values[2] == self._desk.outbox.sequence
            try:
                self._publish(name, _json(name, values), newest or name == "hello")
            except ValueError as error:
                self._desk.say("%s not sent: %s" % (name, error))
            return True
        now_s = self._desk.control.uptime_s
        if now_s - self._said_s >= _PING_S and not self._pinged:
            self._said_s = now_s
            self._pinged = True
            self._pending = self._out.short(0xC0)
            return True
        return False

    def _publish(self, name, pieces, retain):
        number = self._next_number()
        self._out.begin_publish(self._topic(name), number)
        for piece in pieces:
            self._out.put(piece)
        self._pending = self._out.finish_publish(retain)
        self._sent.append(number)
        self._said_s = self._desk.control.uptime_s

    def _next_number(self):
        self._number = self._number % 65535 + 1
        return self._number

    def _topic(self, name):
        return b"groundbox/%s/%s" % (self._box, name.encode())

    def _presence(self, present):
        return b'{"box": "%s", "present": %s}' % (self._box, present.encode())


def _json(name, values):
    """A message as pieces of a JSON object; ValueError as line.encode."""
    sign = b'{"'
    for field, value in zip(BY_NAME[name][3], values):  # noqa: B905 (MicroPython's zip has no strict)
        check(field, value)
        yield b'%s%s": %s' % (sign, field[0].encode(), _cell(value).encode())
        sign = b', "'
    yield b"}"


def _cell(value):
    if value is None:
        return "null"
    if isinstance(value, str):
        return '"%s"' % value.replace("\\", "\\\\").replace('"', '\\"')
    return str(value)

"""Packets of MQTT 3.1.1, as much of it as a board needs. Pure: no socket, no clock; both buffers have a fixed size.

Source: OASIS standard MQTT 3.1.1, sections 2 (packet format) and 3 (packets).
"""

from micropython import const

CONNACK = const(0x20)
PUBLISH = const(0x30)
PUBACK = const(0x40)
SUBACK = const(0x90)
PINGRESP = const(0xD0)

_PUBLISH_1 = const(0x32)  # QoS 1
_RETAIN = const(1)
_CLEAN = const(0x02)
_WILL = const(0x2C)  # will, QoS 1, retained
_PASSWORD = const(0x40)
_USER = const(0x80)
_HEAD = const(3)  # room for type and a length of two digits before a packet's body
_LONGEST = const(16383)


class PacketWriter:
    """One packet at a time, put together in a kept buffer, to be sent in one write.

    Args:
        size: of the longest packet.
    """

    def __init__(self, size):
        self._buffer = bytearray(size)
        self._view = memoryview(self._buffer)
        self._end = _HEAD

    def begin(self):
        """Starts a new packet and discards the last one."""
        self._end = _HEAD

    def put(self, data):
        """Adds bytes. ValueError when the packet gets longer than the buffer."""
        end = self._end + len(data)
        if end > len(self._buffer):
            raise ValueError("packet longer than %d bytes" % len(self._buffer))
        self._buffer[self._end : end] = data
        self._end = end

    def number(self, value):
        """Adds a number of 16 bits."""
        self.put(bytes((value >> 8 & 255, value & 255)))

    def text(self, data):
        """Adds bytes with their length before them."""
        self.number(len(data))
        self.put(data)

    def finish(self, first):
        """The packet, with `first` as its first byte, as a memoryview that counts until the next `begin`."""
        length = self._end - _HEAD
        if length > 127:
            self._buffer[1] = length & 127 | 128
            self._buffer[2] = length >> 7
            start = 0
        else:
            self._buffer[2] = length
            start = 1
        self._buffer[start] = first
        return self._view[start : self._end]

    def connect(self, client, user, password, will_topic, will, keep_alive_s):
        """CONNECT with a clean session and a retained last will; all bytes, user and password may be None."""
        flags = _CLEAN | _WILL | (_USER if user is not None else 0) | (_PASSWORD if password is not None else 0)
        self.begin()
        self.text(b"MQTT")
        self.put(bytes((4, flags)))
        self.number(keep_alive_s)
        for part in (client, will_topic, will, user, password):
            if part is not None:
                self.text(part)
        return self.finish(0x10)

    def subscribe(self, topic, number):
        """SUBSCRIBE to one topic at QoS 1."""
        self.begin()
        self.number(number)
        self.text(topic)
        self.put(b"\x01")
        return self.finish(0x82)

    def begin_publish(self, topic, number):
        """Begins PUBLISH at QoS 1; `put` its payload, then `finish_publish`."""
        self.begin()
        self.text(topic)
        self.number(number)

    def finish_publish(self, retain):
        """The packet."""
        return self.finish(_PUBLISH_1 | _RETAIN if retain else _PUBLISH_1)

    def puback(self, number):
        """PUBACK of the packet with this number."""
        self.begin()
        self.number(number)
        return self.finish(0x40)

    def short(self, first):
        """A packet without a body: PINGREQ 0xC0, DISCONNECT 0xE0."""
        self.begin()
        return self.finish(first)


class PacketReader:
    """Bytes of a broker in, packets out. A packet longer than the buffer is passed over.

    Args:
        size: of the longest packet taken.
    """

    def __init__(self, size):
        self._buffer = bytearray(size)
        self._view = memoryview(self._buffer)
        self._length = 0
        self._skip = 0  # bytes of an overlong packet still to come

    def clear(self):
        """Forgets everything, for a new connection."""
        self._length = self._skip = 0

    def room(self):
        """Where the next bytes go."""
        return self._view[self._length :]

    def took(self, count):
        """`count` bytes were put into `room`."""
        self._length += count
        self._pass_over()

    def next(self):
        """(first byte, body as bytes) of the next packet, None while it is incomplete. ValueError: no MQTT."""
        head = self._head()
        if head is None:
            return None
        begin, length = head
        end = begin + length
        if end > len(self._buffer):
            self._skip = end
            self._pass_over()
            return self.next()
        if end > self._length:
            return None
        first = self._buffer[0]
        body = bytes(self._view[begin:end])
        self._drop(end)
        return first, body

    def _head(self):
        """(where the body begins, its length) or None."""
        length = 0
        for i in range(1, 5):
            if i >= self._length:
                return None
            digit = self._buffer[i]
            length |= (digit & 127) << 7 * (i - 1)
            if digit < 128:
                return i + 1, length
        raise ValueError("length of five digits")

    def _pass_over(self):
        count = min(self._skip, self._length)
        if count:
            self._skip -= count
            self._drop(count)

    def _drop(self, count):
        rest = self._length - count
        self._buffer[:rest] = bytes(self._view[count : self._length])
        self._length = rest


def message_of(first, body):
    """(topic, number, payload) of a PUBLISH; number 0 at QoS 0. ValueError: no such packet."""
    end = 2 + (body[0] << 8 | body[1]) if len(body) > 1 else 0
    quality = first >> 1 & 3
    payload = end + 2 if quality else end
    if not 2 < end <= len(body) or payload > len(body) or quality > 1:
        raise ValueError("no publish")
    number = body[end] << 8 | body[end + 1] if quality else 0
    return body[2:end], number, body[payload:]


def number_of(body):
    """Number of the packet that a PUBACK or SUBACK answers. ValueError: too short."""
    if len(body) < 2:
        raise ValueError("no number")
    return body[0] << 8 | body[1]

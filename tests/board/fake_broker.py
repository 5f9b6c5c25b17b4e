"""A broker in the test's own thread, turned by hand between pieces of virtual time, as good or bad as a test wants."""

import socket
from collections import deque


class FakeBroker:
    """Speaks as much MQTT 3.1.1 as a board needs.

    Attributes:
        heard: (topic, payload, retained) of all that boards published.
        said: bytes to send instead of answering, once a connection is there; None: answers as a broker does.
        code: of CONNACK.
        mute: takes everything and answers nothing.
        connections: how often one was made.
    """

    def __init__(self, port: int = 0) -> None:
        self._listener = socket.create_server(("127.0.0.1", port))
        self._listener.setblocking(False)
        self.port = self._listener.getsockname()[1]
        self._peer: socket.socket | None = None
        self._buffer = b""
        self.heard: deque[tuple[str, bytes, bool]] = deque()
        self.said: bytes | None = None
        self.code = 0
        self.mute = False
        self.connections = 0

    def close(self) -> None:
        self._listener.close()
        self.drop()

    def drop(self) -> None:
        """Ends the connection."""
        if self._peer:
            self._peer.close()
        self._peer, self._buffer = None, b""

    def publish(self, topic: str, payload: bytes) -> None:
        """Says something to the board at QoS 1."""
        self._send(packet(0x32, text(topic.encode()) + b"\x00\x07" + payload))

    def turn(self) -> None:
        """Deals with what has come."""
        try:
            peer = self._listener.accept()[0]
        except BlockingIOError:
            pass
        else:
            self.drop()
            peer.setblocking(False)
            self._peer, self.connections = peer, self.connections + 1
            if self.said is not None:
                self._send(self.said)
        if self._peer:
            self._read()

    def _read(self) -> None:
        assert self._peer
        try:
            data = self._peer.recv(65536)
        except BlockingIOError:
            return
        except ConnectionError:
            data = b""
        if not data:
            self.drop()
            return
        self._buffer += data
        while self._peer and (found := _cut(self._buffer)):
            first, body, self._buffer = found
            if not self.mute and self.said is None:
                self._answer(first, body)

    def _answer(self, first: int, body: bytes) -> None:
        match first >> 4:
            case 1:
                self._send(bytes((0x20, 2, 0, self.code)))
            case 3:
                length = int.from_bytes(body[:2], "big")
                topic, number, payload = body[2 : 2 + length], body[2 + length : 4 + length], body[4 + length :]
                self.heard.append((topic.decode(), payload, bool(first & 1)))
                self._send(b"\x40\x02" + number)
            case 8:
                self._send(b"\x90\x03" + body[:2] + b"\x01")
            case 12:
                self._send(b"\xd0\x00")

    def _send(self, data: bytes) -> None:
        if self._peer:
            try:
                self._peer.sendall(data)
            except (ConnectionError, BlockingIOError):
                self.drop()


def text(data: bytes) -> bytes:
    """Bytes with their length before them."""
    return len(data).to_bytes(2, "big") + data


def packet(first: int, body: bytes) -> bytes:
    """A packet of MQTT."""
    length, digits = len(body), b""
    while True:
        length, digit = divmod(length, 128)
        digits += bytes((digit | (128 if length else 0),))
        if not length:
            return bytes((first,)) + digits + body


def _cut(data: bytes) -> tuple[int, bytes, bytes] | None:
    """(first byte, body, rest) of the first whole packet."""
    length = 0
    for i, digit in enumerate(data[1:5]):
        length |= (digit & 127) << 7 * i
        if digit < 128:
            begin = 2 + i
            if len(data) < begin + length:
                return None
            return data[0], data[begin : begin + length], data[begin + length :]
    return None

"""Bytes of a serial line in, messages out, and messages to values in host units: pure, with one bounded buffer.

A damaged line is no exception: it is returned as Corrupt and counted. Console text shares the line with messages.
"""

from dataclasses import dataclass

from groundbox.conversion import from_wire
from groundbox.model import Event, Health, Hello, Reading, Summary
from groundbox.wire import line as wire_line
from groundbox.wire.messages import BY_NAME

MAX_BUFFERED = 2 * wire_line.MAX_LINE_BYTES  # room for two lines whose newline between was damaged


@dataclass(frozen=True, slots=True)
class Frame:
    """A whole message, checked against the registry; `values` in the registry's order and wire units."""

    name: str
    values: tuple[int | str | None, ...]

    @property
    def fields(self) -> dict[str, int | str | None]:
        """The values by name."""
        return {field[0]: value for field, value in zip(BY_NAME[self.name][3], self.values, strict=True)}


@dataclass(frozen=True, slots=True)
class OtherRegistry:
    """A board's undamaged hello by another registry than this program's.

    The first fields of a hello have the same place in every registry.
    """

    box: str
    firmware: str
    registry: str


@dataclass(frozen=True, slots=True)
class Corrupt:
    """A line that was a message once, or is not text."""

    cause: str
    data: bytes


@dataclass(frozen=True, slots=True)
class ConsoleText:
    """A line of plain text."""

    text: str


Found = Frame | OtherRegistry | Corrupt | ConsoleText
BoardItem = Reading | Event | Summary | Hello | Health


class Decoder:
    """Cuts bytes into lines, in pieces of any size, and decodes each line."""

    def __init__(self) -> None:
        self._buffer = bytearray()

    def feed(self, data: bytes) -> list[Found]:
        """What `data` completes; never raises, never keeps more than MAX_BUFFERED bytes."""
        found: list[Found] = []
        for start in range(0, len(data), MAX_BUFFERED):
            self._buffer += data[start : start + MAX_BUFFERED]
            while (text := self._cut()) is not None:
                found += classify(text)
        return found

    def _cut(self) -> bytes | None:
        """The next line without its newline, or as much of it as the buffer may hold; None while incomplete."""
        end = self._buffer.find(b"\n", 0, MAX_BUFFERED + 1)
        if end < 0 and len(self._buffer) <= MAX_BUFFERED:
            return None
        text = bytes(self._buffer[: end if end >= 0 else MAX_BUFFERED])
        del self._buffer[: end + 1 if end >= 0 else MAX_BUFFERED]
        return text


def classify(text: bytes) -> list[Found]:
    """What one line holds: nothing, one message or text, or several where the newline between was damaged."""
    text = text.strip()
    if not text:
        return []
    whole = _message(text)
    if not isinstance(whole, Corrupt):
        return [whole]
    pieces = _pieces(text)
    if len(pieces) > 1:
        messages = [_message(piece) for piece in pieces]
        if not all(isinstance(message, Corrupt) for message in messages):
            return [
                _otherwise(piece, message.cause) if isinstance(message, Corrupt) else message
                for piece, message in zip(pieces, messages, strict=True)
            ]
    return [_otherwise(text, whole.cause)]


def _pieces(text: bytes) -> list[bytes]:
    """`text` cut before every opening brace."""
    head, *rest = text.split(b"{")
    return ([head] if head else []) + [b"{" + piece for piece in rest]


def _message(text: bytes) -> Frame | OtherRegistry | Corrupt:
    try:
        name, values = wire_line.decode(text)
    except ValueError as error:
        return _other_registry(text) or Corrupt(str(error), text)
    return Frame(name, tuple(values))


def _other_registry(text: bytes) -> OtherRegistry | None:
    """A hello that this registry cannot decode although its checksum is right."""
    try:
        words = wire_line.words_of(text)
    except ValueError:
        return None
    if words[0] != "hello" or len(words) < 6:
        return None
    return OtherRegistry(box=words[1], firmware=words[4], registry=words[5])


def _otherwise(text: bytes, cause: str) -> Corrupt | ConsoleText:
    if wire_line.looks_like_ours(text):
        return Corrupt(cause, text)
    if not all(32 <= byte < 127 or byte == 9 for byte in text):
        return Corrupt("not plain text", text)
    return ConsoleText(text.decode("ascii"))


def to_item(frame: Frame, **host_only: object) -> BoardItem | None:
    """The value of a board's message; None for a message that only the link uses.

    Args:
        frame: a decoded message.
        host_only: wall_s, wall_uncertainty_s, wall_source, again; as far as known.

    Raises:
        WireError: a required field is unknown.
    """
    match frame.name:
        case "reading":
            return from_wire(Reading, frame.values, **host_only)
        case "event":
            return from_wire(Event, frame.values, **host_only)
        case "summary":
            return from_wire(Summary, frame.values, **host_only)
        case "hello":
            return from_wire(Hello, frame.values, **host_only)
        case "health":
            return from_wire(Health, frame.values, **host_only)
    return None

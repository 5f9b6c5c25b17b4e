"""Asks a running board, one question at a time. No records are taken: those stay on the board for `groundbox log`."""

import time
from collections.abc import Callable, Iterator
from errno import EACCES, EBUSY, ENOENT
from random import randrange
from typing import TypeVar

import serial

from groundbox.errors import BadInput, LinkError
from groundbox.link.commands import command_values
from groundbox.link.decode import Decoder, Frame, OtherRegistry
from groundbox.wire import line as wire_line

ANSWER_S = 5.0
WHO_S = 1.0
READ_S = 0.05
Fields = dict[str, int | str | None]
Result = TypeVar("Result")
_IN_USE = (
    "another program has the port open, `groundbox log` perhaps: stop that with Ctrl-C, do this, and start it again"
)
_MENDS = {
    ENOENT: "there is no such port, unless its board is just restarting; without a port the board is found by itself",
    EACCES: "not allowed to open the port: add yourself to the group that owns it (often dialout)",
}


class Dialogue:
    """A port with a board at it; a context manager.

    Args:
        port: device path.

    Attributes:
        box: the board's name, once it has said hello.
        hello: fields of its hello; {} while unknown or of another registry.

    Raises:
        BadInput: the port is not there, not allowed, or in use.
    """

    def __init__(self, port: str) -> None:
        self.port = port
        self.box = ""
        self.hello: Fields = {}
        self._serial = open_port(port)
        self._decoder = Decoder()
        self._number = randrange(1 << 28)

    def __enter__(self) -> "Dialogue":
        return self

    def __exit__(self, *_: object) -> None:
        self._serial.close()

    def meet(self, wait_s: float) -> bool:
        """True once the board has said who it is."""
        late_s = time.monotonic() + wait_s
        while not self.box and time.monotonic() < late_s:
            self._say("who", "*")
            for _ in self._hear(WHO_S):
                if self.box:
                    break
        return bool(self.box)

    def ask(self, name: str, **fields: int | str | None) -> Fields:
        """The board's answer to command `name` of the registry.

        Raises:
            LinkError: none came.
        """
        number = self._say(name, self.box, **fields)
        for frame in self._hear(ANSWER_S):
            if frame.name == "answer" and frame.fields["command"] == number:
                return frame.fields
        raise LinkError(f"{self.port}: box {self.box} does not answer {name} within {ANSWER_S:.0f} s")

    def settings(self, count: int) -> dict[str, Fields]:
        """Name -> answer, of the box's name and `count` settings."""
        number = self._say("get", self.box, setting="*")
        found: dict[str, Fields] = {}
        for frame in self._hear(ANSWER_S):
            if frame.name == "answer" and frame.fields["command"] == number:
                found[str(frame.fields["setting"])] = frame.fields
            if len(found) > count:
                return found
        raise LinkError(f"{self.port}: box {self.box} told {len(found)} of {count + 1} settings; ask again")

    def readings(self, wait_s: float) -> Iterator[Fields]:
        """The readings made from now on, as they come, for so long. What has waited meanwhile is passed over."""
        self._guarded(self._serial.reset_input_buffer)
        self._decoder = Decoder()
        newest: int | None = None  # known once the board has said which record is its newest
        late_s = time.monotonic() + wait_s
        while newest is None and time.monotonic() < late_s:
            self._say("who", self.box)
            newest = next((_sequence(one) for one in self._hear(WHO_S) if one.name == "hello"), None)
        for frame in self._hear(late_s - time.monotonic()):
            if frame.name == "reading" and newest is not None and _sequence(frame) > newest:
                newest = _sequence(frame)
                yield frame.fields

    def _say(self, name: str, box: str, **fields: int | str | None) -> int:
        self._number += 1
        values = list(command_values(name, box, self._number, fields))
        self._guarded(lambda: self._serial.write(wire_line.encode(name, values)))
        return self._number

    def _hear(self, wait_s: float) -> Iterator[Frame]:
        """Messages as they come, for so long."""
        late_s = time.monotonic() + wait_s
        while time.monotonic() < late_s:
            data = self._guarded(lambda: self._serial.read(1) + self._serial.read(self._serial.in_waiting))
            for found in self._decoder.feed(data):
                if isinstance(found, OtherRegistry):
                    self.box = found.box
                elif isinstance(found, Frame):
                    if found.name == "hello":
                        self.box, self.hello = str(found.fields["box"]), found.fields
                    yield found

    def _guarded(self, do: Callable[[], Result]) -> Result:
        try:
            return do()
        except OSError as error:  # pyserial's errors are OSErrors
            raise LinkError(f"{self.port}: the connection was lost: unplugged, or the board restarted") from error


def _sequence(frame: Frame) -> int:
    sequence = frame.fields["sequence"]
    return sequence if isinstance(sequence, int) else 0


def open_port(port: str) -> serial.Serial:
    """The port, for this program alone.

    Raises:
        BadInput: it is not there, not allowed, or in use.
    """
    try:
        return serial.Serial(port, 115200, timeout=READ_S, write_timeout=2.0, exclusive=True)
    except OSError as error:
        busy = error.errno == EBUSY or "exclusively lock" in str(error)
        mend = _IN_USE if busy else _MENDS.get(error.errno or 0, f"is no serial port that can be opened ({error})")
        raise BadInput(port, "", mend) from error

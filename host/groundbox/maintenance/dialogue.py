"""Sends commands to a running board, one at a time. It takes no records: the board keeps them for `groundbox log`."""

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
_IN_USE = "another program has the port open: stop `groundbox log` with Ctrl-C and try again"
_FIXES = {
    ENOENT: "there is no such port, or its board restarts now; without PORT the only board is found by itself",
    EACCES: "no permission to open the port: add yourself to the group that owns it (often dialout)",
}


class Dialogue:
    """A port with a board at it; a context manager.

    Args:
        port: device path.

    Attributes:
        box: the board's name; "" before its hello.
        hello: fields of its hello; {} while unknown, or with another registry.

    Raises:
        BadInput: the port is missing, without permission, or in use.
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
        """True once the board has answered who it is."""
        end_s = time.monotonic() + wait_s
        while not self.box and time.monotonic() < end_s:
            self._send("who", "*")
            for _ in self._receive(WHO_S):
                if self.box:
                    break
        return bool(self.box)

    def ask(self, name: str, **fields: int | str | None) -> Fields:
        """The board's answer to command `name` of the registry.

        Raises:
            LinkError: no answer within ANSWER_S.
        """
        number = self._send(name, self.box, **fields)
        for frame in self._receive(ANSWER_S):
            if frame.name == "answer" and frame.fields["command"] == number:
                return frame.fields
        raise LinkError(f"{self.port}: box {self.box} does not answer {name} within {ANSWER_S:.0f} s")

    def settings(self, count: int) -> dict[str, Fields]:
        """Name -> answer, of the box's name and `count` settings."""
        number = self._send("get", self.box, setting="*")
        found: dict[str, Fields] = {}
        for frame in self._receive(ANSWER_S):
            if frame.name == "answer" and frame.fields["command"] == number:
                found[str(frame.fields["setting"])] = frame.fields
            if len(found) > count:
                return found
        raise LinkError(f"{self.port}: box {self.box} sent {len(found)} of {count + 1} settings; try again")

    def readings(self, wait_s: float) -> Iterator[Fields]:
        """The readings measured from now on, for `wait_s` seconds. Earlier readings are skipped."""
        self._checked(self._serial.reset_input_buffer)
        self._decoder = Decoder()
        newest: int | None = None  # number of its newest record, from its hello
        end_s = time.monotonic() + wait_s
        while newest is None and time.monotonic() < end_s:
            self._send("who", self.box)
            newest = next((_sequence(one) for one in self._receive(WHO_S) if one.name == "hello"), None)
        for frame in self._receive(end_s - time.monotonic()):
            if frame.name == "reading" and newest is not None and _sequence(frame) > newest:
                newest = _sequence(frame)
                yield frame.fields

    def _send(self, name: str, box: str, **fields: int | str | None) -> int:
        self._number += 1
        values = list(command_values(name, box, self._number, fields))
        self._checked(lambda: self._serial.write(wire_line.encode(name, values)))
        return self._number

    def _receive(self, wait_s: float) -> Iterator[Frame]:
        """The messages that arrive within `wait_s` seconds."""
        end_s = time.monotonic() + wait_s
        while time.monotonic() < end_s:
            data = self._checked(lambda: self._serial.read(1) + self._serial.read(self._serial.in_waiting))
            for found in self._decoder.feed(data):
                if isinstance(found, OtherRegistry):
                    self.box = found.box
                elif isinstance(found, Frame):
                    if found.name == "hello":
                        self.box, self.hello = str(found.fields["box"]), found.fields
                    yield found

    def _checked(self, do: Callable[[], Result]) -> Result:
        try:
            return do()
        except OSError as error:  # pyserial's errors are OSErrors
            raise LinkError(
                f"{self.port}: the connection is lost: the cable was unplugged or the board restarted; try again"
            ) from error


def _sequence(frame: Frame) -> int:
    sequence = frame.fields["sequence"]
    return sequence if isinstance(sequence, int) else 0


def open_port(port: str) -> serial.Serial:
    """The port, locked for this program.

    Raises:
        BadInput: it is missing, without permission, or in use.
    """
    try:
        return serial.Serial(port, 115200, timeout=READ_S, write_timeout=2.0, exclusive=True)
    except OSError as error:
        busy = error.errno == EBUSY or "exclusively lock" in str(error)
        fix = _IN_USE if busy else _FIXES.get(error.errno or 0, f"cannot be opened as a serial port ({error})")
        raise BadInput(port, "", fix) from error

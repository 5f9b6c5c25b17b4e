"""What the parts of `groundbox board` share: the port, and a board that answers there."""

from collections.abc import Iterator
from contextlib import contextmanager

import click
from serial.tools import list_ports

from groundbox.errors import BadInput, LinkError
from groundbox.maintenance.dialogue import Dialogue, Fields
from groundbox.wire.messages import checksum

MEET_S = 8.0

port_argument = click.argument("port", required=False)


def chosen_port(port: str | None) -> str:
    """`port`, or the only USB serial port there is.

    Raises:
        BadInput: there is none, or more than one.
    """
    if port is not None:
        return port
    found: list[str] = sorted(one.device for one in list_ports.comports() if one.vid is not None)
    if len(found) == 1:
        return found[0]
    if not found:
        raise BadInput("port", "", "no board is plugged in; plug it in, or give its PORT")
    raise BadInput("port", "", f"several boards are plugged in; give one of {', '.join(found)}")


@contextmanager
def talking(port: str | None) -> Iterator[Dialogue]:
    """A board that runs this package's firmware.

    Raises:
        BadInput: the port cannot be opened, or the board has another firmware.
        LinkError: no board answers there.
    """
    with Dialogue(chosen_port(port)) as board:
        if not board.meet(MEET_S):
            raise LinkError(
                f"{board.port}: no board answers within {MEET_S:.0f} s; it may have no firmware, or be in maintenance; "
                "type: groundbox board install"
            )
        if not board.hello or board.hello["registry"] != checksum():
            raise BadInput(
                board.port, f"box {board.box}", "has another firmware than this package; type: groundbox board install"
            )
        yield board


def done(answer: Fields) -> Fields:
    """`answer`, when the board has carried out the command.

    Raises:
        BadInput: it refused; the message is its reason.
    """
    if answer["result"] != "ok":
        raise BadInput("board", str(answer["setting"] or ""), str(answer["reason"] or "refused").replace("_", " "))
    return answer

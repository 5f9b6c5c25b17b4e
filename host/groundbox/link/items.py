"""Decoded messages to values in volts and degrees Celsius, and commands to lines: the registry drives both."""

from groundbox.conversion import from_wire
from groundbox.errors import WireError
from groundbox.link.decode import Frame
from groundbox.model import Event, Health, Hello, Reading, Summary, WireValues
from groundbox.wire import line as wire_line
from groundbox.wire.messages import BY_NAME

Told = Reading | Event | Summary | Hello | Health


def to_item(frame: Frame, **host_only: object) -> Told | None:
    """The value a board's message stands for; None for messages that only matter to the link.

    Args:
        frame: a decoded message.
        host_only: wall_s, wall_uncertainty_s, wall_source, again: where known.

    Raises:
        WireError: something without which the message says nothing is unknown.
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


def command_values(name: str, box: str, number: int, fields: dict[str, int | str | None]) -> WireValues:
    """Values of command `name` in the registry's order.

    Raises:
        WireError: no such command, or a field that is missing, unknown or out of range; the message names it.
    """
    message = BY_NAME.get(name)
    if message is None or message[1] != "host":
        raise WireError(f"no command is called {name}")
    given: dict[str, int | str | None] = {"box": box, "command": number, **fields}
    names = [field[0] for field in message[3]]
    if set(given) != set(names):
        wanted = ", ".join(names[2:]) or "nothing"
        raise WireError(f"{name} takes {wanted}; got {', '.join(fields) or 'nothing'}")
    values = tuple(given[field] for field in names)
    try:
        wire_line.encode(name, list(values))
    except ValueError as error:
        raise WireError(f"{name}: {error}") from None
    return values

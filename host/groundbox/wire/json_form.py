"""The JSON form: one message as an object with named fields, null for unknown; the same registry, the same checks."""

import json

from groundbox.wire.line import check
from groundbox.wire.messages import BY_NAME

LONGEST_JSON = 4096


def encode(name: str, values: list[int | str | None]) -> str:
    """JSON text of a message; arguments and errors as in line.encode."""
    fields = BY_NAME[name][3]
    if len(values) != len(fields):
        raise ValueError("%s wants %d values, got %d" % (name, len(fields), len(values)))
    for field, value in zip(fields, values):  # noqa: B905 (MicroPython's zip has no strict)
        check(field, value)
    return json.dumps({field[0]: value for field, value in zip(fields, values)})  # noqa: B905


def decode(name: str, text: bytes) -> list[int | str | None]:
    """Values, in the registry's order, of message `name` in JSON.

    Raises:
        ValueError: no such message, not JSON, a field missing, unknown or out of range; the message says which.
    """
    message = BY_NAME.get(name)
    if message is None:
        raise ValueError("no message is called " + name)
    if len(text) > LONGEST_JSON:
        raise ValueError("longer than %d bytes" % LONGEST_JSON)
    found = _object(text)
    fields = message[3]
    for field in fields:
        if field[0] not in found:
            raise ValueError("no field " + field[0])
        check(field, found[field[0]])
    if len(found) != len(fields):
        known = [field[0] for field in fields]
        raise ValueError("unknown field " + [key for key in found if key not in known][0][:32])
    return [found[field[0]] for field in fields]


def _object(text: bytes) -> dict[str, int | str | None]:
    try:
        found = json.loads(text)
    except (ValueError, RuntimeError):  # RuntimeError: nested too deeply
        raise ValueError("not JSON")
    if not isinstance(found, dict):
        raise ValueError("not an object")
    return found

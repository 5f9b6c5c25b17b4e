"""The JSON form: one message as an object with named fields, null for unknown; the same registry, the same checks."""

import json
from functools import cache
from typing import Annotated, Any, Literal

import msgspec

from groundbox.wire.line import check
from groundbox.wire.messages import BY_NAME

MAX_JSON_BYTES = 4096
WORD = r"\A[!-z]*\Z"  # printable, without space and "{|}~"


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
        ValueError: no such message, not JSON, a field missing, unknown or out of range; the message names it.
    """
    if name not in BY_NAME:
        raise ValueError("no message is called " + name)
    if len(text) > MAX_JSON_BYTES:
        raise ValueError("longer than %d bytes" % MAX_JSON_BYTES)
    return list(msgspec.structs.astuple(_decoder(name).decode(text)))


@cache
def _decoder(name: str) -> msgspec.json.Decoder[msgspec.Struct]:
    """Checks every field as it reads, by the registry."""
    fields = [(field[0], _fits(field) | None) for field in BY_NAME[name][3]]
    return msgspec.json.Decoder(msgspec.defstruct(name, fields, forbid_unknown_fields=True))


def _fits(field: tuple[str, str | tuple[str, ...], int, int]) -> Any:
    """The type of the values that `line.check` lets through, None aside."""
    _, code, low, high = field
    if isinstance(code, tuple):
        return Literal[code]
    if code == "s":
        return Annotated[str, msgspec.Meta(min_length=low, max_length=high, pattern=WORD)]
    return Annotated[int, msgspec.Meta(ge=low, le=high)]

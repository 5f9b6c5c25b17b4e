"""The line and JSON decoders, fed with any input: the result is a value of the registry or ValueError.

GROUNDBOX_FUZZ_MINUTES=10 runs it for so long instead of a moment.
"""

import json
import os
import time
from binascii import crc32
from collections.abc import Callable

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from groundbox.errors import WireError
from groundbox.link.decode import MAX_BUFFERED, Decoder, Frame, to_item
from groundbox.wire import auth, json_form, line
from groundbox.wire.messages import BY_NAME

MINUTES = float(os.environ.get("GROUNDBOX_FUZZ_MINUTES", "0"))


def campaign(test: Callable[[], None]) -> Callable[[], None]:
    """`test` once and shortly; or repeatedly for one fifth of the requested time."""
    once = settings(
        max_examples=2000 if MINUTES else 60,
        deadline=None,
        suppress_health_check=list(HealthCheck),
        derandomize=not MINUTES,
        database=None,
    )(test)

    def run() -> None:
        ends_s, runs = time.monotonic() + 12 * MINUTES, 1
        once()
        while time.monotonic() < ends_s:
            once()
            runs += 1
        if MINUTES:
            print(test.__name__, "examples:", 2000 * runs)

    return run


NAMES = sorted(BY_NAME)
# A small corpus: what once was, or nearly was, taken wrongly.
CORPUS = (
    b"{}00000000\n",
    b"{|}00000000",
    b"{" * 600,
    b"\n" * 50,
    b"{reading|~" + b"|~" * 60 + b"}00000000\n",
    b'{"box": "mast\\u0000"}',
    b'{"box": NaN}',
    b"[" * 4000,
    b'{"a":' * 500,
    b"\xff\xfe\x00",
)


def _whole(name: str) -> st.SearchStrategy[list[object]]:
    """Values of a message, in range or unknown."""
    return st.tuples(*(_field(*field) for field in BY_NAME[name][3])).map(list)


def _field(name: str, code: object, low: int, high: int) -> st.SearchStrategy[object]:
    if isinstance(code, tuple):
        return st.none() | st.sampled_from(code)
    if code == "s":
        plain = st.characters(min_codepoint=33, max_codepoint=122)
        return st.none() | st.text(plain, min_size=low, max_size=min(high, 12))
    return st.none() | st.sampled_from([low, high]) | st.integers(low, high)


MESSAGES = st.sampled_from(NAMES).flatmap(lambda name: st.tuples(st.just(name), _whole(name)))
LEAVES = st.none() | st.booleans() | st.integers() | st.floats() | st.text()
TREES = st.recursive(LEAVES, lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner), max_leaves=20)


def _harmless(name: str, values: list[object]) -> None:
    for field, value in zip(BY_NAME[name][3], values, strict=True):
        line.check(field, value)  # type: ignore[arg-type]
    if BY_NAME[name][1] == "board":
        try:
            to_item(Frame(name, tuple(values)))  # type: ignore[arg-type]
        except WireError:
            return


@campaign
@given(MESSAGES)
def test_an_encoded_message_is_decoded(message: tuple[str, list[object]]) -> None:
    name, values = message
    try:
        encoded = line.encode(name, values)  # type: ignore[arg-type]
    except ValueError:
        return  # longer than a line, or a text that cannot stand in one
    assert line.decode(encoded) == (name, values) or len(encoded) > line.MAX_LINE_BYTES
    assert json_form.decode(name, json_form.encode(name, values).encode()) == values  # type: ignore[arg-type]


@campaign
@given(st.lists(st.binary(max_size=300) | st.sampled_from(CORPUS) | MESSAGES, max_size=8), st.integers(1, 40))
def test_any_bytes_on_a_line(pieces: list[object], cut: int) -> None:
    decoder, data = Decoder(), b""
    for piece in pieces:
        if isinstance(piece, bytes):
            data += piece
        else:
            try:
                data += line.encode(*piece)  # type: ignore[misc]
            except ValueError:
                continue
    for at in range(0, len(data), cut):
        for found in decoder.feed(data[at : at + cut]):
            if isinstance(found, Frame):
                _harmless(found.name, list(found.values))
        assert len(decoder._buffer) <= MAX_BUFFERED


@campaign
@given(MESSAGES, st.data())
def test_a_damaged_line_is_detected(message: tuple[str, list[object]], data: st.DataObject) -> None:
    try:
        encoded = line.encode(*message)  # type: ignore[arg-type]
    except ValueError:
        return
    at = data.draw(st.integers(0, len(encoded) - 2))
    wrong = encoded[:at] + bytes([encoded[at] ^ data.draw(st.integers(1, 255))]) + encoded[at + 1 :]
    try:
        found = line.decode(wrong)
    except ValueError:
        found = None
    assert found is None or wrong.strip() != encoded.strip() and found[1] == message[1]
    inner = b"|".join([b"reading", *(b"%d" % data.draw(st.integers()) for _ in BY_NAME["reading"][3])])
    try:  # a right checksum over a wrong message
        name, values = line.decode(b"{%s}%08X" % (inner, crc32(inner)))
    except ValueError:
        return
    _harmless(name, values)


@campaign
@given(
    st.sampled_from(NAMES),
    TREES | MESSAGES.map(lambda m: dict(zip([f[0] for f in BY_NAME[m[0]][3]], m[1], strict=True))),
)
def test_any_json(name: str, tree: object) -> None:
    for text in (json.dumps(tree).encode(), *CORPUS):
        try:
            _harmless(name, json_form.decode(name, text))
        except ValueError:
            continue


@campaign
@given(st.binary(max_size=200), st.binary(min_size=32, max_size=32))
def test_unsealed_bytes_are_never_accepted_as_sealed(sealed: bytes, key: bytes) -> None:
    assert auth.unseal(key, "mast", sealed) is None

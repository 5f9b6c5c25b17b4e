"""The decoder: one table of cases, whole, byte by byte and in random pieces; and random bytes."""

import random
from binascii import crc32

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from groundbox.link.decode import MAX_BUFFERED, ConsoleText, Corrupt, Decoder, Frame, OtherRegistry
from groundbox.wire import line

EVENT = line.encode("event", ["mast", 3, 7, 61_000, "launch", None])
EVENT_FRAME = Frame("event", ("mast", 3, 7, 61_000, "launch", None))
WHO = line.encode("who", ["*", 1])
DAMAGED = EVENT.replace(b"61000", b"61001")


def _line(body: bytes) -> bytes:
    return b"{%s}%08X\n" % (body, crc32(body))


NEWER_HELLO = _line(b"hello|mast|3|7|0.9.0|0BADCAFE|more|than|we|know|of")

# (what it is, bytes, what must come out)
CASES = [
    ("nothing", b"", []),
    ("empty lines", b"\n\r\n\n", []),
    ("one message", EVENT, [EVENT_FRAME]),
    ("carriage return before the newline", EVENT[:-1] + b"\r\n", [EVENT_FRAME]),
    ("two messages", EVENT + EVENT, [EVENT_FRAME, EVENT_FRAME]),
    ("not finished", EVENT[:-1], []),
    ("console text between", EVENT + b"fans ready\n" + EVENT, [EVENT_FRAME, ConsoleText("fans ready"), EVENT_FRAME]),
    ("a traceback", b'Traceback:\n  File "main.py"\n', [ConsoleText("Traceback:"), ConsoleText('File "main.py"')]),
    ("a changed digit", DAMAGED, [Corrupt("checksum differs", DAMAGED.strip())]),
    ("its end only", EVENT[9:], [Corrupt("no braces", EVENT[9:].strip())]),
    ("its beginning only", EVENT[:20] + b"\n", [Corrupt("no braces", EVENT[:20])]),
    ("the newline between lost", EVENT[:-1] + EVENT, [EVENT_FRAME, EVENT_FRAME]),
    ("text before, newline lost", b"ready" + EVENT, [ConsoleText("ready"), EVENT_FRAME]),
    ("a torn one before", EVENT[:20] + EVENT, [Corrupt("no braces", EVENT[:20]), EVENT_FRAME]),
    ("a dictionary printed", b"state {'fan': 1}\n", [ConsoleText("state {'fan': 1}")]),
    ("not text", b"\x00\xff\x80abc\n", [Corrupt("not plain text", b"\x00\xff\x80abc")]),
    ("an echo of a command", WHO, [Frame("who", ("*", 1))]),
    ("a newer hello", NEWER_HELLO, [OtherRegistry("mast", "0.9.0", "0BADCAFE")]),
    (
        "an unknown message",
        _line(b"song|mast|3|7"),
        [Corrupt("no message is called song", _line(b"song|mast|3|7").strip())],
    ),
]
CASES_BY_NAME = pytest.mark.parametrize(("data", "expected"), [case[1:] for case in CASES], ids=[c[0] for c in CASES])


def _fed(pieces: list[bytes]) -> list[object]:
    decoder = Decoder()
    return [found for piece in pieces for found in decoder.feed(piece)]


def _cut(data: bytes, seed: int) -> list[bytes]:
    dice = random.Random(seed)
    places = sorted(dice.randrange(len(data) + 1) for _ in range(dice.randrange(8)))
    return [data[a:b] for a, b in zip([0, *places], [*places, len(data)], strict=True)]


@CASES_BY_NAME
def test_whole(data: bytes, expected: list[object]) -> None:
    assert _fed([data]) == expected


@CASES_BY_NAME
def test_byte_by_byte(data: bytes, expected: list[object]) -> None:
    assert _fed([data[i : i + 1] for i in range(len(data))]) == expected


@CASES_BY_NAME
def test_in_random_pieces(data: bytes, expected: list[object]) -> None:
    for seed in range(20):
        assert _fed(_cut(data, seed)) == expected


def test_continues_after_any_malformed_input() -> None:
    """A newline ends any malformed input before it."""
    for _, malformed, _ in CASES:
        assert _fed([malformed, b"\n", EVENT])[-1] == EVENT_FRAME


def test_long_lines_do_not_fill_memory() -> None:
    decoder = Decoder()
    found = [one for _ in range(100) for one in decoder.feed(b"x" * 1000)]
    assert len(decoder._buffer) <= MAX_BUFFERED
    assert sum(len(one.text) for one in found if isinstance(one, ConsoleText)) >= 98_000
    decoder.feed(b"\n")
    assert decoder.feed(EVENT) == [EVENT_FRAME]


def test_a_line_that_just_fits_the_buffer_comes_at_once() -> None:
    """With its newline the line has exactly MAX_BUFFERED bytes; nothing waits for the next one."""
    assert _fed([b"x" * (MAX_BUFFERED - 1) + b"\n"]) == [ConsoleText("x" * (MAX_BUFFERED - 1))]


@given(st.lists(st.binary(max_size=300), max_size=12), st.integers(0, 1 << 30))
@settings(max_examples=150, deadline=None)
def test_random_bytes_give_no_message_and_no_error(pieces: list[bytes], seed: int) -> None:
    data = b"".join(pieces)
    whole = _fed([data])
    assert not any(isinstance(found, Frame) for found in whole)
    assert _fed(_cut(data, seed)) == whole


@given(st.data())
@settings(max_examples=300, deadline=None)
def test_flipped_bits_never_give_a_wrong_message(data: st.DataObject) -> None:
    """CRC-32 finds any 4 flipped bits in lines up to 2974 bits (Koopman 2002, from memory), and nearly all of more."""
    bits = data.draw(st.lists(st.integers(0, len(EVENT) * 8 - 1), min_size=1, max_size=8, unique=True))
    damaged = bytearray(EVENT + EVENT)
    for bit in bits:
        damaged[bit // 8] ^= 1 << bit % 8
    for found in _fed([bytes(damaged)]):
        if isinstance(found, Frame):
            assert found == EVENT_FRAME


def test_the_check_finds_a_wrong_message() -> None:
    """The two tests above can fail: a line with another value and its right checksum is accepted."""
    other = line.encode("event", ["mast", 3, 7, 61_001, "launch", None])
    assert _fed([other]) != [EVENT_FRAME]
    assert isinstance(_fed([other])[0], Frame)


def test_the_longest_line_is_read_and_a_longer_one_is_not() -> None:
    fits = _line(b"x" * (line.MAX_LINE_BYTES - 10)).strip()
    assert len(fits) == line.MAX_LINE_BYTES
    assert line.words_of(fits) == ["x" * (line.MAX_LINE_BYTES - 10)]
    with pytest.raises(ValueError, match="longer than 512 bytes"):
        line.words_of(_line(b"x" * (line.MAX_LINE_BYTES - 9)))


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"a\tb\n", [ConsoleText("a\tb")]),
        (b"a\x12b\n", [Corrupt("not plain text", b"a\x12b")]),
        (b" ~\n", [ConsoleText("~")]),
        (b"a\x1fb\n", [Corrupt("not plain text", b"a\x1fb")]),
        (b"a\x7fb\n", [Corrupt("not plain text", b"a\x7fb")]),
    ],
)
def test_console_text_is_printable_ascii_and_tabs(data: bytes, expected: list[object]) -> None:
    assert _fed([data]) == expected


@pytest.mark.parametrize("body", [b"hello|mast|3|7|0.9.0", b"song|mast|3|7|0.9.0|0BADCAFE|more"])
def test_only_a_hello_with_a_registry_names_another_registry(body: bytes) -> None:
    (found,) = _fed([_line(body)])
    assert isinstance(found, Corrupt)


def test_a_hello_that_ends_with_its_registry_is_enough() -> None:
    assert _fed([_line(b"hello|mast|3|7|0.9.0|0BADCAFE")]) == [OtherRegistry("mast", "0.9.0", "0BADCAFE")]

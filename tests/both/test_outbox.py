"""The ring of records: order, overwriting, release, and what comes out of it."""

from core.reading import BoardReading
from groundbox.wire.line import decode, encode
from groundbox.wire.messages import EVENTS, UNKNOWN, fields_of
from uplinks.outbox import Outbox


def put(outbox, count):
    for _ in range(count):
        n = outbox.sequence + 1
        outbox.put_event(n, n % 1000, 1, n)


def numbers(outbox):
    """Sequence numbers that come out, after checking that each carries its own."""
    found = []
    for sequence in range(outbox.sequence + 2):
        record = outbox.unpack(sequence)
        if record:
            name, values = record
            assert name == "event"
            assert values == [sequence * 1000 + sequence % 1000, EVENTS[1], sequence]
            found.append(sequence)
    return found


def test_empty():
    outbox = Outbox(4)
    assert (outbox.sequence, outbox.oldest, outbox.stored_to, outbox.dropped) == (0, 1, 0, 0)
    assert numbers(outbox) == []


def test_full_ring_loses_the_oldest_and_counts_it():
    outbox = Outbox(4)
    put(outbox, 4)
    assert numbers(outbox) == [1, 2, 3, 4]
    assert outbox.dropped == 0
    put(outbox, 1)
    assert numbers(outbox) == [2, 3, 4, 5]
    assert (outbox.oldest, outbox.dropped) == (2, 1)
    put(outbox, 100)
    assert numbers(outbox) == [102, 103, 104, 105]
    assert outbox.dropped == 101


def test_what_is_stored_may_go_uncounted():
    outbox = Outbox(4)
    put(outbox, 4)
    outbox.stored(3)
    put(outbox, 4)
    assert outbox.dropped == 1
    outbox.stored(8)
    put(outbox, 4)
    assert outbox.dropped == 1
    assert numbers(outbox) == [9, 10, 11, 12]


def test_stored_goes_forward_only_and_never_past_the_newest():
    outbox = Outbox(4)
    put(outbox, 3)
    outbox.stored(2)
    outbox.stored(1)
    assert outbox.stored_to == 2
    outbox.stored(4)
    assert outbox.stored_to == 2
    outbox.stored(3)
    assert outbox.stored_to == 3


def test_a_reading_comes_out_as_the_registry_wants_it():
    reading = BoardReading()
    for place, field in enumerate(fields_of("reading")[4:]):
        name, code, low, high = field
        if isinstance(code, tuple):
            setattr(reading, name, place % len(code))
        else:
            setattr(reading, name, high if place % 2 else low)
    outbox = Outbox(3)
    put(outbox, 2)
    outbox.put_reading(2000000, 999, reading)
    name, values = outbox.unpack(3)
    assert values[0] == 2000000999
    for place, field in enumerate(fields_of("reading")[4:]):
        code = field[1]
        cell = getattr(reading, field[0])
        assert values[1 + place] == (code[cell] if isinstance(code, tuple) else cell), field[0]
    whole = ["mast", 1, 3] + values
    assert decode(encode(name, whole)) == (name, whole)


def test_unknown_comes_out_as_none():
    outbox = Outbox(3)
    outbox.put_reading(1, 0, BoardReading())
    _, values = outbox.unpack(1)
    for place, field in enumerate(fields_of("reading")[4:]):
        value = values[1 + place]
        assert (value is None) == (not isinstance(field[1], tuple)), field[0]
    outbox.put_event(1, 0, 0, UNKNOWN)
    assert outbox.unpack(2) == ("event", [1000, EVENTS[0], None])

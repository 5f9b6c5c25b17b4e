"""Live records go first; what the host lacks follows, oldest first, each once."""

from core.reading import BoardReading
from uplinks.outbox import Outbox
from uplinks.sender import Sender


def _outbox(records, slots=20):
    outbox = Outbox(slots)
    _more(outbox, records)
    return outbox


def _more(outbox, records):
    for _ in range(records):
        outbox.put_reading(outbox.sequence, 0, BoardReading())


def _all(sender):
    sent = []
    while True:
        sequence = sender.next()
        if not sequence:
            return sent
        sent.append(sequence)


def test_nothing_goes_out_unasked_but_new_records():
    outbox = _outbox(3)
    sender = Sender(outbox)
    assert _all(sender) == []
    _more(outbox, 2)
    assert _all(sender) == [4, 5]
    assert _all(sender) == []


def test_what_is_not_stored_goes_out_again_from_its_oldest():
    outbox = _outbox(6)
    outbox.stored(2)
    sender = Sender(outbox)
    sender.want_unstored()
    assert _all(sender) == [3, 4, 5, 6]
    assert sender.idle()


def test_a_live_record_never_waits_for_the_backlog():
    outbox = _outbox(10)
    sender = Sender(outbox)
    sender.want_unstored()
    assert [sender.next(), sender.next()] == [1, 2]
    _more(outbox, 1)
    assert not sender.idle()
    assert sender.next() == 11
    assert _all(sender) == [3, 4, 5, 6, 7, 8, 9, 10]


def test_after_a_long_silence_the_newest_goes_first():
    outbox = _outbox(0)
    sender = Sender(outbox)
    _more(outbox, 9)
    assert _all(sender) == [9, 1, 2, 3, 4, 5, 6, 7, 8]


def test_what_is_overwritten_is_passed_over():
    outbox = _outbox(0, slots=8)
    sender = Sender(outbox)
    _more(outbox, 20)
    sent = _all(sender)
    assert sent[0] == 20
    assert sent[1:] == list(range(outbox.oldest, 20))


def test_the_host_may_ask_for_any_held_record_even_a_stored_one():
    outbox = _outbox(9)
    outbox.stored(9)
    sender = Sender(outbox)
    sender.want(4, 6)
    assert _all(sender) == [4, 5, 6]
    sender.want(8, 1000)
    assert _all(sender) == [8, 9]
    sender.want(7, 3)
    assert _all(sender) == []

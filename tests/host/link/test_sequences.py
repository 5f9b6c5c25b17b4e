"""Which records have arrived, against a plain set that keeps every number."""

from hypothesis import given, settings
from hypothesis import strategies as st

from groundbox.link.commands import MAX_RESEND_S, RESEND_S, RecordTracker
from groundbox.wire.sequences import MAX_PIECES, Sequences

STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("add"), st.integers(1, 60)),
        st.tuples(st.just("lost_below"), st.integers(0, 70)),
    ),
    max_size=120,
)


@given(STEPS, st.integers(0, 70))
@settings(max_examples=300, deadline=None)
def test_like_a_set(steps: list[tuple[str, int]], newest: int) -> None:
    records, settled = Sequences(), set()
    for what, number in steps:
        if what == "add":
            assert records.add(number) == (number not in settled)
            settled.add(number)
        else:
            gone = set(range(1, number)) - settled
            assert records.lost_below(number) == len(gone)
            settled |= gone
        assert records.complete_to == next(n for n in range(72) if n + 1 not in settled)
    missing = {n for first, last in records.missing(newest) for n in range(first, last + 1)}
    assert missing == set(range(1, newest + 1)) - settled


def test_bounded_and_still_right() -> None:
    """Too many gaps: the highest are forgotten and sent again; no incomplete record counts as complete."""
    records = Sequences()
    for number in range(2, 4 * MAX_PIECES, 2):
        records.add(number)
    assert len(records._pieces) <= MAX_PIECES
    assert records.complete_to == 0
    for number in range(1, 4 * MAX_PIECES):
        records.add(number)
    assert records.complete_to == 4 * MAX_PIECES - 1


def test_missing_records_are_requested_at_growing_delays() -> None:
    missing = RecordTracker(1, 10)
    assert missing.to_ask(0.0) == (1, 10, False)
    assert missing.to_ask(1.0) is None
    assert missing.to_ask(RESEND_S) == (1, 10, True)
    times, now_s = [], RESEND_S
    while len(times) < 6:
        now_s += 0.5
        if missing.to_ask(now_s):
            times.append(now_s)
    waits = [b - a for a, b in zip(times, times[1:], strict=False)]
    assert waits == sorted(waits)
    assert waits[-1] == MAX_RESEND_S


def test_nothing_is_requested_while_records_arrive() -> None:
    missing = RecordTracker(1, 100)
    assert missing.to_ask(0.0) == (1, 100, False)
    for number in range(1, 90):
        assert missing.arrived(number) is None
        assert missing.to_ask(number * 0.9 * RESEND_S) is None
    missing.arrived(91)  # 90 was damaged
    for number in range(92, 101):
        missing.arrived(number)
    assert missing.to_ask(89 * 0.9 * RESEND_S + 1) is None
    assert missing.to_ask(91 * RESEND_S) == (90, 90, True)


def test_a_new_gap_is_requested_at_once() -> None:
    missing = RecordTracker(1, 0)
    assert missing.arrived(1) == 0
    assert missing.arrived(5) == 3
    assert missing.to_ask(0.0) == (2, 4, False)

"""The bounded queue, and captured bytes run through the host."""

from threading import Thread

from groundbox.link.source import Arrivals, ReplaySource
from groundbox.model import Event, LinkCount, LinkNote, Reading
from groundbox.wire import line


def _note(text: str) -> LinkNote:
    return LinkNote(source="x", box=None, kind="found", sentence=text, wall_s=0.0)


def test_first_in_first_out() -> None:
    arrivals = Arrivals()
    for text in "abc":
        assert arrivals.put(_note(text))
    assert [item.sentence for item in arrivals.take(max_items=2)] == ["a", "b"]
    assert [item.sentence for item in arrivals.take()] == ["c"]
    assert arrivals.take() == []


def test_a_full_queue_delays_its_source() -> None:
    arrivals = Arrivals(max_items=2)
    assert arrivals.put(_note("a"))
    assert arrivals.put(_note("b"))
    assert not arrivals.put(_note("c"), wait_s=0.01)
    waiting = Thread(target=lambda: arrivals.put(_note("d")))
    waiting.start()
    assert [item.sentence for item in arrivals.take(max_items=1)] == ["a"]
    waiting.join(5.0)
    assert not waiting.is_alive()
    assert [item.sentence for item in arrivals.take()] == ["b", "d"]


def test_receipts_follow_the_commit_and_only_for_items_that_were_taken() -> None:
    arrivals, receipts = Arrivals(), []
    for text in "abc":
        arrivals.put(_note(text), lambda text=text: receipts.append(text))
    arrivals.take(max_items=2)
    assert receipts == []
    arrivals.committed()
    assert receipts == ["a", "b"]
    arrivals.committed()
    assert receipts == ["a", "b"]


def test_take_waits_for_the_first() -> None:
    arrivals = Arrivals()
    later = Thread(target=lambda: arrivals.put(_note("a")))
    later.start()
    assert [item.sentence for item in arrivals.take(wait_s=5.0)] == ["a"]
    later.join()


def test_replay(make_reading) -> None:
    lines = [line.encode("reading", make_reading("mast", 3, n, n * 1000)) for n in (1, 2, 3)]
    lines.append(line.encode("event", ["mast", 3, 4, 3500, "launch", None]))
    lines.append(line.encode("reading", make_reading("mast", 4, 1, 1000)))
    capture = b"{torn\n" + b"".join(lines)
    arrivals = Arrivals()
    source = ReplaySource(arrivals, [capture[i : i + 100] for i in range(0, len(capture), 100)], 1000.0)
    source.start()
    source.join()
    items = arrivals.take()
    assert [type(item) for item in items] == [Reading, Reading, Reading, Event, Reading, LinkCount]
    assert [item.wall_s for item in items[:5]] == [1001.0, 1002.0, 1003.0, 1003.5, 1004.5]
    assert items[0].wall_source == "replay"
    assert items[-1].corrupt_lines == 1


def test_replay_can_be_stopped(make_reading) -> None:
    one = line.encode("reading", make_reading("mast", 3, 1, 1000))
    source = ReplaySource(Arrivals(max_items=10), [one] * 1000, 0.0)
    source.start()
    source.stop()

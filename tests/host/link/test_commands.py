"""Commands and their answers, the poll schedule, and counts of a link: no thread, no port, no clock."""

from concurrent.futures import Future

import pytest

from groundbox.errors import LinkError, WireError
from groundbox.link.clock import Moment
from groundbox.link.commands import (
    ASK_CLOCK_S,
    ASK_WHO_S,
    BURST_BYTES,
    CLOCK_LOST_S,
    CLOCK_SET_S,
    COMMAND_S,
    REFUSED_S,
    SILENT_S,
    CommandQueue,
    PollSchedule,
    RecordTracker,
    command_values,
)
from groundbox.link.report import CONSOLE_LINES, COUNT_S, LinkCounter
from groundbox.model import Answer, LinkCount
from groundbox.wire import line


def _at(real_s: float, wall_less_monotonic_s: float = 1000.0) -> Moment:
    return Moment(wall_s=real_s + wall_less_monotonic_s, monotonic_s=real_s, real_s=real_s)


def _answer(number: int) -> Answer:
    return Answer(box="mast", boot=3, sequence=1, command=number, result="ok")


def test_command_values_by_hand() -> None:
    assert command_values("get", "mast", 7, {"setting": "*"}) == ("mast", 7, "*")
    for name, fields, words in (
        ("song", {}, "no command is called song"),
        ("reading", {}, "no command is called reading"),
        ("get", {}, "get takes setting; got nothing"),
        ("silence", {"setting": "x"}, "silence takes nothing; got setting"),
        ("get", {"setting": ""}, "get: setting"),
    ):
        with pytest.raises(WireError, match=words):
            command_values(name, "mast", 7, fields)


def test_lines_are_numbered_and_sent_in_bursts_a_board_can_take() -> None:
    queue = CommandQueue(41)
    assert queue.output() == b""
    numbers = [queue.send("who", "mast") for _ in range(40)]
    assert numbers == list(range(42, 82))
    bursts = []
    while burst := queue.output():
        bursts.append(burst)
    size = len(line.encode("who", ["mast", 42]))
    assert {len(burst) for burst in bursts[:-1]} == {BURST_BYTES // size * size}
    assert [line.decode(one)[1][1] for one in b"".join(bursts).splitlines()] == numbers


def test_a_line_longer_than_a_burst_is_sent_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("groundbox.link.commands.BURST_BYTES", 5)
    queue = CommandQueue(0)
    queue.send("who", "mast")
    queue.send("who", "mast")
    assert queue.output().count(b"\n") == 1
    assert len(queue.lines()) == 1
    assert queue.lines() == []


def test_a_burst_is_filled_exactly(monkeypatch: pytest.MonkeyPatch) -> None:
    size = len(line.encode("who", ["mast", 1]))
    monkeypatch.setattr("groundbox.link.commands.BURST_BYTES", 2 * size)
    queue = CommandQueue(0)
    for _ in range(3):
        queue.send("who", "mast")
    assert [queue.output().count(b"\n") for _ in range(3)] == [2, 1, 0]


def test_a_clock_request_overtakes_other_lines_and_replaces_an_earlier_one() -> None:
    queue = CommandQueue(0)
    queue.send("who", "mast")
    queue.ask_clock("mast", _at(1.0))
    queue.ask_clock("mast", _at(2.0))
    assert [line.decode(one)[1][1] for one in queue.lines()] == [3, 2, 1]
    assert queue.clock_answered(2) is None
    assert queue.clock_answered(3) == _at(2.0)
    assert queue.clock_answered(3) is None


def test_a_command_ends_with_its_time_budget_and_not_before() -> None:
    queue, first, second = CommandQueue(0), Future(), Future()
    queue.command("mast", "silence", {}, first, _at(100.0))
    queue.command("mast", "silence", {}, second, _at(101.0))
    queue.expire(_at(100.0 + COMMAND_S - 0.01))
    assert not first.done()
    queue.expire(_at(100.0 + COMMAND_S))
    assert str(first.exception(0)) == "box mast: silence: no answer within 5 s"
    assert not second.done()
    queue.answered(_answer(1))
    queue.answered(_answer(2))
    assert second.result(0).command == 2
    third: Future[Answer] = Future()
    queue.command("mast", "silence", {}, third, _at(102.0))
    queue.close("closed")
    assert isinstance(third.exception(0), LinkError)


def test_an_unknown_board_is_asked_each_second_and_a_known_one_when_it_is_silent() -> None:
    schedule = PollSchedule()
    assert schedule.who_is_due(_at(10.0), known=False)
    assert not schedule.who_is_due(_at(10.0 + ASK_WHO_S - 0.01), known=False)
    assert schedule.who_is_due(_at(10.0 + ASK_WHO_S), known=True)
    schedule.heard(_at(12.0))
    assert not schedule.who_is_due(_at(12.0 + SILENT_S - 0.01), known=True)
    assert schedule.who_is_due(_at(12.0 + SILENT_S), known=True)
    schedule.who_later(_at(20.0))
    assert not schedule.who_is_due(_at(20.0 + REFUSED_S - 0.01), known=False)
    schedule.who_soon()
    schedule.heard(_at(21.0))
    assert schedule.who_is_due(_at(21.0), known=True), "a message does not delay a question that is due at once"


def test_the_clock_is_requested_regularly_after_a_loss_and_after_it_was_set() -> None:
    schedule = PollSchedule()
    assert schedule.clock_is_due(_at(10.0))
    schedule.clock_asked(_at(10.0))
    assert not schedule.clock_is_due(_at(10.0 + CLOCK_LOST_S - 0.01))
    assert schedule.clock_is_due(_at(10.0 + CLOCK_LOST_S))
    schedule.clock_answered(_at(20.0))
    assert not schedule.clock_is_due(_at(20.0 + ASK_CLOCK_S - 0.01))
    assert schedule.clock_is_due(_at(20.0 + ASK_CLOCK_S))
    schedule.clock_answered(_at(60.0))
    for step_s, due in ((0.0, False), (CLOCK_SET_S - 0.01, False), (CLOCK_SET_S + 0.01, True), (-0.01, False)):
        step = _at(60.0, 1000.0)
        schedule.clock_is_due(step)
        assert schedule.clock_is_due(_at(60.0, 1000.0 + step_s)) == due
    schedule.clock_is_due(_at(60.0, 1000.0))
    assert schedule.clock_is_due(_at(60.0, 1000.0 - CLOCK_SET_S - 0.01))


def test_what_a_board_holds_by_a_later_hello() -> None:
    tracker = RecordTracker(5, 7)
    assert tracker.to_ask(0.0) == (5, 7, False)
    assert [tracker.arrived(number) for number in (5, 9, 6)] == [None, 1, None]
    assert tracker.board_holds(8, 12) == 1, "7 is lost; 5 and 6 are here"
    assert tracker.newest == 12
    assert tracker.to_ask(100.0) == (8, 8, False)
    assert tracker.board_holds(None, 3) == 0
    assert tracker.newest == 12
    assert RecordTracker(None, 2).to_ask(0.0) == (1, 2, False)
    assert RecordTracker(1, 0).to_ask(0.0) is None


def test_counts_are_reported_after_their_period_and_start_again_at_zero() -> None:
    counter = LinkCounter("port")
    assert counter.due(None, _at(10.0)) == []
    counter.corrupt, counter.gap, counter.lost = 1, 2, 3
    assert counter.due("mast", _at(10.0 + COUNT_S - 0.01)) == []
    count = LinkCount(
        source="port", box="mast", wall_s=1010.0 + COUNT_S, corrupt_lines=1, gap_records=2, lost_records=3
    )
    assert counter.due("mast", _at(10.0 + COUNT_S)) == [count]
    assert counter.due("mast", _at(10.0 + 2 * COUNT_S)) == []
    assert counter.flush("mast") == []
    for name in ("corrupt", "gap", "lost"):
        setattr(counter, name, 1)
        assert len(counter.flush(None)) == 1


def test_console_lines_are_limited_in_each_period() -> None:
    counter = LinkCounter("port")
    for start_s in (0.0, COUNT_S):
        counter.due(None, _at(start_s))
        lines = [counter.console("mast", "x", _at(start_s)) for _ in range(CONSOLE_LINES + 5)]
        assert sum(map(len, lines)) == CONSOLE_LINES

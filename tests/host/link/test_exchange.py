"""The exchange with a board: what it asks, passes on and counts; no thread, no port, no clock."""

import random
from collections.abc import Callable
from concurrent.futures import Future

import pytest

from groundbox.conversion import to_wire
from groundbox.errors import LinkError
from groundbox.link.clock import BoardMemory
from groundbox.link.commands import MAX_RESEND_S
from groundbox.link.exchange import HELD, Exchange
from groundbox.model import Answer, Console, Hello, Item, LinkCount, LinkNote, Reading, StartTime, Stored
from groundbox.wire import line
from groundbox.wire.messages import checksum


def _of(kind: type, items: list[Item]) -> list:
    return [item for item in items if isinstance(item, kind)]


def _sequences(items: list[Item], boot: int = 3) -> list[int]:
    return [item.sequence for item in _of(Reading, items) if item.boot == boot]


def _heard(board, name: str) -> list[list[object]]:
    return [values for heard, values in board.heard if heard == name]


def test_hello_clock_records(desk, board) -> None:
    items = desk.run(5.0)
    assert [type(item) for item in items[:3]] == [LinkNote, Hello, StartTime]
    assert items[0].kind == "found"
    assert items[1].wall_source == "exchange"
    assert _sequences(items) == [1, 2, 3, 4, 5]
    for reading in _of(Reading, items):
        assert reading.wall_source == "exchange"
        assert reading.wall_s == pytest.approx(desk.wall_s - 5.0 + reading.uptime_ms / 1000, abs=0.06)
        assert reading.wall_uncertainty_s < 0.1


def test_nothing_is_passed_on_before_the_hello(desk, board) -> None:
    board.hello = lambda: b""  # type: ignore[method-assign]
    assert _of(Reading, desk.run(10.0)) == []
    assert len(_heard(board, "who")) >= 9
    del board.hello
    assert _sequences(desk.run(3.0))[:5] == [1, 2, 3, 4, 5], "kept for later, not lost"


def test_a_long_wait_for_the_hello_fills_no_memory(desk, board) -> None:
    board.hello = lambda: b""  # type: ignore[method-assign]
    desk.run(3 * HELD)
    assert len(desk.session._held) == HELD
    del board.hello
    assert sorted(set(_sequences(desk.run(10.0)))) == list(range(1, board.sequence + 1)), "requested again"


def test_without_an_answer_for_the_clock_records_come_by_arrival(desk, board) -> None:
    board.mute_clock = True
    items = desk.run(20.0)
    assert {reading.wall_source for reading in _of(Reading, items)} == {"arrival"}
    board.mute_clock = False
    later = desk.run(5.0)
    assert _of(StartTime, later), "the store gets the time of the earlier ones"
    assert _of(Reading, later)[-1].wall_source == "exchange"


def test_records_wait_5_s_for_a_clock_answer(desk, board) -> None:
    board.mute_clock = True
    assert _of(Reading, desk.run(4.8)) == []
    assert _sequences(desk.run(0.6))[:5] == [1, 2, 3, 4, 5]


def test_a_damaged_line_counts_once_and_the_first_part_of_a_line_not_at_all(desk, board, make_reading) -> None:
    desk.session.receive(b"x}00000000\n", desk.now())
    assert desk.session.close() == []
    desk.run(2.0)
    damaged = line.encode("event", ["mast", 3, 9, 9000, "launch", None]).replace(b"9000", b"9001")
    desk.session.receive(damaged, desk.now())
    desk.session.receive(line.encode("reading", make_reading("table", 3, 1, 1000)), desk.now())
    (count,) = desk.session.close()
    assert (count.corrupt_lines, count.gap_records, count.lost_records) == (2, 0, 0), "and a record of another box"


def test_a_gap_is_counted_and_requested(desk, board) -> None:
    desk.run(5.0)
    for _ in range(3):
        board.measure(say=False)
    items = desk.run(15.0)
    assert sorted(_sequences(desk.items)) == list(range(1, board.sequence + 1))
    assert sum(count.gap_records for count in _of(LinkCount, items)) == 3
    assert sum(count.lost_records for count in _of(LinkCount, items)) == 0


def test_records_that_the_board_holds_no_longer_are_counted_as_lost(desk, board) -> None:
    desk.run(5.0)
    for _ in range(3):
        board.measure(say=False)
    for sequence in range(1, 8):  # two of the three, and older ones that are here already
        board.records.pop(sequence)
    items = desk.run(40.0)
    assert [note.kind for note in _of(LinkNote, items)] == ["records_lost"]
    assert sum(count.lost_records for count in _of(LinkCount, items)) == 2
    missing = set(range(1, board.sequence + 1)) - set(_sequences(desk.items))
    assert missing == {6, 7}
    before = len(_heard(board, "resend"))
    desk.run(120.0)
    assert len(_heard(board, "resend")) == before, "and is requested no more"


def test_a_new_connection_requests_what_the_board_still_holds(make_desk: Callable, make_board: Callable) -> None:
    board = make_board()
    for _ in range(300):
        board.now_s += 1.0
        board.measure(say=False)
    desk = make_desk(Exchange("/dev/board", BoardMemory(), 1), board)
    items = desk.run(3.0)
    assert sorted(set(_sequences(items))) == list(range(62, board.sequence + 1)), "240 when it said hello"
    assert _of(LinkCount, items) == [], "records before this connection are no gap"


def test_the_board_restarts(desk, board) -> None:
    desk.run(5.0)
    board.restart(4)
    items = desk.run(5.0)
    assert [note.kind for note in _of(LinkNote, items)] == ["restarted"]
    assert _sequences(items, boot=4) == [1, 2, 3, 4, 5]
    assert all(abs(r.wall_s - (desk.wall_s - 5.0 + r.uptime_ms / 1000)) < 0.1 for r in _of(Reading, items))


def test_the_board_restarts_and_its_hello_is_lost(desk, board) -> None:
    desk.run(5.0)
    board.restart(4)
    board.out = b""
    assert _sequences(desk.run(5.0), boot=4) == [1, 2, 3, 4, 5]


def test_the_board_was_installed_again(desk, board) -> None:
    """The same start number again: detected by the board's uptime against the host's monotonic clock."""
    desk.run(60.0)
    board.restart(3)
    items = desk.run(5.0)
    assert [hello.again for hello in _of(Hello, items)] == [True]
    kinds = [type(item) for item in items if not isinstance(item, LinkNote)]
    assert kinds.index(Hello) < kinds.index(StartTime) < kinds.index(Reading)
    assert _sequences(items) == [1, 2, 3, 4, 5]


@pytest.mark.parametrize("step_s", [-86400.0, 365 * 86400.0])
def test_the_host_clock_is_set(step_s: float, desk, board) -> None:
    desk.run(10.0)
    desk.wall_s += step_s
    items = desk.run(5.0)
    assert len(_of(StartTime, items)) == 1
    assert _of(Reading, items)[-1].wall_s == pytest.approx(desk.wall_s - 1.0, abs=0.1)


def test_the_clock_is_requested_regularly(desk, board) -> None:
    desk.run(100.0)
    assert 3 <= len(_heard(board, "ask_clock")) <= 5


def test_an_answer_to_an_earlier_program_is_ignored(desk, board) -> None:
    desk.run(2.0)
    board.out += line.encode("clock", ["mast", 3, 1, 999, 1])
    items = desk.run(2.0)
    assert _of(StartTime, items) == []
    assert all(reading.wall_uncertainty_s < 0.1 for reading in _of(Reading, items))


def test_another_registry_is_reported_and_not_decoded(make_desk: Callable, make_board: Callable) -> None:
    board = make_board(registry="0BADCAFE")
    desk = make_desk(Exchange("/dev/board", BoardMemory(), 1), board)
    items = desk.run(60.0)
    assert [note.kind for note in _of(LinkNote, items)] == ["version_mismatch"]
    assert "0BADCAFE" in items[0].sentence
    assert checksum() in items[0].sentence
    assert len(items) == 1
    assert desk.session.hello is None
    assert len(_heard(board, "who")) <= 6, "asked again, seldom"
    board.registry = checksum()
    assert _sequences(desk.run(60.0)), "once it is updated its records are taken"


def test_a_second_board_of_the_same_name_is_not_taken(make_desk: Callable, make_board: Callable) -> None:
    free = {"mast": False}
    desk = make_desk(Exchange("/dev/board", BoardMemory(), 1, claim=lambda box: free[box]), make_board())
    items = desk.run(30.0)
    assert [note.kind for note in _of(LinkNote, items)] == ["duplicate_name"]
    assert len(items) == 1
    free["mast"] = True
    assert _sequences(desk.run(30.0))


def test_an_echo_is_no_board(make_desk: Callable, make_board: Callable) -> None:
    board = make_board()
    desk = make_desk(Exchange("/dev/board", BoardMemory(), 1), board)
    board.hear = lambda data: setattr(board, "out", data)  # type: ignore[method-assign]
    assert desk.run(10.0, measure=False) == []
    assert desk.session.heard_s is None


def test_records_of_another_box_are_not_taken(desk, board) -> None:
    desk.run(3.0)
    board.box = "table"
    items = desk.run(3.0)
    assert "table" not in {reading.box for reading in _of(Reading, items[:1])}
    assert {hello.box for hello in _of(Hello, items)} == {"table"}, "it was renamed, and asked who it is"


def test_an_acknowledgement_goes_to_its_board_alone(desk, board) -> None:
    desk.run(5.0)
    desk.session.acknowledge_stored(Stored(box="table", boot=3, sequence=5))
    desk.session.acknowledge_stored(Stored(box="mast", boot=3, sequence=4))
    desk.run(1.0)
    assert board.acknowledged == 4
    assert len(_heard(board, "stored")) == 1


def test_acknowledged_records_of_this_start_are_not_requested_again(make_desk: Callable, make_board: Callable) -> None:
    board, memory = make_board(), BoardMemory()
    desk = make_desk(Exchange("/dev/board", memory, 1), board)
    desk.run(20.0)
    desk.session.acknowledge_stored(Stored(box="mast", boot=3, sequence=18))
    desk.session = Exchange("/dev/board", memory, 1)
    assert min(_sequences(desk.run(3.0))) == 19
    board.restart(3)  # installed again: acknowledgements of the other start do not count
    desk.session = Exchange("/dev/board", memory, 1)
    for _ in range(30):
        board.measure(say=False)
    items = desk.run(3.0)
    assert [hello.again for hello in _of(Hello, items)] == [True]
    assert set(_sequences(items)) == set(range(1, board.sequence + 1))


def _command(desk, name: str, **fields: object) -> Future[Answer]:
    future: Future[Answer] = Future()
    future.set_running_or_notify_cancel()
    desk.session.command("mast", name, fields, future, desk.now())
    return future


def test_a_command_is_answered(desk, board) -> None:
    desk.run(2.0)
    future = _command(desk, "get", setting="fan_on_centi_c")
    desk.run(1.0)
    assert future.result(0).value == "42"


def test_a_command_without_an_answer_ends(desk, board) -> None:
    desk.run(2.0)
    future = _command(desk, "silence")
    desk.run(6.0)
    assert isinstance(future.exception(0), LinkError)
    other = _command(desk, "silence")
    desk.session.close()
    assert isinstance(other.exception(0), LinkError)


def test_console_text_is_kept_but_not_without_limit(desk, board) -> None:
    desk.run(2.0)
    board.out += b"fans ready\n"
    board.out += b"noise\n" * 1000
    items = desk.run(1.0)
    assert _of(Console, items)[0].text == "fans ready"
    assert len(_of(Console, items)) <= 20
    assert _sequences(items) == [3]


@pytest.mark.parametrize("error_rate", [1e-4, 1e-3])
def test_a_noisy_line_loses_no_record_and_invents_none(error_rate: float, desk, board) -> None:
    """Bits flipped at random: every record arrives, unchanged; what was damaged is counted."""
    dice = random.Random(20)

    def damage(data: bytes) -> bytes:
        damaged = bytearray(data)
        for _ in range(round(dice.gauss(len(data) * 8 * error_rate, 1.0))):
            bit = dice.randrange(len(data) * 8 or 1)
            damaged[bit // 8] ^= 1 << bit % 8
        return bytes(damaged)

    desk.damage = lambda data: damage(data) if data else data
    desk.run(150.0)
    desk.damage = lambda data: data
    desk.run(MAX_RESEND_S + 5.0)  # the longest wait before a request is repeated
    came = {reading.sequence: to_wire(reading) for reading in _of(Reading, desk.items)}
    assert sorted(came) == list(range(1, board.sequence + 1))
    for sequence, wire in came.items():
        assert line.decode(board.records[sequence])[1] == list(wire)
    counts = _of(LinkCount, desk.items)
    assert sum(count.corrupt_lines for count in counts) > 0
    assert sum(count.lost_records for count in counts) == 0

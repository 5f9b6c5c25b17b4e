"""Summaries in flash, through the whole firmware: what memory or a reset lost comes as ten-second summaries, once."""

from collections.abc import Callable
from pathlib import Path

from groundbox.rig.bench import Bench
from groundbox.wire.messages import fields_of

NewBench = Callable[..., Bench]
Message = tuple[str, list[int | str | None]]


def _summaries(messages: list[Message]) -> list[dict[str, int | str | None]]:
    names = [field[0] for field in fields_of("summary")]
    return [dict(zip(names, values, strict=True)) for name, values in messages if name == "summary"]


def _take_all(board: Bench, seconds: int = 120, keep_to: int = 0) -> list[dict[str, int | str | None]]:
    """The summaries that come to a host which acknowledges each, and stores records up to `keep_to`."""
    found: list[dict[str, int | str | None]] = []
    for number in range(seconds):
        if number % 5 == 0:
            board.send("who", ["mast", 100 + number])
        new = _summaries(board.run_for(1.0))
        found += new
        for summary in new:
            board.send("summary_stored", ["mast", 1000 + number, summary["number"]])
    return found


def test_after_a_power_cut_the_host_gets_what_was_never_stored(bench: NewBench) -> None:
    board = bench()
    board.run_for(125.5)
    board.world.power_cut()
    board = bench()
    found = _take_all(board)
    first = found[0]["boot"]
    assert [one["uptime_ms"] for one in found if one["boot"] == first] == list(range(10_000, 130_000, 10_000))
    assert len({one["number"] for one in found}) == len(found), "each once"
    assert {one["readings"] for one in found[1:]} <= {9, 10, 11}
    assert all(11_000 < one["battery_min_mv"] <= one["battery_mv"] <= one["battery_max_mv"] < 14_000 for one in found)
    board.run_for(11)
    board.world.power_cut()
    board = bench()
    again = _take_all(board, 30)
    assert first not in {one["boot"] for one in again}, "what a host has is not sent again"


def test_what_the_outbox_lost_comes_as_summaries(bench: NewBench, tmp_path: Path) -> None:
    board = bench()
    start = tmp_path / "flash" / "a" / "startup" / "start.py"
    start.write_text(start.read_text().replace("_MAX_RECORDS = const(600)", "_MAX_RECORDS = const(60)"))
    board.run_for(200.5)
    found = _take_all(board, 40)
    ends = [one["uptime_ms"] for one in found]
    assert ends[:13] == list(range(10_000, 140_000, 10_000)), ends
    assert max(one["sequence"] for one in found) < 245 - 60 + 1


def test_nobody_there_gets_none(bench: NewBench) -> None:
    board = bench()
    board.run_for(65.5)
    board.world.power_cut()
    board = bench()
    assert _summaries(board.run_for(60)) == []


def test_writing_holds_up_no_step(bench: NewBench) -> None:
    board = bench()
    messages = board.run_for(400)
    health = [values for name, values in messages if name == "health"][-1]
    late, dropped, lost = health[5], health[6], health[9]
    assert (late, dropped, lost) == (0, 0, 0)
    assert health[4] < 20_000


def test_a_flash_that_is_full_stops_summaries_and_nothing_else(bench: NewBench, tmp_path: Path) -> None:
    board = bench()
    (tmp_path / "flash" / "segments").write_text("in the way")
    messages = board.run_for(60.5)
    assert sum(name == "reading" for name, _ in messages) == 60
    assert b"summaries: " in board.console.heard
    assert board.world.starts == 1

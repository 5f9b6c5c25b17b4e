"""Bits that flip on the line: the board does nothing that was not said, and the host takes nothing wrongly."""

import random
from collections.abc import Callable

import pytest
from tests.benchmarks.faults import keep

from groundbox.link.decode import Decoder, Frame
from groundbox.rig.bench import Bench
from groundbox.wire import line
from groundbox.wire.messages import MARKS, fields_of

NewBench = Callable[..., Bench]
RATES = (1e-5, 1e-4, 1e-3)
KIND = [field[0] for field in fields_of("event")].index("kind")


def _flipped(data: bytes, rate: float, dice: random.Random) -> bytes:
    bad, at = bytearray(data), -1
    while True:
        at += 1 + int(dice.expovariate(rate))
        if at >= 8 * len(bad):
            return bytes(bad)
        bad[at // 8] ^= 1 << at % 8


def _marks(messages: list[tuple[str, list[int | str | None]]]) -> set[object]:
    return {values[2] for name, values in messages if name == "event" and values[KIND] in MARKS}


def test_the_board_does_only_what_came_whole(bench: NewBench) -> None:
    board, dice = bench(), random.Random(11)
    board.run_for(2)
    whole, number = 0, 0
    answered: set[int] = set()
    marks: set[object] = set()  # by their numbers: what is not stored comes again
    for rate in (1e-4, 1e-3, 1e-2):
        for _ in range(40):
            number += 1
            said = line.encode("mark", ["mast", number, "charge"])
            bad = _flipped(said, rate, dice)
            whole += bad.strip() == said.strip()
            board.console.send(bad + b"\n")
            messages = board.run_for(0.5)
            answered |= {values[3] for name, values in messages if name == "answer"}
            marks |= _marks(messages)
    marks |= _marks(board.run_for(2))
    assert whole == len(answered) == len(marks)
    assert 40 < whole < 119
    assert board.world.starts == 1


def _hear(board_said: bytes, rate: float, rounds: int, dice: random.Random) -> tuple[int, int, int]:
    """(lines sent, taken, taken wrongly)."""
    true = {text for text in board_said.split(b"\n") if text}
    decoded = {line.decode(text)[0:1] + (tuple(line.decode(text)[1]),) for text in true if line.looks_like_ours(text)}
    sent = taken = wrong = 0
    for _ in range(rounds):
        sent += len(true)
        decoder = Decoder()
        for found in decoder.feed(_flipped(board_said, rate, dice)):
            if isinstance(found, Frame):
                taken += 1
                wrong += (found.name, found.values) not in decoded
    return sent, taken, wrong


def test_no_flipped_line_is_taken(bench: NewBench) -> None:
    board, dice = bench(), random.Random(12)
    board.run_for(120.5)
    for rate in RATES:
        sent, taken, wrong = _hear(bytes(board.console.heard), rate, 10, dice)
        assert wrong == 0
        assert sent * (1 - 5000 * rate) * 0.8 < taken <= sent


@pytest.mark.endurance
def test_no_flipped_line_of_many_is_taken(bench: NewBench) -> None:
    board, dice = bench(), random.Random(13)
    board.run_for(300.5)
    for rate in RATES:
        sent, taken, wrong = _hear(bytes(board.console.heard), rate, 1000, dice)
        assert wrong == 0
        keep(
            "Board",
            [(f"bits flipped at {rate:g} on the line", sent, taken, sent - taken, wrong, "lost lines come again")],
        )

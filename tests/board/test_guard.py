"""Commands over a network, board side: each counts once, and only with the box's key; on the real interpreter."""

from collections.abc import Callable

import pytest
from tests.benchmarks.faults import keep

OnBoard = Callable[..., str]

_GIVEN = """
import os
from startup.guard import Guard
from groundbox.wire import auth, line
KEY = bytes(range(32))
def sealed(counter, name="mark", *values):
    return auth.seal(KEY, "mast", counter, line.encode(name, ["mast", counter & 0xffff] + list(values or ("launch",))))
"""


def test_a_command_counts_once_whatever_happens(on_board: OnBoard) -> None:
    code = (
        _GIVEN
        + """
guard = Guard(KEY)
big = 1 << 60
print([guard.line_of(sealed(n), "mast") is not None for n in (big, big, big - 1, big + 1)])
print([guard.line_of(sealed(big + 2), box) is not None for box in ("table", "mast")])
guard = Guard(KEY)
print("after a reset", [guard.line_of(sealed(n), "mast") is not None for n in (big, big + 2, big + 3)])
print("talk", guard.line_of(sealed(big + 4, "stored", 3, 9), "mast") is not None)
print("talk again", guard.line_of(sealed(big + 4, "stored", 3, 9), "mast") is not None)
other = Guard(bytes(32))
print("another key", other.line_of(auth.seal(bytes(32), "mast", 1, b"{mark|mast|1|launch}"), "mast") is not None)
"""
    )
    assert on_board(code).splitlines() == [
        "[True, False, False, True]",
        "[False, True]",
        "after a reset [False, False, True]",
        "talk True",
        "talk again False",
        "another key True",
    ]


def test_what_flash_does_not_take_is_not_done(on_board: OnBoard) -> None:
    code = (
        _GIVEN
        + """
guard = Guard(KEY, "nowhere/counter")
print(guard.line_of(sealed(5), "mast"))
"""
    )
    assert on_board(code).splitlines() == ["None"]


def test_with_the_counter_lost_nothing_is_done_until_there_is_a_new_key(on_board: OnBoard) -> None:
    code = (
        _GIVEN
        + """
guard = Guard(KEY)
for counter in (1, 2):
    guard.line_of(sealed(counter), "mast")
for slot in ("counter.a", "counter.b"):
    with open(slot, "wb") as file:
        file.write(b"rotten")
print(Guard(KEY).line_of(sealed(1 << 62), "mast"))
"""
    )
    assert on_board(code).splitlines() == ["None"]


def test_a_power_cut_at_any_byte_of_the_counter_lets_nothing_in_twice(on_board: OnBoard) -> None:
    code = (
        _GIVEN
        + """
guard = Guard(KEY)
for counter in (1, 2, 3):
    assert guard.line_of(sealed(counter), "mast")
with open("counter.b", "rb") as file:
    old = file.read()
assert guard.line_of(sealed(4), "mast")
with open("counter.b", "rb") as file:
    new = file.read()
for length in range(len(new)):
    with open("counter.b", "wb") as file:
        file.write(new[:length])
    cut = Guard(KEY)
    assert [cut.line_of(sealed(n), "mast") for n in (1, 2, 3)] == [None] * 3, length
    with open("counter.b", "wb") as file:
        file.write(old)
print(len(new), "cuts")
"""
    )
    assert on_board(code).endswith("cuts\n")


_MUTATE = """
state = 7
def dice(below):
    global state
    state = (state * 1103515245 + 12345) & 0x7FFFFFFF
    return (state >> 8) % below
guard = Guard(KEY)
good = [sealed(1000 + n) for n in range(8)]
taken = 0
for _ in range(ROUNDS):
    bad = bytearray(good[dice(8)])
    for _ in range(1 + dice(3)):
        what = dice(5)
        at = dice(len(bad))
        if what == 0:
            bad[at] ^= 1 << dice(8)
        elif what == 1:
            bad[at] = dice(256)
        elif what == 2:
            bad = bad[:at] + bad[at + 1 + dice(4):] + b"0" * dice(3)
        elif what == 3:
            other = good[dice(8)]
            bad[:at] = other[:at]
        else:
            bad = bad[:at] + bytes([dice(256)]) + bad[at:]
        if not bad:
            bad = bytearray(1)
    if bytes(bad) not in good and guard.line_of(bytes(bad), "mast") is not None:
        taken += 1
print(taken, "of", ROUNDS)
"""


def _mutate(on_board: OnBoard, rounds: int, seed: int) -> str:
    code = _MUTATE.replace("ROUNDS", str(rounds)).replace("state = 7", f"state = {seed}")
    return on_board(_GIVEN + code, heap="4m")


def test_no_mutation_is_let_through(on_board: OnBoard) -> None:
    assert _mutate(on_board, 5000, 7) == "0 of 5000\n"


@pytest.mark.endurance
def test_no_mutation_of_three_hundred_thousand_is_let_through(on_board: OnBoard) -> None:
    for seed in range(10):
        assert _mutate(on_board, 30_000, seed) == "0 of 30000\n"
    keep("Board", [("sealed commands mutated", 300_000, 0, 0, 0, "none was acted on")])

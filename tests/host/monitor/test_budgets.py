"""Budgets until turn-back: when a board is given one, and which; the countdown's steps are those that are spoken."""

from dataclasses import replace

import pytest

from core.countdown import STEPS_S
from groundbox.advice.limits import COUNTDOWN_S
from groundbox.advice.result import BoxAdvice
from groundbox.advice.state import BoxState
from groundbox.advice.words import iso
from groundbox.monitor.budgets import Budgets

WALL_S = 1_700_000_000.0 // 3600 * 3600
FLIGHT = BoxState(box="mast", wall_s=WALL_S, silent_s=0.0, in_flight=True, turn_back_in_s=3700.0, time_home_s=480.0)
GROUND = replace(FLIGHT, in_flight=False)


class Board:
    """A Budgets with what it sent."""

    def __init__(self) -> None:
        self.sent: list[tuple[int, int, int, int] | None] = []
        self.budgets = Budgets(lambda _, budget: self.sent.append(budget))
        self.real_s = 0.0

    def turn(
        self,
        state: BoxState,
        held_s: int | None,
        shown_s: float | None = 3600.0,
        *,
        amps: float | None = 2.0,
        stale: bool = False,
        after_s: float = 60.0,
    ) -> list[tuple[int, int, int, int] | None]:
        self.real_s += after_s
        at_s = WALL_S + shown_s if state.in_flight and shown_s is not None else None
        advice = BoxAdvice(
            box="mast",
            verdict="unknown",
            severity="none",
            headline="",
            sentence="",
            spoken="",
            action="",
            turn_back_at=iso(at_s),
            turn_back_at_s=at_s,
            turn_back_stale=stale,
        )
        self.budgets.turn(self.real_s, advice, state, held_s, amps)
        sent, self.sent[:] = list(self.sent), []
        return sent


def launched() -> Board:
    board = Board()
    board.turn(FLIGHT, 3600)
    return board


def test_the_board_counts_down_the_steps_that_are_spoken() -> None:
    assert STEPS_S == COUNTDOWN_S


def test_a_launch_sends_the_shown_time_at_once_and_once() -> None:
    board = Board()
    assert board.turn(GROUND, None) == [(2055, 3600, 1380, 2000)]  # charge for the 3700 s that are not rounded
    assert board.turn(FLIGHT, 3600, after_s=1.0) == [(2055, 3600, 1380, 2000)]
    assert board.turn(FLIGHT, 3600) == []


@pytest.mark.parametrize(
    ("held_s", "due"), [(3605, False), (3606, True), (3570, False), (3569, True), (None, True), (0, True)]
)
def test_in_flight_a_board_s_time_that_differs_is_replaced(held_s: int | None, due: bool) -> None:
    assert bool(launched().turn(FLIGHT, held_s)) == due
    aged = replace(FLIGHT, silent_s=3.0)
    assert bool(launched().turn(aged, None if held_s is None else held_s + 3)) == due


@pytest.mark.parametrize(("held_s", "due"), [(3660, False), (3661, True), (3240, False), (3239, True), (None, True)])
def test_on_the_ground_a_step_of_rounding_is_no_difference(held_s: int | None, due: bool) -> None:
    assert bool(Board().turn(GROUND, held_s)) == due


def test_a_board_gets_one_in_ten_seconds() -> None:
    board = launched()
    assert [bool(board.turn(FLIGHT, None, after_s=5.0)) for _ in range(4)] == [False, True, False, True]


def test_what_is_not_known_is_withdrawn_on_the_ground_and_left_in_flight() -> None:
    unknown = replace(GROUND, turn_back_in_s=None)
    assert Board().turn(unknown, 3000) == [None]
    assert Board().turn(unknown, None) == []
    assert Board().turn(GROUND, 3000, amps=None) == [None]
    assert Board().turn(replace(GROUND, battery_in_doubt=True), 3000) == [None]
    board = launched()
    assert board.turn(FLIGHT, 3000, stale=True) == []
    assert board.turn(FLIGHT, 3000, None) == []
    assert board.turn(replace(FLIGHT, silent_s=4.0), 3000) == []
    assert board.turn(replace(FLIGHT, returning=True), 3000) == []


def test_what_a_message_cannot_hold_is_its_limit() -> None:
    assert launched().turn(replace(FLIGHT, turn_back_in_s=1e6), 32000, 99_000.0) == []
    assert launched().turn(replace(FLIGHT, turn_back_in_s=1e6), 5, 99_000.0, amps=40.0) == [
        (100000, 86400, 1380, 32000)
    ]
    assert launched().turn(FLIGHT, 50, -20.0) == [(2055, 0, 1380, 2000)]

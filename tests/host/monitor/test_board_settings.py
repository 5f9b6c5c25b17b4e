"""A board's own limits: asked one at a time, asked again after no answer, never guessed."""

from concurrent.futures import Future

import pytest

from groundbox.errors import LinkError
from groundbox.model import Answer
from groundbox.monitor.board_settings import AGAIN_S, WANTED, BoardSettings
from groundbox.wire.settings import SETTINGS

LOWEST = {name: low for name, _, low, _ in SETTINGS}


class Board:
    """Answers when the test asks it to."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, Future[Answer]]] = []
        self.kept: list[tuple[str, str, int | None]] = []

    def keep(self, box: str, setting: str, value: int | None) -> None:
        self.kept.append((box, setting, value))

    def ask(self, _box: str, setting: str) -> list[Future[Answer]]:
        deaf: Future[Answer] = Future()
        deaf.set_exception(LinkError("no board of that name here"))
        self.asked.append((setting, Future()))
        return [deaf, self.asked[-1][1]]

    def answer(self, result: str, value: str | None) -> None:
        setting, future = self.asked[-1]
        future.set_result(
            Answer(box="mast", boot=1, sequence=1, command=1, result=result, setting=setting, value=value)
        )


def test_one_question_at_a_time_until_all_is_answered() -> None:
    board = Board()
    limits = BoardSettings(board.ask, board.keep)
    limits.turn(0.0)
    assert board.asked == []
    limits.ask_again("mast")
    for number, name in enumerate(WANTED):
        limits.turn(float(number))
        limits.turn(float(number))
        assert [asked for asked, _ in board.asked] == list(WANTED[: number + 1])
        assert board.asked[-1][0] == name
        board.answer("ok", str(LOWEST[name]))
    limits.turn(99.0)
    assert limits.of("mast") == {name: LOWEST[name] for name in WANTED}
    limits.turn(999.0)
    assert len(board.asked) == len(WANTED)
    assert limits.of("table") == {}
    assert board.kept == [("mast", name, LOWEST[name]) for name in WANTED]


def test_settings_of_an_earlier_run_hold_until_the_board_reports_others() -> None:
    board = Board()
    limits = BoardSettings(board.ask, board.keep)
    first, second, third = WANTED[:3]
    limits.restore("mast", {first: 4000, second: 4500, third: 5000})
    limits.ask_again("mast")
    for result, value in (("ok", "4000"), ("ok", "4600"), ("unknown", None)):
        limits.turn(0.0)
        board.answer(result, value)
    limits.turn(0.0)
    assert limits.of("mast") == {first: 4000, second: 4600}
    assert board.kept == [("mast", second, 4600), ("mast", third, None)], "what is known already is not kept again"


def test_silence_is_asked_again_and_a_board_without_a_setting_is_not() -> None:
    board = Board()
    limits = BoardSettings(board.ask, board.keep)
    limits.ask_again("mast")
    limits.turn(0.0)
    limits.turn(AGAIN_S - 1)
    assert len(board.asked) == 1
    limits.turn(AGAIN_S)
    assert [name for name, _ in board.asked] == [WANTED[0]] * 2
    board.answer("unknown", None)
    limits.turn(AGAIN_S + 1)
    assert board.asked[-1][0] == WANTED[1]
    assert limits.of("mast") == {}


@pytest.mark.parametrize("value", [None, "", "hot", "²", "40.5", "3", "-1", "9" * 32])
def test_what_no_board_can_be_set_to_is_not_believed(value: str | None) -> None:
    board = Board()
    limits = BoardSettings(board.ask, board.keep)
    limits.restore("mast", {WANTED[0]: 4000, "output1_kind": 5000, "moon_centi_c": 1})
    assert limits.of("mast") == {WANTED[0]: 4000}
    limits.ask_again("mast")
    for name in WANTED:
        limits.turn(0.0)
        board.answer("ok", value if name == "output1_kind" else str(LOWEST[name]))
    limits.turn(0.0)
    assert "output1_kind" not in limits.of("mast")
    assert limits.of("mast")["output2_kind"] == 0, "the others are asked for all the same"

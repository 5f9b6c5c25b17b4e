"""`groundbox now --follow`: fits narrow terminals, plain lines when piped."""

import io
from dataclasses import replace

import pytest
from rich.console import Console
from tests.host.ui.test_lines import STALLED, VIEW

from groundbox.monitor.view import BoxView
from groundbox.ui import follow as module
from groundbox.ui.follow import follow, standing

WARNED = replace(
    VIEW, warnings=(replace(STALLED, sentence="fan 2 is driven but does not turn: open the lid and free it"),)
)


@pytest.mark.parametrize("width", [36, 80])
def test_it_fits_the_width_and_says_all(width: int) -> None:
    file = io.StringIO()
    Console(file=file, width=width, force_terminal=False).print(standing([WARNED, VIEW]))
    shown = file.getvalue()
    assert max(map(len, shown.splitlines())) <= width
    words = " ".join(shown.split())
    for one in ("mast", "open the lid and free it", "12.0 V", "case 38 C", "lasts 61 / 75 / 99 min"):
        assert one in words


def test_runtime_is_withdrawn_once_nothing_is_fresh() -> None:
    silent = replace(VIEW, state=replace(VIEW.state, silent_s=61.0))
    file = io.StringIO()
    Console(file=file, width=80).print(standing([silent]))
    assert "lasts" not in file.getvalue()
    assert "last known 12.0 V" in file.getvalue()


def test_no_box_is_said() -> None:
    file = io.StringIO()
    Console(file=file, width=80).print(standing([]))
    assert "is `groundbox log` running?" in file.getvalue()


def test_piped_it_gives_plain_lines_until_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    looks: list[int] = []
    file = io.StringIO()

    def look() -> list[BoxView]:
        looks.append(1)
        if len(looks) == 3:
            raise KeyboardInterrupt
        return [VIEW]

    monkeypatch.setattr(module, "PLAIN_EVERY_S", 0.0)
    with pytest.raises(KeyboardInterrupt):
        follow(look, Console(file=file, highlight=False))
    assert "\x1b" not in file.getvalue()
    assert file.getvalue().count("mast: lasts 61 / 75 / 99 min") == 2


def test_on_a_terminal_it_is_redrawn_in_place(monkeypatch: pytest.MonkeyPatch) -> None:
    looks: list[int] = []
    file = io.StringIO()

    def look() -> list[BoxView]:
        looks.append(1)
        if len(looks) == 4:
            raise KeyboardInterrupt
        return [WARNED, VIEW]

    monkeypatch.setattr(module, "EVERY_S", 0.0)
    with pytest.raises(KeyboardInterrupt):
        follow(look, Console(file=file, width=80, height=30, force_terminal=True, highlight=False))
    height = len(_drawn([WARNED, VIEW]))
    assert file.getvalue().count("\x1b[1A") >= 2 * (height - 1)  # up again over what was drawn before, twice


def _drawn(views: list[BoxView]) -> list[str]:
    file = io.StringIO()
    Console(file=file, width=80).print(standing(views))
    return file.getvalue().splitlines()


def test_the_box_that_allows_least_comes_first() -> None:
    assert _drawn([WARNED, VIEW])[0].startswith("Do not launch: mast: ")
    assert not _drawn([VIEW])[0]  # of a single box its own answer says it all

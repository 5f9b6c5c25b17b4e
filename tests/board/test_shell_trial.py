"""Two slots of firmware: a new one is on trial until it is kept, and whatever goes wrong before leads back."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from groundbox.rig.bench import Bench, Message
from groundbox.wire.messages import fields_of

NewBench = Callable[..., Bench]


def _slot(board: Bench, seconds: float = 1) -> str | int | None:
    board.send("get", ["mast", 99, "slot"])
    answers = [values for name, values in board.run_for(seconds) if name == "answer"]
    return answers[-1][6] if answers else None


def _answer(messages: list[Message]) -> list[int | str | None]:
    names = [field[0] for field in fields_of("answer")]
    return [values[names.index("result")] for name, values in messages if name == "answer"]


@pytest.fixture
def trying(bench: NewBench, tmp_path: Path) -> Bench:
    """A board about to try slot b, the same firmware again."""
    board = bench()
    flash = tmp_path / "flash"
    shutil.copytree(flash / "a", flash / "b")
    (flash / "choice").write_text("a>b")
    return board


def _choice(tmp_path: Path) -> str:
    return (tmp_path / "flash" / "choice").read_text()


def test_what_is_kept_stays(trying: Bench, tmp_path: Path) -> None:
    trying.run_for(5)
    assert _slot(trying) == "b:trial"
    trying.send("keep", ["mast", 1])
    assert _answer(trying.run_for(1)) == ["ok"]
    assert _choice(tmp_path) == "b"
    trying.run_for(200)
    assert trying.world.starts == 1, "no limit of time any more"
    trying.world.power_cut()
    trying.run_for(3)
    assert _slot(trying) == "b"


def test_what_nobody_keeps_goes_back(trying: Bench, tmp_path: Path) -> None:
    trying.run_for(110)
    assert trying.world.starts == 1
    trying.run_for(15)
    assert trying.world.starts == 2
    assert _slot(trying) == "a"
    assert _choice(tmp_path) == "a!b"


def test_a_power_cut_on_trial_goes_back(trying: Bench) -> None:
    trying.run_for(5)
    trying.world.power_cut()
    trying.run_for(3)
    assert _slot(trying) == "a"


@pytest.mark.parametrize(
    ("file", "code", "within_s"),
    [
        ("startup/begin.py", "raise MemoryError('seeded')", 6),
        ("uplinks/desk.py", "this is no program", 6),
        ("core/control.py", "def _step(self, step_ms, inputs):\n    raise OSError\nControl.step = _step", 14),
        ("startup/tasks.py", "def _round(self):\n    while True:\n        ticks_ms()\nSupervisor.round = _round", 14),
    ],
)
def test_a_firmware_that_fails_goes_back(trying: Bench, tmp_path: Path, file: str, code: str, within_s: float) -> None:
    path = tmp_path / "flash" / "b" / file
    path.write_text(path.read_text() + "\n\n" + code + "\n")
    trying.run_for(within_s)
    assert _slot(trying) == "a"
    assert trying.world.starts == 2


def test_a_firmware_that_hangs_at_its_first_line_goes_back(trying: Bench, tmp_path: Path) -> None:
    (tmp_path / "flash" / "b" / "startup" / "begin.py").write_text("import time\nwhile True:\n    time.sleep_ms(100)\n")
    trying.run_for(12)
    assert _slot(trying) == "a"


def test_a_launch_confirms_the_slot_on_trial(trying: Bench, tmp_path: Path) -> None:
    trying.run_for(3)
    trying.send("mark", ["mast", 1, "launch"])
    trying.run_for(150)
    assert trying.world.starts == 1
    assert _choice(tmp_path) == "b"


@pytest.mark.parametrize("choice", ["", "x", "b", "\x00\x00\x00", "a>"])
def test_a_damaged_choice_still_starts_what_is_there(bench: NewBench, tmp_path: Path, choice: str) -> None:
    board = bench()
    flash = tmp_path / "flash"
    (flash / "choice").write_text(choice)
    if choice == "b":
        (flash / "a").rename(flash / "b")
    board.run_for(3)
    assert _slot(board) == ("b" if choice == "b" else "a")

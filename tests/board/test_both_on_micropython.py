"""The tests of tests/both once more, on the real MicroPython: 64 bit, and the 32-bit object model of a board."""

import re
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
BOTH = ROOT / "tests" / "both"
BOARD = ROOT / "tests" / "board"


def _modules() -> list[str]:
    return sorted(path.stem for path in BOTH.glob("test_*.py"))


def _judge(printed: str) -> None:
    count = re.search(r"(\d+) passed, (\d+) failed", printed)
    assert count, printed
    wanted = sum(len(re.findall(r"^def test_", path.read_text(), re.M)) for path in BOTH.glob("test_*.py"))
    assert (int(count[1]), int(count[2])) == (wanted, 0), printed


def test_on_the_unix_interpreter(on_board: Callable[..., str]) -> None:
    code = f"import sys; sys.path[:0] = [{str(BOTH)!r}, {str(BOARD)!r}]; import run_tests; run_tests.run({_modules()})"
    _judge(on_board(code, heap="4m"))


def test_on_the_32_bit_object_model_from_bytecode(on_32_bit: Callable[..., str], compiled: Path) -> None:
    code = f"import run_tests; run_tests.run({_modules()})"
    _judge(on_32_bit(code, BOTH, BOARD, compiled))


def test_a_failing_test_is_counted(on_board: Callable[..., str], tmp_path: Path) -> None:
    (tmp_path / "test_bad.py").write_text("def test_bad():\n    assert 1 == 2\n\n\ndef test_good():\n    assert True\n")
    code = (
        f"import sys; sys.path[:0] = [{str(tmp_path)!r}, {str(BOARD)!r}]; import run_tests; run_tests.run(['test_bad'])"
    )
    printed = on_board(code)
    assert "FAILED test_bad.test_bad" in printed
    assert "1 passed, 1 failed" in printed

"""The sensing and control step allocates nothing, on 64 bit and where small integers end at 2**30 as on a board."""

from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
BOTH = ROOT / "tests" / "both"
BOARD = ROOT / "tests" / "board"
CODE = "import no_alloc; no_alloc.main()"


def test_on_the_unix_interpreter(on_board: Callable[..., str]) -> None:
    printed = on_board(f"import sys; sys.path[:0] = [{str(BOTH)!r}, {str(BOARD)!r}]; {CODE}", heap="4m")
    assert printed.split("\n")[:3] == ["a float allocates: True", "65535 * 18810 allocates: False", "no allocation"]


def test_on_the_32_bit_object_model_from_bytecode(on_32_bit: Callable[..., str], compiled: Path) -> None:
    printed = on_32_bit(CODE, BOTH, BOARD, compiled)
    assert printed.split("\n")[:3] == ["a float allocates: True", "65535 * 18810 allocates: True", "no allocation"]

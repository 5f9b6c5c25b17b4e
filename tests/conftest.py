"""Lets CPython import the firmware's modules as a board does: from its root, with `const` at hand."""

import sys
from pathlib import Path
from types import ModuleType

_ROOT = Path(__file__).parents[1]
sys.path[:0] = [str(_ROOT / "firmware"), str(_ROOT / "tests" / "both")]

_micropython = ModuleType("micropython")
_micropython.const = lambda value: value  # type: ignore[attr-defined]
sys.modules.setdefault("micropython", _micropython)

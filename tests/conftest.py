"""Firmware modules on CPython, groups for parallel runs, and MicroPython with a 32-bit object model."""

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest
from hypothesis import settings

_ROOT = Path(__file__).parents[1]

# No time limit for one example: on a busy computer it fails for no fault of the code.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

sys.path[:0] = [str(_ROOT / "firmware"), str(_ROOT / "tests" / "both")]

_micropython = ModuleType("micropython")
_micropython.const = lambda value: value  # type: ignore[attr-defined]
sys.modules.setdefault("micropython", _micropython)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Groups for `pytest -n N --dist loadgroup`: a file is one group, all of tests/field is one.

    Tests in tests/field run whole programs against the clock, so they run one after the other.
    """
    for item in items:
        path = item.path.relative_to(_ROOT / "tests")
        item.add_marker(pytest.mark.xdist_group("field" if path.parts[0] == "field" else str(path)))


@pytest.fixture(scope="session")
def on_32_bit() -> Callable[..., str]:
    """Runs code on MicroPython with 31-bit small integers, as on a board; returns its output.

    Needs node and GROUNDBOX_NODE_MODULES, the folder npm installed @micropython/micropython-webassembly-pyscript into.
    """
    modules = os.environ.get("GROUNDBOX_NODE_MODULES", "")
    node = shutil.which("node")
    if not modules or not node or not Path(modules, "@micropython/micropython-webassembly-pyscript").is_dir():
        pytest.skip("no 32-bit MicroPython: GROUNDBOX_NODE_MODULES names no folder with its npm package, or no node")
    script = str(_ROOT / "tests" / "board" / "wasm32.mjs")

    def run(code: str, *directories: Path) -> str:
        command = [node, script, modules, code, *map(str, directories)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    return run

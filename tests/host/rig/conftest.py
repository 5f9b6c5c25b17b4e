"""A board that runs a few lines of a test instead of the firmware, under each interpreter."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from groundbox.rig.box import SimBox, SimBoxSettings
from groundbox.rig.changes import make_change
from groundbox.rig.console import BufferConsole
from groundbox.rig.electric import SimBatterySettings
from groundbox.rig.image import firmware_folder
from groundbox.rig.process import CPYTHON, MICROPYTHON, interpreter_path
from groundbox.rig.senses import SimSensorSettings
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
    (flash / "a" / "drivers").mkdir(parents=True)
    (flash / "a" / "drivers" / "pins.py").write_text((firmware_folder() / "drivers" / "pins.py").read_text())

    def run_main(
        main: str, seconds: float = 2.0, changes: tuple[tuple[str, str | float], ...] = (), **box: object
    ) -> list[str]:
        (flash / "main.py").write_text("import sys\n\nsys.path.append('a')\n" + main)
        senses = SimSensorSettings(perfect=True, monitor=int(str(box.pop("monitor", 1))))
        settings = SimBoxSettings(name="b", battery=SimBatterySettings(c20_ah=18), senses=senses, start_c=25.0, **box)
        simulated, console = SimBox(settings), BufferConsole()
        for thing, value in changes:
            make_change(simulated, thing, value)
        world = World(simulated, flash, console, str(request.param), Unpaced())
        try:
            world.run_until(round(seconds * 1e6))
        finally:
            world.power_cut()
        return console.heard.decode().partition("\r\nMicroPython;")[0].splitlines()

    return run_main

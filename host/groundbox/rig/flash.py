"""A simulated board's flash: the files of a real board, and settings as if a person had entered them."""

import runpy
from pathlib import Path

from groundbox.errors import BadInput
from groundbox.rig import image
from groundbox.wire import settings


def provision(folder: Path, box: str, board_settings: dict[str, int], firmware: Path | None = None) -> Path:
    """Stages the firmware into `folder`/flash and, on a flash without settings, enters name and settings; returns it.

    `firmware` is a folder with another manifest.py than this package's own.

    Raises:
        BadInput: a setting the firmware would refuse.
    """
    flash = folder / "flash"
    image.stage(flash, firmware)
    flash.chmod(0o700)  # it may come to hold a network's password and a box's key
    if not any(flash.glob("settings.*")):
        reason = settings.refusal_of_all(board_settings, settings.defaults())
        if reason:
            raise BadInput(box, "board_settings", reason)
        lines = [f"box {box}", *(f"{name} {value}" for name, value in board_settings.items())]
        slots = runpy.run_path(str(image.slot_in_force(flash) / "slots.py"))["Slots"](str(flash / "settings"))
        slots.save("\n".join(lines).encode())
    return flash

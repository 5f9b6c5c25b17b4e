"""The file tree of a real board: firmware and the code both sides share, as the firmware's own manifest lists them.

At the root `main.py`, which chooses a slot, and what the firmware writes; in the slots `a` and `b` all else.
"""

import runpy
import shutil
from importlib import resources
from pathlib import Path

import groundbox
from groundbox.errors import BadInput

BOARD_CODE = Path(__file__).parent / "board"


def firmware_folder() -> Path:
    """Folder of the firmware's source: in the installed package, else beside the package in a checkout.

    Raises:
        BadInput: neither is there.
    """
    package = Path(str(resources.files(groundbox)))
    for folder in (package / "firmware", package.parents[1] / "firmware"):
        if (folder / "manifest.py").is_file():
            return folder
    raise BadInput(package, "firmware", "is not there: install groundbox again, or run it from a whole checkout")


def files(firmware: Path) -> dict[str, Path]:
    """Path in a slot of the board -> source file, for everything the manifest lists.

    Raises:
        BadInput: the manifest names a file that is not there.
    """
    manifest = runpy.run_path(str(firmware / "manifest.py"))
    found: dict[str, Path] = {}
    for source, target in manifest["FILES"]:
        path = _source(firmware, source)
        if source.endswith("/"):
            found |= {target + file.name: file for file in sorted(path.glob("*.py"))}
        elif path.is_file():
            found[target] = path
        else:
            raise BadInput(firmware / "manifest.py", source, "is listed but not there")
    return found


def selector(firmware: Path) -> Path:
    """Source of the one file beside the slots, `main.py` at the board's root."""
    return firmware / str(runpy.run_path(str(firmware / "manifest.py"))["SELECTOR"])


def slot_in_force(flash: Path) -> Path:
    """Folder of the slot that runs unless another is on trial."""
    choice = flash / "choice"
    good = choice.read_text(encoding="ascii", errors="replace")[:1] if choice.is_file() else ""
    return flash / (good if good in ("a", "b") else "a")


def stage(flash: Path, firmware: Path | None = None) -> None:
    """Puts the board's files into the folder `flash`; settings and other files the firmware wrote there stay.

    Args:
        flash: the simulated board's flash, made when absent.
        firmware: folder with manifest.py; None takes this package's own.
    """
    firmware = firmware or firmware_folder()
    slot = slot_in_force(flash)
    wanted = {flash / "main.py": selector(firmware)}
    wanted |= {slot / name: source for name, source in files(firmware).items()}
    for target, source in wanted.items():
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, target)


def _source(firmware: Path, name: str) -> Path:
    head, _, tail = name.partition("/")
    root = firmware if head == "firmware" else Path(groundbox.__file__).parent / head
    return root / tail

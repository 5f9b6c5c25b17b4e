"""Puts the firmware's bytecode into the wheel, for `groundbox board install`."""

import runpy
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class BytecodeHook(BuildHookInterface):  # type: ignore[type-arg]
    """For the target `wheel`; an editable installation compiles when it installs on a board."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Called by hatchling before it builds.

        Raises:
            RuntimeError: mpy-cross is missing or makes another version of bytecode.
        """
        if version == "editable":
            return
        root = Path(self.root)
        own = runpy.run_path(str(root / "host/groundbox/maintenance/bytecode.py"))
        sources: dict[str, Path] = {}
        for source, target in runpy.run_path(str(root / "firmware/manifest.py"))["FILES"]:
            path = root / ("" if source.startswith("firmware/") else "host/groundbox") / source
            found = sorted(path.glob("*.py")) if path.is_dir() else [path]
            sources |= {target + file.name if path.is_dir() else target: file for file in found}
        folder = Path(mkdtemp())
        if not own["compile_into"](folder, sources):
            raise RuntimeError(f"the wheel needs mpy-cross that makes bytecode of version {own['VERSION']}")
        build_data["force_include"][str(folder)] = f"groundbox/{own['PACKED']}"

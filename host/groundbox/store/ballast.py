"""A file kept only to be deleted: when the disk fills up, it buys the hours in which a person can make room."""

import os
from contextlib import suppress
from pathlib import Path

BALLAST_BYTES = 4 << 20  # two boxes fill it in about two hours


class Ballast:
    """The ballast beside the store at `path`."""

    megabytes = BALLAST_BYTES >> 20

    def __init__(self, path: Path) -> None:
        self._file = path.with_name(path.name + ".ballast")

    def load(self) -> None:
        """Makes the file where it is missing and there is room for it."""
        with suppress(OSError):
            if self._file.exists():
                return
            try:
                with self._file.open("wb") as file:
                    file.write(bytes(BALLAST_BYTES))
                    file.flush()
                    os.fsync(file.fileno())
            except OSError:
                self.drop()

    def drop(self) -> bool:
        """True when there was a ballast, and its room is free now."""
        try:
            self._file.unlink()
        except OSError:
            return False
        return True

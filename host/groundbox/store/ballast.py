"""A file kept only to be deleted: when the disk fills up, it buys the hours in which a person can make room."""

import os
import shutil
from contextlib import suppress
from pathlib import Path

BALLAST_BYTES = 4 << 20  # two boxes fill it in about two hours
ROOM_BYTES = 4 * BALLAST_BYTES  # free before it is laid by again, so that it is not given and taken in turn


class Ballast:
    """The ballast beside the store at `path`."""

    megabytes = BALLAST_BYTES >> 20

    def __init__(self, path: Path) -> None:
        self._file = path.with_name(path.name + ".ballast")
        self._dropped = False

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
        self._dropped = True
        return True

    def lay_again(self) -> bool:
        """Lays by again what was dropped, once there is room; True when it did."""
        if not self._dropped:
            return False
        with suppress(OSError):
            if shutil.disk_usage(self._file.parent).free < ROOM_BYTES:
                return False
            self.load()
        self._dropped = not self._file.exists()
        return not self._dropped

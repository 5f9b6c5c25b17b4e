"""A file kept only to be deleted: on a full disk it gives the hours in which a person can free space."""

import os
import shutil
from contextlib import suppress
from pathlib import Path

RESERVE_BYTES = 4 << 20  # two boxes fill it in about two hours
ROOM_BYTES = 4 * RESERVE_BYTES  # free space before the file is made again, so that it is not made and deleted in turn


class DiskReserve:
    """The reserve beside the store at `path`."""

    megabytes = RESERVE_BYTES >> 20

    def __init__(self, path: Path) -> None:
        self._file = path.with_name(path.name + ".reserve")
        self._released = False

    def make(self) -> None:
        """Makes the file where it is missing and there is space for it."""
        with suppress(OSError):
            if self._file.exists():
                return
            try:
                with self._file.open("wb") as file:
                    file.write(bytes(RESERVE_BYTES))
                    file.flush()
                    os.fsync(file.fileno())
            except OSError:
                self.release()

    def release(self) -> bool:
        """True when there was a reserve, and its space is free now."""
        try:
            self._file.unlink()
        except OSError:
            return False
        self._released = True
        return True

    def restore(self) -> bool:
        """Makes a released reserve again once there is space; True when it did."""
        if not self._released:
            return False
        with suppress(OSError):
            if shutil.disk_usage(self._file.parent).free < ROOM_BYTES:
                return False
            self.make()
        self._released = not self._file.exists()
        return not self._released

"""The boxes' command keys and the counters under which they were used: one folder that only its owner can read.

`<box>.key` holds 64 hexadecimal digits, `<box>.counter` a number no counter up to which may be used again. Neither is
ever shown or logged.
"""

import os
import secrets
import time
from collections.abc import Callable
from pathlib import Path
from urllib.parse import quote, unquote

from groundbox.errors import BadInput
from groundbox.wire import auth

_AHEAD = 60_000_000  # counters taken at once, so that the file is written once a minute at most
_LOOK_AGAIN_S = 10.0  # a key that was not there may come


class Keys:
    """What a host needs to command boxes over a network.

    Counters begin at the wall clock's microseconds, so that two hosts with one key do not refuse each other; a clock
    that was set back does not matter, since they go on from the file.

    Args:
        folder: where the keys are; need not exist.
        wall_s: the wall clock, seconds since 1970.
    """

    def __init__(self, folder: Path, wall_s: Callable[[], float] = time.time) -> None:
        self._folder, self._wall_s = folder, wall_s
        self._keys: dict[str, bytes] = {}
        self._absent: dict[str, float] = {}
        self._next: dict[str, int] = {}
        self._ceiling: dict[str, int] = {}

    def has(self, box: str) -> bool:
        """True when there is a key for `box`.

        Raises:
            BadInput: the key's file is readable by others, or no key.
        """
        return self._key(box) is not None

    def seal(self, box: str, line: bytes) -> bytes:
        """`line` sealed for `box` under a counter that was never used before.

        Raises:
            BadInput: there is no key, or the counter cannot be kept.
        """
        key = self._key(box)
        if key is None:
            raise BadInput(key_path(self._folder, box), "", "there is no key: groundbox board network makes one")
        return auth.seal(key, box, self._counter(box), line)

    def begin_anew(self, box: str) -> None:
        """The next counter is taken from the file and the clock: another program may have used higher ones."""
        self._next.pop(box, None)

    def _key(self, box: str) -> bytes | None:
        if box in self._keys:
            return self._keys[box]
        now_s = time.monotonic()
        if now_s - self._absent.get(box, float("-inf")) < _LOOK_AGAIN_S:
            return None
        key = read_key(self._folder, box)
        if key is None:
            if len(self._absent) > 1000:  # names of strangers
                self._absent.clear()
            self._absent[box] = now_s
        else:
            self._keys[box] = key
        return key

    def _counter(self, box: str) -> int:
        if box not in self._next:
            self._ceiling[box] = self._kept(box)
            self._next[box] = max(self._ceiling[box] + 1, int(self._wall_s() * 1e6))
        counter = self._next[box]
        if counter > self._ceiling[box]:
            self._ceiling[box] = counter + _AHEAD
            _write(self._counter_path(box), str(self._ceiling[box]))
        self._next[box] = counter + 1
        return counter

    def _kept(self, box: str) -> int:
        path = self._counter_path(box)
        try:
            kept = int(path.read_text(encoding="ascii"))
        except FileNotFoundError:
            return 0
        except (OSError, ValueError) as error:
            mend = "is damaged; delete it, or give the box a new key: groundbox board network"
            raise BadInput(path, "", mend) from error
        if not 0 <= kept < auth.MOST_COUNTER - _AHEAD:
            raise BadInput(path, "", "holds no counter; give the box a new key: groundbox board network")
        return kept

    def _counter_path(self, box: str) -> Path:
        return key_path(self._folder, box).with_suffix(".counter")


def boxes(folder: Path) -> list[str]:
    """Boxes whose keys are in `folder`; none where it cannot be read."""
    return sorted(unquote(path.stem) for path in folder.glob("*.key"))


def key_path(folder: Path, box: str) -> Path:
    """The file a box's key is in."""
    return folder / f"{quote(box, safe='')}.key"


def read_key(folder: Path, box: str) -> bytes | None:
    """The key of `box`; None when there is none.

    Raises:
        BadInput: the file is readable by others, or holds no key.
    """
    path = key_path(folder, box)
    try:
        if os.name == "posix" and path.stat().st_mode & 0o077:
            raise BadInput(path, "", f"others can read this key: chmod 600 {path}")
        text = path.read_text(encoding="ascii").strip()
        key = bytes.fromhex(text)
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise BadInput(path, "", "cannot be read as a key; make a new one: groundbox board network") from error
    if len(key) != auth.KEY_BYTES:
        raise BadInput(path, "", f"wants {2 * auth.KEY_BYTES} hexadecimal digits")
    return key


def new_key(folder: Path, box: str) -> bytes:
    """A new key for `box`, on the disk; the counter begins anew, as the board's does with another key."""
    key = secrets.token_bytes(auth.KEY_BYTES)
    keep_key(folder, box, key)
    return key


def keep_key(folder: Path, box: str, key: bytes) -> None:
    """Keeps a key for `box` in place of the one before.

    Raises:
        BadInput: the folder takes none.
    """
    path = key_path(folder, box)
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        path.with_suffix(".counter").unlink(missing_ok=True)
    except OSError as error:
        raise BadInput(folder, "", f"keeps no keys ({error.strerror})") from error
    _write(path, key.hex())


def _write(path: Path, text: str) -> None:
    """Writes a file of which there is always the old or the new, readable by its owner alone."""
    beside = path.with_name(path.name + ".new")
    try:
        beside.unlink(missing_ok=True)
        with open(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        raise BadInput(path, "", f"cannot be written ({error.strerror})") from error

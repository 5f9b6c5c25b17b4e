"""Files that only their owner may read: the boxes' command keys, a broker's passwords, a board's file `network`.

No secret is ever shown, logged or put into an error.
"""

import base64
import hashlib
import os
import re
import secrets
import ssl
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from urllib.parse import quote, unquote
from zlib import crc32

from groundbox.errors import BadInput
from groundbox.wire import auth

ENDING = ".password"
ROUNDS = 10_000  # a guess costs the guesser this much; the passwords themselves are 144 random bits
MAX_NETWORK_BYTES = 4096
NETWORK_NAMES = ("ssid", "password", "broker", "broker_name", "port", "user", "broker_password", "ca", "key")
PLACEHOLDER = re.compile(r"<your .*>")  # as in the example of `groundbox board network --help`
_RESERVED = 60_000_000  # counters reserved at once, so that the file is written once a minute at most
_LOOK_AGAIN_S = 10.0  # a missing key is looked for again after so long


class Keys:
    """The command keys of boxes on a network, and the counters under which they were used.

    `<box>.key` holds 64 hexadecimal digits. `<box>.counter` holds a number; no counter up to it is used again.
    Counters begin at the wall clock's microseconds, so that a board takes commands from two hosts with one key. A clock
    that was set back does no damage: counters continue from the file.

    Args:
        folder: where the keys are; it may be missing.
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
        """`line` sealed for `box` under a counter that was never used.

        Raises:
            BadInput: there is no key, or the counter cannot be written.
        """
        key = self._key(box)
        if key is None:
            raise BadInput(key_path(self._folder, box), "", "there is no key; make one: groundbox board network")
        return auth.seal(key, box, self._counter(box), line)

    def reread_counter(self, box: str) -> None:
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
            if len(self._absent) > 1000:  # names that anybody invents
                self._absent.clear()
            self._absent[box] = now_s
        else:
            self._keys[box] = key
        return key

    def _counter(self, box: str) -> int:
        if box not in self._next:
            self._ceiling[box] = self._reserved(box)
            self._next[box] = max(self._ceiling[box] + 1, int(self._wall_s() * 1e6))
        counter = self._next[box]
        if counter > self._ceiling[box]:
            self._ceiling[box] = counter + _RESERVED
            _write_reported(self._counter_path(box), str(self._ceiling[box]))
        self._next[box] = counter + 1
        return counter

    def _reserved(self, box: str) -> int:
        path = self._counter_path(box)
        try:
            reserved = int(path.read_text(encoding="ascii"))
        except FileNotFoundError:
            return 0
        except (OSError, ValueError) as error:
            fix = "is damaged; delete it, or give the box a new key: groundbox board network --new-key"
            raise BadInput(path, "", fix) from error
        if not 0 <= reserved < auth.MAX_COUNTER - _RESERVED:
            raise BadInput(path, "", "holds no counter; give the box a new key: groundbox board network --new-key")
        return reserved

    def _counter_path(self, box: str) -> Path:
        return key_path(self._folder, box).with_suffix(".counter")


def boxes_with_keys(folder: Path) -> list[str]:
    """Boxes whose keys are in `folder`; [] where it cannot be read."""
    return sorted(unquote(path.stem) for path in folder.glob("*.key"))


def key_path(folder: Path, box: str) -> Path:
    """The file of a box's key."""
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
        raise BadInput(
            path, "", "cannot be read as a key; make a new one: groundbox board network --new-key"
        ) from error
    if len(key) != auth.KEY_BYTES:
        raise BadInput(
            path,
            "",
            f"must hold {2 * auth.KEY_BYTES} hexadecimal digits; make a new key: groundbox board network --new-key",
        )
    return key


def new_key(folder: Path, box: str) -> bytes:
    """A new key for `box`, on the disk; its counter restarts, as the board's does with another key."""
    key = secrets.token_bytes(auth.KEY_BYTES)
    store_key(folder, box, key)
    return key


def store_key(folder: Path, box: str, key: bytes) -> None:
    """Stores a key for `box` in place of its last one.

    Raises:
        BadInput: the folder cannot be written.
    """
    path = key_path(folder, box)
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        path.with_suffix(".counter").unlink(missing_ok=True)
    except OSError as error:
        raise BadInput(
            folder, "", f"cannot hold keys ({error.strerror}); name another folder: keys in groundbox.toml"
        ) from error
    _write_reported(path, key.hex())


def stored_passwords(folder: Path, users: Iterable[str]) -> dict[str, str]:
    """User -> password: those in `folder`, and new ones for `users` that have none yet.

    Raises:
        BadInput: the folder or a file in it cannot be read or written.
    """
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        found = {path.name.removesuffix(ENDING): path for path in sorted(folder.glob(f"*{ENDING}"))}
        for user in users:
            if user not in found:
                found[user] = folder / f"{user}{ENDING}"
                write_secret(found[user], secrets.token_urlsafe(18) + "\n")
        return {user: read_password(path) for user, path in found.items()}
    except OSError as error:
        raise BadInput(
            folder,
            "",
            f"cannot be read or written ({error.strerror}); it holds the passwords: check its owner and mode",
        ) from error


def read_password(path: Path) -> str:
    """The first line of a password file.

    Raises:
        OSError: it cannot be read.
        BadInput: it is empty or not text.
    """
    try:
        password = path.read_text(encoding="utf-8").split("\n")[0].strip()
    except UnicodeDecodeError as error:
        raise BadInput(path, "", "is not UTF-8 text: write the password on its first line") from error
    if not password:
        raise BadInput(path, "", "is empty: write the password on its first line")
    return password


def hashed(password: str, salt: bytes) -> str:
    """The form of mosquitto 2's password file: PBKDF2 of SHA-512, as $7$rounds$salt$hash.

    Source: mosquitto_passwd writes the same.
    """
    found = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, ROUNDS, 64)
    return f"$7${ROUNDS}${base64.b64encode(salt).decode()}${base64.b64encode(found).decode()}"


def network_file(source: object, values: dict[str, str]) -> bytes:
    """The bytes of the board's file `network`, which firmware/uplinks/network_file.py reads.

    Args:
        source: where the values come from, for errors; these never show a secret.
        values: by NETWORK_NAMES; the board does without a missing one. `ca` is PEM text here.

    Raises:
        BadInput: a value that the board cannot use.
    """
    values = dict(values)
    address = values.get("broker", "")
    if not re.fullmatch(r"(\d{1,3}\.){3}\d{1,3}", address) or any(int(part) > 255 for part in address.split(".")):
        fix = f'"{address}" is no IPv4 address; write one, as 192.168.4.2: looking up a name would delay the board'
        raise BadInput(source, "broker", fix)
    if "ca" in values:
        values["ca"] = _der(source, values["ca"])
    for name, value in values.items():
        if name not in NETWORK_NAMES:
            raise BadInput(source, name, f"is not a known value; the values are {', '.join(NETWORK_NAMES)}")
        if PLACEHOLDER.fullmatch(value):
            raise BadInput(source, name, "still holds the placeholder of the example; write your own value")
        if not value or any(not " " <= sign < "\x7f" for sign in value):
            raise BadInput(source, name, "must be plain characters in one line")
    text = "".join(f"{name} {values[name]}\n" for name in NETWORK_NAMES if name in values).encode("ascii")
    whole = text + b"check %08X\n" % crc32(text)
    if len(whole) > MAX_NETWORK_BYTES:
        raise BadInput(
            source,
            "",
            f"needs {len(whole)} bytes on the board, the limit is {MAX_NETWORK_BYTES}: use a shorter certificate",
        )
    return whole


def _der(source: object, pem: str) -> str:
    """A certificate in PEM as DER in base64."""
    try:
        return base64.b64encode(ssl.PEM_cert_to_DER_cert(pem[pem.index("-----BEGIN CERT") :])).decode()
    except ValueError as error:
        raise BadInput(
            source, "ca_file", "holds no certificate in PEM; name the file of the authority, as ca.pem"
        ) from error


def write_secret(path: Path, text: str) -> None:
    """Replaces a file whole, even when the power fails; only its owner may read it, from its first moment on."""
    new = path.with_name(path.name + ".new")
    new.unlink(missing_ok=True)
    with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)


def _write_reported(path: Path, text: str) -> None:
    try:
        write_secret(path, text)
    except OSError as error:
        raise BadInput(path, "", f"cannot be written ({error.strerror}); check the folder's owner and mode") from error

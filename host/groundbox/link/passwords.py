"""One password for each user of a broker, each in a file that only this user may read."""

import base64
import hashlib
import os
import secrets
from collections.abc import Iterable
from pathlib import Path

from groundbox.errors import BadInput

ENDING = ".password"
ROUNDS = 10_000  # a guess costs the guesser this much; the passwords themselves are 144 random bits


def kept_passwords(folder: Path, users: Iterable[str]) -> dict[str, str]:
    """User -> password: those in `folder`, and new ones for the `users` that have none yet.

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
        raise BadInput(folder, "", f"cannot be read or written ({error.strerror}); it keeps passwords") from error


def read_password(path: Path) -> str:
    """The first line of a password file.

    Raises:
        OSError: it cannot be read.
        BadInput: it is empty or no text.
    """
    try:
        password = path.read_text(encoding="utf-8").split("\n")[0].strip()
    except UnicodeDecodeError as error:
        raise BadInput(path, "", "is not UTF-8 text: write the password on its first line") from error
    if not password:
        raise BadInput(path, "", "is empty: write the password on its first line")
    return password


def write_secret(path: Path, text: str) -> None:
    """A file that only this user may read, from its first moment on; replaces one that is there."""
    new = path.with_name(path.name + ".new")
    new.unlink(missing_ok=True)
    with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
        file.write(text)
    new.replace(path)


def hashed(password: str, salt: bytes) -> str:
    """As mosquitto 2 keeps it: PBKDF2 of SHA-512, written $7$rounds$salt$hash (mosquitto_passwd writes the same)."""
    found = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, ROUNDS, 64)
    return f"$7${ROUNDS}${base64.b64encode(salt).decode()}${base64.b64encode(found).decode()}"

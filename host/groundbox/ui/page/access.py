"""Who may look and who may mark: on this computer everyone, on a network by passphrase."""

import hmac
import json
import os
import secrets
from collections.abc import Mapping
from pathlib import Path

from groundbox.errors import BadInput

LETTERS = "abcdefghkmnpqrstuvwxyz23456789"  # without those that look alike
LENGTH = 12  # of 30 letters each: 58 bits
ROLES = ("mark", "look")
COOKIE = "groundbox_page"
HERE = ("127.0.0.1", "::1")


class Access:
    """Passphrases of one page.

    Args:
        passphrases: role -> passphrase; empty for a page that only this computer reaches.
    """

    def __init__(self, passphrases: Mapping[str, str] | None = None) -> None:
        self.passphrases = dict(passphrases or {})

    def role(self, client: str, cookie: str | None) -> str | None:
        """ "mark", "look", or None where no passphrase was entered; this computer itself may mark."""
        if client in HERE:
            return "mark"
        return next((role for role in self.passphrases if _same(self._token(role), cookie)), None)

    def enter(self, passphrase: str) -> str | None:
        """The cookie for a passphrase; None where it is wrong."""
        found = [role for role, known in self.passphrases.items() if _same(known, passphrase)]
        return self._token(found[0]) if found else None

    def _token(self, role: str) -> str:
        return hmac.digest(self.passphrases[role].encode(), f"page {role}".encode(), "sha256").hex()


def _same(known: str, given: str | None) -> bool:
    return given is not None and hmac.compare_digest(known.encode(), given.encode())


def kept_passphrases(path: Path) -> dict[str, str]:
    """The passphrases in the file at `path`, made at the first time; only this user may read it.

    Kept, so that a page left open works after a restart.
    """
    try:
        if path.exists():
            kept = json.loads(path.read_text(encoding="utf-8"))
            return {role: str(kept[role]) for role in ROLES}
        made = {role: "".join(secrets.choice(LETTERS) for _ in range(LENGTH)) for role in ROLES}
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
            json.dump(made, file)
        return made
    except OSError as error:
        raise BadInput(
            path, "", f"cannot be read or written ({error.strerror}); it keeps the page's passphrases"
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise BadInput(path, "", "is not a file of passphrases; delete it, new ones are made") from error

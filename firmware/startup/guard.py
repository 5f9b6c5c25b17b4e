"""Accepts only commands that are sealed with this board's key, each once."""

from hashlib import sha256

from groundbox.wire import auth
from startup.safe_file import SafeFile

_NONE = b"0" * 16
_ALL = b"F" * 16
_TALK = ("who", "ask_clock", "stored", "resend", "get", "summary_stored")


class Guard:
    """Counters of the commands taken.

    Commands that do something count only once their counter is on flash, so that none works twice whatever happens.
    The talk about records is only checked against this start's counters: repeated, it changes nothing (records of
    one start stay stored), and it comes each second, which would wear the flash out.

    Args:
        key: the key of commands, bytes.
    """

    def __init__(self, key, path="counter"):
        self._key = key
        self._of_key = sha256(key).digest()[:4]
        self._slots = SafeFile(path)
        self._last = _NONE
        content = self._slots.load()
        if content is None:
            if self._slots.damaged:  # the commands taken before are unknown: only a new key helps
                self._last = _ALL
        elif content[16:] == self._of_key:  # another key starts its own count
            self._last = content[:16]

    def line_of(self, sealed, box):
        """The line in `sealed` when it may be acted on, else None."""
        opened = auth.unseal(self._key, box, sealed)
        if opened is None or opened[0] <= self._last:
            return None
        counter, line = opened
        name = line[1 : line.find(b"|")].decode()
        if name not in _TALK and not self._slots.save(counter + self._of_key):
            return None
        self._last = counter
        return line

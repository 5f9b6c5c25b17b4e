"""Sealed commands: what makes a command over a network count, the same code on board and host.

    <counter, 16 hexadecimal digits><tag, 32 hexadecimal digits><the command in line form>

The tag is HMAC-SHA256 (RFC 2104), cut to 128 bits, with the box's key over "<box>|<counter>|<line>". A counter is never
used twice for one key; as text, counters compare like the numbers.
"""

from binascii import hexlify
from hashlib import sha256

KEY_BYTES = 32
MAX_COUNTER = (1 << 64) - 1
_BLOCK = 64  # bytes SHA-256 works on at once
_COUNTER = 16
_HEAD = 48  # counter and tag
_TAG_BYTES = 16


def seal(key: bytes, box: str, counter: int, line: bytes) -> bytes:
    """`line` (a command in line form) sealed for `box` under `counter`."""
    digits = b"%016X" % counter
    return digits + hexlify(_tag(key, box, digits, line)) + line


def unseal(key: bytes, box: str, sealed: bytes) -> tuple[bytes, bytes] | None:
    """(counter as digits, line) of what was sealed with this key for this box, else None."""
    digits = sealed[:_COUNTER]
    line = sealed[_HEAD:]
    if len(digits) < _COUNTER or not line or not all(48 <= c <= 57 or 65 <= c <= 70 for c in digits):
        return None
    return (digits, line) if _same(hexlify(_tag(key, box, digits, line)), sealed[_COUNTER:_HEAD]) else None


def hmac_sha256(key: bytes, text: bytes) -> bytes:
    """The whole 32 bytes of HMAC-SHA256; boards have no module for it."""
    if len(key) > _BLOCK:
        key = sha256(key).digest()
    key = key + bytes(_BLOCK - len(key))
    inner = sha256(bytes([c ^ 0x36 for c in key]))
    inner.update(text)
    outer = sha256(bytes([c ^ 0x5C for c in key]))
    outer.update(inner.digest())
    return outer.digest()


def _tag(key: bytes, box: str, digits: bytes, line: bytes) -> bytes:
    return hmac_sha256(key, box.encode() + b"|" + digits + b"|" + line)[:_TAG_BYTES]


def _same(one: bytes, other: bytes) -> bool:
    """Compares in constant time: how long it takes does not depend on where they differ."""
    differ = len(one) ^ len(other)
    for a, b in zip(one, other):  # noqa: B905 (MicroPython's zip has no strict)
        differ |= a ^ b
    return not differ

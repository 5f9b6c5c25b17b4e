"""The line form: one printable line a message, the same code on board and host.

    {reading|mast|17|1042|104200|12034|~|...}9AE1F00D

The fields are in the registry's order between braces; "|" separates them; "~" is unknown. Behind the
closing brace is the CRC-32 (as in zip files and Ethernet) of everything between the braces, as eight hexadecimal
digits. A newline ends the line.
"""

from binascii import crc32

from groundbox.wire.messages import BY_NAME

MAX_LINE_BYTES = 512
_FORBIDDEN = "{|}~"


def encode(name: str, values: list[int | str | None]) -> bytes:
    """Bytes of one line, newline included.

    Args:
        name: message name of the registry.
        values: one for each field, in order: int, str, or None for unknown.

    Raises:
        ValueError: a value outside its field's range; the message names it.
    """
    fields = BY_NAME[name][3]
    if len(values) != len(fields):
        raise ValueError("%s wants %d values, got %d" % (name, len(fields), len(values)))
    parts = [name]
    for field, value in zip(fields, values):  # noqa: B905 (MicroPython's zip has no strict)
        check(field, value)
        parts.append("~" if value is None else str(value))
    text = "|".join(parts).encode()
    return b"{%s}%08X\n" % (text, crc32(text) & 0xFFFFFFFF)


def decode(line: bytes) -> tuple[str, list[int | str | None]]:
    """(name, values) of one line, with or without its newline; values as `encode` takes them.

    Raises:
        ValueError: not a line of this form, damaged, or outside the registry; the message names it.
    """
    parts = words_of(line)
    message = BY_NAME.get(parts[0])
    if message is None:
        raise ValueError("no message is called " + parts[0])
    fields = message[3]
    if len(parts) != len(fields) + 1:
        raise ValueError("%s wants %d values, got %d" % (parts[0], len(fields), len(parts) - 1))
    return parts[0], [_value(field, part) for field, part in zip(fields, parts[1:])]  # noqa: B905


def words_of(line: bytes) -> list[str]:
    """Message name and values of an undamaged line, as text, whether or not the registry has them.

    Raises:
        ValueError: not a line of this form, or damaged; the message names it.
    """
    line = line.strip()
    if len(line) > MAX_LINE_BYTES:
        raise ValueError("longer than %d bytes" % MAX_LINE_BYTES)
    if not line.startswith(b"{") or line[-9:-8] != b"}":
        raise ValueError("no braces")
    text = line[1:-9]
    if line[-8:] != b"%08X" % (crc32(text) & 0xFFFFFFFF):
        raise ValueError("checksum differs")
    return text.decode().split("|")


def looks_like_ours(line: bytes) -> bool:
    """True for a line that begins or ends like ours, so that an incomplete one counts as damaged."""
    line = line.strip()
    return line.startswith(b"{") or (len(line) > 8 and line[-9:-8] == b"}" and _is_hex(line[-8:]))


def check(field: tuple[str, str | tuple[str, ...], int, int], value: int | str | None) -> None:
    """Raises ValueError, naming field and range, unless `value` fits `field`; None always fits."""
    name, code, low, high = field
    if value is None:
        return
    if isinstance(code, tuple):
        if value not in code:
            raise ValueError("%s: %s is none of %s" % (name, value, ", ".join(code)))
    elif code == "s":
        if not isinstance(value, str) or not low <= len(value) <= high or not _is_word(value):
            raise ValueError("%s: wants %d to %d plain characters" % (name, low, high))
    elif not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise ValueError("%s: %s is not a whole number from %d to %d" % (name, value, low, high))


def _value(field: tuple[str, str | tuple[str, ...], int, int], part: str) -> int | str | None:
    if part == "~":
        return None
    code = field[1]
    value: int | str = part if isinstance(code, tuple) or code == "s" else _whole(field[0], part)
    check(field, value)
    return value


def _whole(name: str, part: str) -> int:
    digits = part[1:] if part.startswith("-") else part
    if not digits or not all("0" <= c <= "9" for c in digits):
        raise ValueError("%s: %s is not a whole number" % (name, part))
    return int(part)


def _is_word(text: str) -> bool:
    return all(" " < c < "\x7f" and c not in _FORBIDDEN for c in text)


def _is_hex(text: bytes) -> bool:
    return all(48 <= c <= 57 or 65 <= c <= 70 for c in text)

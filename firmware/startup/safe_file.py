"""A small file in two copies, so that a power cut at any byte of a write leaves one of them valid.

Each write goes to the copy that does not hold the newest valid content. A copy is

    <CRC-32 of all that follows the blank, 8 hexadecimal digits> <generation>\\n<content>

and counts only when the checksum fits; of two valid ones the higher generation counts.
"""

from binascii import crc32

_MAX_BYTES = 8192  # a damaged directory entry must not cost the heap


class SafeFile:
    """Content that outlives resets.

    Args:
        path: name of the file; the copies are `path`.a and `path`.b.

    Attributes:
        damaged: True when the last `load` met a copy that is not valid, or is missing though it was written before.
    """

    def __init__(self, path):
        self._paths = (path + ".a", path + ".b")
        self._newest = 1
        self._generation = 0
        self.damaged = False

    def load(self):
        """Newest valid content as bytes, or None."""
        found = None
        self.damaged = missing = False
        for copy in (0, 1):
            raw = _read(self._paths[copy])
            content = None if raw is None else _content(raw)
            if content is not None and (found is None or content[0] > self._generation):
                self._generation, found = content
                self._newest = copy
            elif content is None:
                self.damaged = self.damaged or raw is not None
                missing = missing or raw is None
        if missing and self._generation > 1:
            self.damaged = True
        return found

    def save(self, content):
        """Writes `content` (bytes) and reads it back; True when it holds. The last content stays until then."""
        copy = 1 - self._newest
        generation = self._generation + 1
        body = b"%d\n" % generation + content
        raw = b"%08X " % (crc32(body) & 0xFFFFFFFF) + body
        try:
            with open(self._paths[copy], "wb") as file:
                file.write(raw)
        except OSError:
            return False
        if len(raw) > _MAX_BYTES or _read(self._paths[copy]) != raw:
            return False
        self._newest = copy
        self._generation = generation
        return True


def _read(path):
    try:
        with open(path, "rb") as file:
            length = file.seek(0, 2)
            file.seek(0)
            return file.read(min(length, _MAX_BYTES))
    except OSError:
        return None


def _content(raw):
    """(generation, content) of a valid copy, else None."""
    if raw[:9] != b"%08X " % (crc32(raw[9:]) & 0xFFFFFFFF):
        return None
    end = raw.find(b"\n")
    if end < 10:
        return None
    return int(raw[9:end]), raw[end + 1 :]

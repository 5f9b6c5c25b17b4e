"""Every error of this package.

GroundboxError
├── BadInput       a file or argument a person can mend: names the file, the place and the mend
├── WireError      a line or message that is not of our registry
├── LinkError      a port or broker that is gone or refuses
└── StoreError     a database that is read-only, locked, full, or from a newer version
"""


class GroundboxError(Exception):
    """Base of all errors a person should see as one line, without a traceback."""


class BadInput(GroundboxError):
    """A file or argument that a person can mend.

    Args:
        source: the file (or option) it came from.
        place: the key, row or column within it, or "" for the whole.
        mend: what is wrong and what to write instead.
    """

    def __init__(self, source: object, place: str, mend: str) -> None:
        self.source, self.place, self.mend = str(source), place, mend
        super().__init__(f"{source}: {place}: {mend}" if place else f"{source}: {mend}")


class WireError(GroundboxError):
    """A line or message that does not fit the registry."""


class LinkError(GroundboxError):
    """A port or broker that is gone or refuses."""


class StoreError(GroundboxError):
    """A database that cannot be read or written, with what to do about it."""

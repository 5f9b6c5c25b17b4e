"""Every error of this package.

GroundboxError
├── BadInput       a wrong file or argument: names the file, the place and what to type
├── WireError      a line or message that the registry does not define
├── LinkError      a lost port or broker, or one that refuses
└── StoreError     a database that is read-only, locked, full, or from a newer version
"""


class GroundboxError(Exception):
    """Base of all errors that a person sees as one line, without a traceback."""


class BadInput(GroundboxError):
    """A wrong file or argument, which a person can correct.

    Args:
        source: the file (or option) it came from.
        place: the key, row or column within it, or "" for the whole.
        problem: what is wrong and what to type instead.
    """

    def __init__(self, source: object, place: str, problem: str) -> None:
        self.source, self.place, self.problem = str(source), place, problem
        super().__init__(f"{source}: {place}: {problem}" if place else f"{source}: {problem}")


class WireError(GroundboxError):
    """A line or message that the registry does not define."""


class LinkError(GroundboxError):
    """A lost port or broker, or one that refuses."""


class StoreError(GroundboxError):
    """A database that cannot be read or written; the text has an instruction."""

"""A fitted case on disk: one JSON file beside the settings, written whole or not at all."""

import os
import tempfile
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import msgspec

from groundbox.errors import BadInput
from groundbox.thermal.filter_check import FIRST, SessionRise
from groundbox.thermal.fit import CaseFit


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseFile:
    """What is known of one case: the fit, from the sessions of box `box` on `date`, and its rise in each session.

    `sessions` in order of time, by name; those that showed nothing about the air stream are in `without_rise`.
    """

    box: str
    date: date
    fit: CaseFit
    sessions: tuple[SessionRise, ...] = ()
    without_rise: tuple[str, ...] = ()

    def has(self, session: str) -> bool:
        """True when that session was used already."""
        return session in self.without_rise or any(one.name == session for one in self.sessions)

    def with_session(self, session: str, rise: SessionRise | None) -> "CaseFile":
        """With one more session; None is one that showed nothing about the air stream."""
        if rise is None:
            return replace(self, without_rise=(*self.without_rise, session))
        return replace(self, sessions=tuple(sorted((*self.sessions, rise), key=lambda one: one.name)))

    def cleaned(self) -> "CaseFile":
        """The filter is clean again: only the first sessions, with a clean filter, still count."""
        kept, dropped = self.sessions[:FIRST], self.sessions[FIRST:]
        return replace(self, sessions=kept, without_rise=(*self.without_rise, *(one.name for one in dropped)))


def save_case(path: Path, case: CaseFile) -> None:
    """Writes `case` to `path`; a crash leaves the earlier file.

    Raises:
        BadInput: the file cannot be written.
    """
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=path.name)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(msgspec.json.format(msgspec.json.encode(case), indent=1) + b"\n")
                file.flush()
                os.fsync(file.fileno())
            os.replace(name, path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise BadInput(path, "", f"cannot be written ({error.strerror})") from error


def load_case(path: Path) -> CaseFile:
    """The case in `path`.

    Raises:
        BadInput: no such file, or a key that is missing, of the wrong kind or out of range.
    """
    try:
        return msgspec.json.decode(path.read_bytes(), type=CaseFile)
    except OSError as error:
        raise BadInput(path, "", f"cannot be read: {error.strerror}; see `groundbox case fit`") from error
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        what, _, place = str(error).partition(" - at ")
        repair = f"{what[:1].lower()}{what[1:]}; fit the case again: see `groundbox case fit`"
        raise BadInput(path, place.strip("`"), repair) from error

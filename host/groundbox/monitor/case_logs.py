"""The heat of one case in the store, session by session, and the state of its filter."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from groundbox.errors import BadInput, GroundboxError
from groundbox.monitor.heat import row_of
from groundbox.settings import Settings
from groundbox.store import Reader
from groundbox.thermal.case_file import CaseFile, load_case, save_case
from groundbox.thermal.filter_check import filter_notice, session_rise
from groundbox.thermal.rows import HeatRow, stretches, thinned

APART_S = 4 * 3600.0  # a longer pause separates two sessions
OVER_S = 3600.0  # a session is over so long after its last reading

Sun = Callable[[float], float | None]  # wall time -> fraction of full sun, None where it is not noted


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseSession:
    """One session of a box; `name` is its local date and hour."""

    name: str
    start_s: float
    end_s: float


def sessions_of(reader: Reader, since_s: float = 0.0, until_s: float = float("inf")) -> list[CaseSession]:
    """The store's sessions that lie within the given wall times, oldest first."""
    return [
        CaseSession(name=f"{datetime.fromtimestamp(start_s):%Y-%m-%d %H:%M}", start_s=start_s, end_s=end_s)
        for start_s, end_s in reader.sessions(APART_S)
        if start_s >= since_s and end_s <= until_s
    ]


def rows_of(
    reader: Reader, settings: Settings, box: str, session: CaseSession, sun: Sun = lambda wall_s: None
) -> list[HeatRow]:
    """Means over ten seconds of what `box` measured in that session."""
    entry = settings.boxes.get(box)
    loads = entry.loads if entry else ()

    def rows() -> Iterator[HeatRow]:
        for reading in reader.readings(box, session.start_s, session.end_s):
            if reading.wall_s is not None:
                row = row_of(reading.wall_s, reading, loads, sun(reading.wall_s))
                if row is not None:
                    yield row

    return [row for piece in stretches(rows()) for row in thinned(piece)]


def rise_in(case: CaseFile, session: CaseSession, rows: list[HeatRow]) -> CaseFile:
    """The case with the rise of that session, where its rows show one."""
    try:
        return case.with_session(session.name, session_rise(session.name, rows, case.fit))
    except GroundboxError:  # hardly any rows
        return case.with_session(session.name, None)


def case_of(settings: Settings, box: str) -> CaseFile | str | None:
    """The fitted case of `box`, why it cannot be read, or None where none is named."""
    path = settings.case_path(box)
    if path is None:
        return None
    try:
        return load_case(path)
    except BadInput as error:
        return str(error)


def watch_filter(settings: Settings, box: str, path: Path, until_s: float) -> str:
    """Fits the sessions of `box` that were not used yet; returns a sentence on a clogged filter, else "".

    Writes the results into the case file. Takes up to a minute for a session, so it runs beside the recorder.

    Raises:
        GroundboxError: the case file or the store cannot be read or written.
    """
    case = load_case(path)
    with Reader(settings.store) as reader:
        for session in sessions_of(reader, until_s=until_s - OVER_S):
            if not case.has(session.name):
                case = rise_in(case, session, rows_of(reader, settings, box, session))
                save_case(path, case)
    return filter_notice(case.sessions) or ""

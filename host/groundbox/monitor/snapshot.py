"""How things stand by what the store holds, for programs that do not record themselves."""

from dataclasses import replace

from groundbox.advice.state import BoxState
from groundbox.advice.table import TABLE
from groundbox.advice.warner import Active, present
from groundbox.monitor.flight import Flight
from groundbox.monitor.start import SESSION_S, flight_now, follower_for
from groundbox.monitor.view import BoxView
from groundbox.settings import Settings
from groundbox.store import Reader

FRESH_S = 5.0  # a reading is in the store within a second or two; older than this is silence


def snapshot(reader: Reader, settings: Settings, wall_s: float) -> tuple[Flight, list[BoxView]]:
    """The flight, and every box of the settings or heard within this session."""
    flight = flight_now(reader, settings, wall_s)
    open_warnings = reader.open_warnings()
    views = []
    for box in _boxes(reader, settings, wall_s):
        follower = follower_for(reader, settings, box, 0.0, wall_s)
        follower.last_heard(0.0, wall_s)
        follower.refresh(wall_s, flight)
        state = replace(follower.state(0.0, wall_s, flight), silent_after_s=FRESH_S)
        warnings = tuple(
            Active(
                box=box,
                kind=change.warning,
                severity=change.severity,
                sentence=present(change, state),
                acknowledged=change.change == "acknowledged",
            )
            for change in open_warnings
            if change.box == box
        )
        if all(one.kind != "silent" for one in warnings):
            warnings += silence(state)
        views.append(follower.view(state, flight, warnings))
    return flight, views


def silence(state: BoxState) -> tuple[Active, ...]:
    """The warning of silence, which no recording program may be there to raise: silence never looks like "fine"."""
    for row in TABLE if state.silent_s is not None else ():
        if row.kind == "silent" and isinstance(facts := row.rule(state, False), str):
            return (
                Active(
                    box=state.box,
                    kind=row.kind,
                    severity=row.severity,
                    sentence=row.sentence(facts, state),
                    acknowledged=False,
                ),
            )
    return ()


def _boxes(reader: Reader, settings: Settings, wall_s: float) -> list[str]:
    names = list(settings.boxes)
    for box in reader.boxes():
        latest = reader.latest(box)
        if box not in names and latest and latest.wall_s is not None and wall_s - latest.wall_s < SESSION_S:
            names.append(box)
    return names

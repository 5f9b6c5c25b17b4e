"""The advice that recorders stored, as a viewer sees it now: viewers make none, they only count its age. Pure but for
the store it reads.
"""

import msgspec
from msgspec import structs

from groundbox.advice.judge import judge_session
from groundbox.advice.limits import RECORDER_STALE_S
from groundbox.advice.result import BoxAdvice, FlightShown, IfSilent, SessionAdvice
from groundbox.advice.words import age
from groundbox.monitor.start import SESSION_S
from groundbox.store import Reader


def latest_advice(reader: Reader, real_s: float) -> tuple[SessionAdvice, float] | None:
    """The newest advice of all recorders of this session, and its age in seconds; None where there is none.

    Args:
        real_s: this computer's time, seconds since 1970.
    """
    found = []
    for made_s, text in reader.all_advice():
        try:
            advice = msgspec.json.decode(text, type=SessionAdvice)
        except msgspec.MsgspecError:  # of another version
            continue
        age_s = max(real_s - made_s, 0.0)
        if age_s <= SESSION_S:
            found.append((aged(advice, age_s), age_s))
    if not found:
        return None
    newest, age_s = min(found, key=lambda one: one[1])
    return (newest if len(found) == 1 else _joined(newest, [advice for advice, _ in found])), age_s


def aged(advice: SessionAdvice, age_s: float) -> SessionAdvice:
    """The advice as it is to be shown once it is `age_s` seconds old: its own `if_silent` rows say how."""
    row = _row(advice.if_silent, age_s)
    if row is None and age_s <= RECORDER_STALE_S:
        return advice
    boxes = tuple(_aged_box(box, age_s) for box in advice.boxes)
    if row is None:
        return structs.replace(advice, boxes=boxes)
    return structs.replace(
        advice,
        verdict=row.verdict,
        severity=row.severity,
        headline=row.headline,
        sentence=f"No data from the recorder for {age(age_s)}. {row.action}.",
        spoken=row.spoken,
        action=row.action,
        turn_back_stale=True,
        boxes=boxes,
        cues=(),
    )


def _aged_box(box: BoxAdvice, age_s: float) -> BoxAdvice:
    readings = box.readings
    if readings.age_s is not None:
        readings = structs.replace(readings, age_s=readings.age_s + age_s)
    row = _row(box.if_silent, age_s)
    if row is None:
        return structs.replace(box, readings=readings)
    return structs.replace(
        box,
        verdict=row.verdict,
        severity=row.severity,
        headline=row.headline,
        sentence=f"{box.box}: no data from the recorder for {age(age_s)}. {row.action}.",
        spoken=row.spoken,
        action=row.action,
        turn_back_stale=True,
        readings=readings,
    )


def _row(rows: tuple[IfSilent, ...], age_s: float) -> IfSilent | None:
    """The last row whose time has come."""
    return next((row for row in reversed(rows) if age_s >= row.after_s), None)


def _joined(newest: SessionAdvice, parts: list[SessionAdvice]) -> SessionAdvice:
    """Recorders that share the boxes: each box from the recorder that knows it best, the worst verdict counts."""
    boxes: dict[str, BoxAdvice] = {}
    for part in parts:
        for box in part.boxes:
            known = boxes.get(box.box)
            if known is None or _age_of(box) < _age_of(known):
                boxes[box.box] = box
    flight = FlightShown(in_flight=any(part.flight.in_flight for part in parts))
    return judge_session(newest.made_at_s, list(boxes.values()), flight)


def _age_of(box: BoxAdvice) -> float:
    return float("inf") if box.readings.age_s is None else box.readings.age_s

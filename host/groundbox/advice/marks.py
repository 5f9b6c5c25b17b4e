"""What a person is asked once before a mark is recorded: a mark against advice is recorded as confirmed. Pure."""

from collections.abc import Mapping

from groundbox.advice.result import CLEAR_TO_LAUNCH, SessionAdvice

FOR_ALL = "*"  # the box of a mark that concerns the aircraft, and so every box
FOR_AIRCRAFT = ("launch", "landing", "returning")


def question(
    kind: str,
    box: str,
    name: str | None,
    advice: SessionAdvice | None,
    batteries: Mapping[str, str],
    *,
    shared: bool = False,
) -> str | None:
    """What to ask before this mark is recorded; None where nothing speaks against it.

    Args:
        kind: one of wire.messages.MARKS.
        box: the box, or FOR_ALL.
        name: of a swap, the battery put in.
        advice: present advice; None where no recorder gives any.
        batteries: box -> battery that is in it now.
        shared: boxes belong to several aircraft, so a launch concerns its box alone; else it concerns every box.
    """
    in_flight = advice is not None and advice.flight.in_flight
    if kind == "launch":
        return _launch(FOR_ALL if not shared else box, advice)
    if kind in ("landing", "returning") and advice is not None and not in_flight:
        return f"No flight is marked. Record the {'return' if kind == 'returning' else kind}?"
    if kind == "returning" and advice is not None and advice.flight.returning:
        return "A return is marked already. Record another one?"
    if kind == "charge" and in_flight:
        return f"The aircraft is in flight. Is {box} charging in flight?"
    if kind == "swap":
        other = next((where for where, inside in batteries.items() if name and inside == name and where != box), None)
        if other is not None:
            return f"Battery {name} is in box {other}. Is it in {box} now?"
        if in_flight:
            return f"The aircraft is in flight. Was the battery of {box} swapped in flight?"
    return None


def _launch(box: str, advice: SessionAdvice | None) -> str | None:
    if advice is None:
        return "No recorder gives advice, so no runtime is known. Record the launch?"
    if advice.flight.in_flight:
        return "A flight is marked already. Record another launch?"
    concerned = [one for one in advice.boxes if box in (FOR_ALL, one.box)]
    against = advice if box == FOR_ALL or not concerned else concerned[0]
    if against.verdict == CLEAR_TO_LAUNCH:
        return None
    return f"{against.headline}. Record the launch?"

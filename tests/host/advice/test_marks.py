"""What is asked before a mark is recorded: only a mark against the advice is asked about."""

import msgspec

from groundbox.advice.marks import question
from groundbox.advice.result import BoxAdvice, FlightShown, SessionAdvice

BATTERIES = {"mast": "mast 1", "table": "table 1"}


def _advice(*, in_flight: bool = False, **verdicts: str) -> SessionAdvice:
    """Advice with a verdict of each box; the worst counts for all."""
    plain = {"severity": "none", "sentence": "", "spoken": "", "action": ""}
    boxes = tuple(
        msgspec.convert({"box": box, "verdict": verdict, "headline": f"{box} {verdict}", **plain}, BoxAdvice)
        for box, verdict in verdicts.items()
    )
    worst = next((one for one in boxes if one.verdict != "clear_to_launch"), boxes[0])
    return SessionAdvice(
        made_at="2026-05-01T12:00:00+02:00",
        made_at_s=1.8e9,
        verdict=worst.verdict,
        headline=worst.headline,
        flight=FlightShown(in_flight=in_flight),
        boxes=boxes,
        **plain,
    )


GROUND = _advice(mast="do_not_launch", table="clear_to_launch")
CLEAR = _advice(mast="clear_to_launch", table="clear_to_launch")
FLYING = _advice(in_flight=True, mast="turn_back_by", table="turn_back_by")


def _asked(kind: str, box: str, advice: SessionAdvice | None, name: str | None = None) -> str | None:
    return question(kind, box, name, advice, BATTERIES)


def test_a_launch_is_asked_about_unless_it_is_clear() -> None:
    assert _asked("launch", "*", CLEAR) is None
    assert _asked("launch", "*", GROUND) == "mast do_not_launch. Record the launch?"
    assert _asked("launch", "mast", GROUND) == "mast do_not_launch. Record the launch?"
    assert _asked("launch", "table", GROUND) == "mast do_not_launch. Record the launch?", "it concerns every box"
    assert question("launch", "table", None, GROUND, BATTERIES, shared=True) is None, "the table alone is clear"
    assert _asked("launch", "spare", GROUND) == "mast do_not_launch. Record the launch?"
    assert _asked("launch", "*", None) == "No recorder gives advice, so no runtime is known. Record the launch?"
    assert _asked("launch", "*", FLYING) == "A flight is marked already. Record another launch?"


def test_a_landing_without_a_flight_is_asked_about() -> None:
    for kind, word in (("landing", "landing"), ("returning", "return")):
        assert _asked(kind, "*", GROUND) == f"No flight is marked. Record the {word}?"
        assert _asked(kind, "*", FLYING) is None
        assert _asked(kind, "*", None) is None


def test_a_swap_is_asked_about_in_flight_and_with_a_battery_of_another_box() -> None:
    assert _asked("swap", "mast", GROUND, "spare 1") is None
    assert _asked("swap", "mast", GROUND, "mast 1") is None
    assert _asked("swap", "mast", GROUND) is None
    assert _asked("swap", "mast", GROUND, "table 1") == "Battery table 1 is in box table. Is it in mast now?"
    assert _asked("swap", "mast", FLYING, "spare 1") == (
        "The aircraft is in flight. Was the battery of mast swapped in flight?"
    )


def test_a_second_return_and_a_charge_in_flight_are_asked_about() -> None:
    flight = FlightShown(in_flight=True, returning=True)
    assert _asked("returning", "*", FLYING) is None
    returning = _asked("returning", "*", msgspec.structs.replace(FLYING, flight=flight))
    assert returning == "A return is marked already. Record another one?"
    assert _asked("charge", "mast", FLYING) == "The aircraft is in flight. Is mast charging in flight?"
    assert _asked("charge", "mast", GROUND) is None

"""What a person reads about one box."""

import pytest
from msgspec import structs
from tests.host.ui.samples import IN_FLIGHT, READINGS, READY, STALLED

from groundbox.advice.result import BoxAdvice, FanShown, Readings
from groundbox.ui import screen

BOX = READY.boxes[0]


def _with(box: BoxAdvice = BOX, **changes: object) -> BoxAdvice:
    return structs.replace(box, readings=structs.replace(box.readings, **changes))


def test_runtime_is_always_three_numbers_with_its_trust() -> None:
    assert screen.runtime(BOX) == "runtime 150 / 180 / 210 min (measured)"
    assert screen.runtime(structs.replace(BOX, runtime_low_s=None)) == ""


@pytest.mark.parametrize(
    ("fans", "percent", "words"),
    [
        ((), 0, "no fans"),
        (("absent",) * 4, 0, "no fans"),
        (("off", "off"), 0, "fans off"),
        (("running", "off"), 0, "fans on"),
        (("running", "stalled"), 50, "fan 2 stalled"),
        (("unsupervised",), 40, "fans driven"),
        (("unsupervised",), 0, "fans off"),
    ],
)
def test_fans(fans: tuple[str, ...], percent: int, words: str) -> None:
    shown = tuple(FanShown(fan=number, state=state, percent=percent) for number, state in enumerate(fans, 1))
    assert screen.fans(_with(fans=shown)) == words


def test_one_line_holds_headline_figures_and_warnings() -> None:
    line = screen.line(BOX)
    assert line.startswith("mast: Clear to launch: runtime 2 h 30 min, a flight with its reserve needs 50 min; ")
    assert "; 12.4 V; case 33 °C; fans on; humidity 48 %, dew point 12 °C; 60 °C in 18 min if its fans stop; " in line
    assert screen.line(STALLED.boxes[0]).endswith("; URGENT fan_stalled")
    assert screen.line(IN_FLIGHT.boxes[0]).startswith("mast: Turn back by ")


def test_stale_readings_are_marked_and_then_the_runtime_is_left_out() -> None:
    stale = screen.figures(_with(age_s=30.0))
    assert stale == ["runtime 150 / 180 / 210 min (measured)", f"last known 30 s ago: {_known()}"]
    assert screen.figures(_with(age_s=90.0)) == [f"last known 90 s ago: {_known()}"]
    assert screen.figures(structs.replace(BOX, readings=Readings())) == []


def _known() -> str:
    return "12.4 V, case 33 °C, fans on, humidity 48 %, dew point 12 °C"


def test_unknown_values_are_named() -> None:
    unknown = _with(battery_volts=None, case_c=None, humidity_percent=None)
    assert "; no reading; case no reading; fans on; 60 °C in" in screen.line(unknown)


def test_warnings_name_their_severity_and_whether_they_are_acknowledged() -> None:
    (one,) = STALLED.boxes[0].warnings
    box = structs.replace(STALLED.boxes[0], warnings=(one, structs.replace(one, acknowledged=True)))
    words = "Fan 2 is driven and does not turn, case 33 °C. Unplug the battery first, then free or replace the fan."
    assert screen.warnings(box) == [f"URGENT: {words} [fan_stalled]", f"URGENT (acknowledged): {words} [fan_stalled]"]


def test_the_readings_of_the_samples_are_complete() -> None:
    assert all(getattr(READINGS, name) is not None for name in READINGS.__struct_fields__)

"""What a person reads about one box."""

from dataclasses import replace

import pytest

from groundbox.advice.state import BoxState
from groundbox.advice.warner import Active
from groundbox.advice.words import clock
from groundbox.battery.values import Estimate
from groundbox.model import FanReading, Reading
from groundbox.monitor.snapshot import silence
from groundbox.monitor.view import BoxView
from groundbox.ui import lines

WALL_S = 1_800_000_000.0
READING = Reading(box="mast", boot=1, sequence=1, uptime_ms=1000)
STATE = BoxState(
    box="mast",
    wall_s=WALL_S,
    silent_s=0.4,
    battery_volts=12.04,
    case_c=38.4,
    fans=("off", "off", "absent", "absent"),
    charging="no",
)
VIEW = BoxView(
    state=STATE,
    reading=READING,
    battery="M9",
    estimate=Estimate(t_s=0.0),
    runtime_s=(3719.0, 4500.0, 5999.0),
    unknown_because=None,
    turn_back_s=WALL_S + 1000.0,
    charging_since_s=None,
    warnings=(),
)
STALLED = Active(
    box="mast", kind="fan_stalled", severity="urgent", sentence="fan 2 stands: free it", acknowledged=False
)


def _with(view: BoxView = VIEW, **changes: object) -> BoxView:
    return replace(view, state=replace(view.state, **changes))  # type: ignore[arg-type]


def test_runtime_is_always_three_numbers() -> None:
    assert lines.answer(VIEW) == "lasts 61 / 75 / 99 min"


@pytest.mark.parametrize(
    ("view", "words"),
    [
        (_with(silent_s=12.3), "SILENT for 12 s"),
        (_with(silent_s=None), "not heard yet"),
        (_with(in_flight=True), f"turn back by {clock(WALL_S + 1000)}, in 16 min"),
        (_with(in_flight=True, wall_s=WALL_S + 1000), f"TURN BACK NOW, latest was {clock(WALL_S + 1000)}"),
        (
            _with(replace(VIEW, turn_back_s=None), in_flight=True),
            "turn-back time unknown: set flight.time_home_min in groundbox.toml",
        ),
        (
            _with(replace(VIEW, turn_back_s=None, runtime_s=None, unknown_because="no profile"), in_flight=True),
            "turn-back time unknown: no profile",
        ),
        (_with(charging="yes"), "charging"),
        (_with(replace(VIEW, charging_since_s=WALL_S - 660), charging="yes"), "charging for 11 min"),
        (replace(VIEW, runtime_s=None, unknown_because="no profile"), "runtime unknown: no profile"),
    ],
)
def test_the_first_thing_to_know(view: BoxView, words: str) -> None:
    assert lines.answer(view) == words


@pytest.mark.parametrize(
    ("fans", "percent", "words"),
    [
        ((), 0, "no fans"),
        (("absent",) * 4, 0, "no fans"),
        (("off", "off"), 0, "fans off"),
        (("running", "off"), 0, "fans run"),
        (("running", "stalled"), 50, "fan 2 stalled"),
        (("unsupervised",), 40, "fans driven"),
        (("unsupervised",), 0, "fans off"),
    ],
)
def test_fans(fans: tuple[str, ...], percent: int, words: str) -> None:
    assert (
        lines.fans(
            _with(
                replace(VIEW, reading=replace(READING, fans={1: FanReading(percent=percent), 2: FanReading()})),
                fans=fans,
            )
        )
        == words
    )


def test_one_line_holds_it_all() -> None:
    assert lines.line(VIEW) == "mast: lasts 61 / 75 / 99 min; 12.0 V; case 38 C; fans off"
    flying = replace(_with(in_flight=True), warnings=(STALLED,))
    assert lines.line(flying).endswith("; lasts 61 / 75 / 99 min; 12.0 V; case 38 C; fans off; URGENT fan_stalled")


def test_what_is_old_is_called_so() -> None:
    assert lines.line(_with(silent_s=90.0)) == "mast: SILENT for 90 s; last known 12.0 V; case 38 C; fans off"
    assert lines.line(_with(replace(VIEW, reading=None), silent_s=None)) == "mast: not heard yet"


def test_unknown_is_said() -> None:
    assert lines.line(_with(battery_volts=None, case_c=None)).endswith("no reading; case no reading; fans off")


def test_warnings_say_severity_in_words_and_whether_they_were_seen() -> None:
    seen = replace(VIEW, warnings=(STALLED, replace(STALLED, acknowledged=True)))
    assert lines.warnings(seen) == [
        "URGENT: fan 2 stands: free it [fan_stalled]",
        "URGENT (seen): fan 2 stands: free it [fan_stalled]",
    ]


def test_silence_is_a_warning_even_where_no_program_records() -> None:
    state = _with(silent_s=600.0, silent_after_s=5.0).state
    (one,) = silence(state)
    assert (one.kind, one.severity) == ("silent", "urgent")
    assert "nothing heard for 10 min" in one.sentence
    assert silence(_with(silent_s=0.4, silent_after_s=5.0).state) == ()

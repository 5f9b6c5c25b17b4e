"""Advice objects for tests of what shows them: two boxes, made by the judge, with readings, loads and outputs.

READY is on the ground, IN_FLIGHT in the air, STALLED on the ground with fan 2 of box table stalled.
"""

from dataclasses import replace
from datetime import datetime

from msgspec import structs
from tests.host.advice.test_rules import FINE, FLYING

from groundbox.advice.judge import Judge
from groundbox.advice.result import (
    BoxAdvice,
    DayShown,
    FanShown,
    FlightShown,
    HeatShown,
    LoadShown,
    OutputShown,
    Readings,
    SessionAdvice,
)
from groundbox.advice.state import BoxState

WALL_S = datetime(2026, 5, 1, 14, 0).timestamp()
ON_GROUND = FlightShown(length_s=2100.0)
FLIGHT = FlightShown(
    in_flight=True, launched_at_s=WALL_S - 900.0, landing_at_s=WALL_S + 1200.0, length_s=2100.0, flown=1
)
_KNOWN = {"wall_s": WALL_S, "trust": "measured", "runtime_expected_s": 10800.0, "runtime_high_s": 12600.0}
MAST = replace(FINE, **_KNOWN)
_LONG = {"runtime_low_s": 30000.0, "runtime_expected_s": 33000.0, "runtime_high_s": 36000.0}
TABLE = replace(FINE, **{**_KNOWN, **_LONG, "box": "table"})
_OUT = {**_KNOWN, "runtime_low_s": 5400.0, "turn_back_in_s": 4000.0, "landing_in_s": 1200.0}
MAST_OUT = replace(FLYING, **_OUT)
TABLE_OUT = replace(FLYING, **{**_OUT, **_LONG, "box": "table", "turn_back_in_s": 28600.0})
READINGS = Readings(
    age_s=0.5,
    turn_back_s=3900,
    battery_volts=12.4,
    equipment_volts=12.3,
    cutoff_volts=11.0,
    end_volts=10.5,
    battery_amps=1.5,
    charging="no",
    case_c=33.0,
    battery_c=27.0,
    intake_c=24.0,
    humidity_percent=48.0,
    dew_point_c=12.3,
    case_levels_c=(45.0, 55.0, 60.0),
    battery_levels_c=(0.0, 40.0, 50.0),
    fan_levels_c=(40.0, 36.0),
    levels_reported=True,
    fans=(
        FanShown(fan=1, state="running", rpm=2100, percent=80),
        FanShown(fan=2, state="running", rpm=2050, percent=80),
        FanShown(fan=3, state="absent"),
    ),
)
LOADS = (
    LoadShown(name="receivers", sheddable=False, on=True, gained_s=2280.0),
    LoadShown(name="USB charging", sheddable=True, on=True, gained_s=600.0),
)
OUTPUTS = (OutputShown(output=2, on=True, state="on", loads=("USB charging",)),)
HEAT = HeatShown(limit_c=60.0, levels_min=(40.0, 120.0, None), fans_stopped_min=22.0, fans_stopped_low_min=18.0)


def completed(box: BoxAdvice, readings: Readings = READINGS) -> BoxAdvice:
    """The advice for a box with what it rests on, as the recorder adds it."""
    return structs.replace(
        box,
        battery="M9" if box.box == "mast" else "T18",
        soc=0.82,
        runtime_limit="cutoff",
        stale_after_s=10.0,
        readings=readings,
        loads=LOADS,
        outputs=OUTPUTS if box.box == "mast" else (),
        heat=HEAT,
        day=DayShown(last_landing_at_s=WALL_S + 3 * 3600.0, empty_at_s=WALL_S + 2 * 3600.0, enough=False),
    )


def judged(*states: BoxState, flight: FlightShown | None = None, seconds: int = 1) -> SessionAdvice:
    """Advice after the states held for so many seconds, completed."""
    judge = Judge()
    flight = flight or (FLIGHT if states and states[0].in_flight else ON_GROUND)
    for second in range(seconds):
        advice, _ = judge.update(float(second), WALL_S + second, states, flight)
    return structs.replace(advice, boxes=tuple(completed(box) for box in advice.boxes))


def _stalled() -> SessionAdvice:
    advice = judged(MAST, replace(TABLE, fans=("running", "stalled", "absent", "absent")), seconds=10)
    fans = (READINGS.fans[0], FanShown(fan=2, state="stalled", rpm=0, percent=100), READINGS.fans[2])
    table, mast = advice.boxes
    return structs.replace(advice, boxes=(completed(table, structs.replace(READINGS, fans=fans)), mast))


READY = judged(MAST, TABLE)
IN_FLIGHT = judged(MAST_OUT, TABLE_OUT)
STALLED = _stalled()

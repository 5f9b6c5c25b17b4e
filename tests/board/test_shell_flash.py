"""Writes to flash, in which a real board has everything stopped: measured 68 to 220 ms, by data sheets 400 ms."""

from collections.abc import Callable
from statistics import median

import pytest

from groundbox.rig.bench import Bench, Message
from groundbox.rig.changes import SimChange
from groundbox.wire.messages import fields_of

NewBench = Callable[..., Bench]
READING = [field[0] for field in fields_of("reading")]
EVENT = [field[0] for field in fields_of("event")]


def _rows(messages: list[Message], kind: str, names: list[str]) -> list[dict[str, int | str | None]]:
    return [dict(zip(names, values, strict=True)) for name, values in messages if name == kind]


@pytest.mark.parametrize("stopped_us", [75_000, 220_000, 400_000])
def test_no_write_disturbs_fans_readings_or_the_watchdog(bench: NewBench, stopped_us: int) -> None:
    """The fans run all the time; fan 1 stalls after a minute."""
    changes = [SimChange(at_s=0, thing="case", value="open"), SimChange(at_s=60, thing="fan1", value="stalled")]
    board = bench(changes=changes)
    board.world.wiring.flash_us = stopped_us
    messages = board.run_for(100)
    readings = _rows(messages, "reading", READING)
    assert board.world.starts == 1
    assert [row["sequence"] for row in readings[1:]] == sorted({row["sequence"] for row in readings[1:]})
    assert max(b["uptime_ms"] - a["uptime_ms"] for a, b in zip(readings, readings[1:], strict=False)) < 1600
    rpm = [row["fan2_rpm"] for row in readings if row["uptime_ms"] > 10_000]
    assert min(rpm) > 0.9 * median(rpm), "a write is no slow fan"
    assert max(rpm) < 1.1 * median(rpm)
    stalled = [row for row in readings if row["fan1_state"] == "stalled"]
    assert 60_000 < stalled[0]["uptime_ms"] < 70_000
    assert not [row for row in readings if row["fan2_state"] not in ("starting", "running")]
    assert not [row for row in _rows(messages, "event", EVENT) if row["kind"] not in ("started",)]

"""Summaries in place of readings that never came: drawn where they are missing, and only there."""

from collections.abc import Callable
from pathlib import Path

import pytest

from groundbox.conversion import from_wire
from groundbox.model import Reading, Summary
from groundbox.store import Reader, Store
from groundbox.store.rollups import NAMES
from groundbox.wire.messages import fields_of

MEAN, LEAST, COUNT = (1 + NAMES.index(name) for name in ("battery_mean_volts", "battery_min_volts", "readings"))
LOST = range(101, 161)  # a minute


def summary(last: int, wall_s: float, millivolts: int = 11_000) -> Summary:
    """Of the ten readings up to number `last`."""
    known = {"box": "mast", "boot": 3, "sequence": last, "uptime_ms": last * 1000, "number": last // 10}
    known |= {"readings": 10, "battery_mv": millivolts, "battery_min_mv": millivolts - 600, "case_centi_c": 4100}
    values = [known.get(name) for name, *_ in fields_of("summary")]
    return from_wire(Summary, values, wall_s=wall_s + last, wall_uncertainty_s=0.1, wall_source="exchange")


@pytest.fixture
def lossy(where: Path | str, make_reading: Callable[..., Reading], wall_s: float) -> Path | str:
    """300 s in which a minute never came, but its summaries; and one summary more, of readings that did come."""
    with Store(where) as store:
        store.add(make_reading(number) for number in range(1, 301) if number not in LOST)
        store.add(summary(last, wall_s, 11_000) for last in (50, *range(110, 161, 10)))
        store.commit()
    return where


@pytest.mark.parametrize("steps", [300, 100, 30, 20])
def test_a_gap_is_filled_and_nothing_else_changes(lossy: Path | str, wall_s: float, steps: int) -> None:
    with Reader(lossy) as reader:
        rows = reader.summed("mast", wall_s, wall_s + 300, steps)
        assert reader.filled_s("mast", wall_s, wall_s + 300) == 60.0
    step_s = rows[1][0] - rows[0][0]
    assert [row[0] for row in rows] == [rows[0][0] + n * step_s for n in range(len(rows))], "no step is missing"
    inside = [row for row in rows if wall_s + 111 <= row[0] < wall_s + 149 - step_s]
    assert {(row[LEAST], row[MEAN], row[COUNT]) for row in inside} == {(10.4, 11.0, 0)}
    assert all(row[MEAN] > 11.9 for row in rows if row[0] < wall_s + 90), "readings stay as they are"
    assert sum(row[COUNT] for row in rows) == 239, "summaries do not count as readings"


def test_over_minutes_the_means_are_weighed(lossy: Path | str, wall_s: float) -> None:
    """Computed by hand from the voltages of the readings: 12 V and their number in millivolts."""
    with Reader(lossy) as reader:
        rows = reader.summed("mast", wall_s, wall_s + 300, 2)
    start_s = rows[1][0] - wall_s
    numbers = [n for n in range(1, 301) if start_s <= n < start_s + rows[1][0] - rows[0][0]]
    came = [12 + n / 1000 for n in numbers if n not in LOST]
    decades = sum(start_s <= last - 4.5 < numbers[-1] + 1 for last in range(110, 161, 10))
    assert rows[1][MEAN] == pytest.approx((sum(came) + 110 * decades) / (len(came) + 10 * decades))
    assert rows[1][LEAST] == 10.4


def test_sessions_and_when_a_box_was_measured(where: Path | str, make_reading: Callable[..., Reading]) -> None:
    """Three periods of one hour, 1 h and 5 h apart; an hour counts from its start to its end."""
    start_s = 1_800_000_000.0
    with Store(where) as store:
        assert store.sessions(4 * 3600.0) == []
        assert store.measured("mast", start_s, start_s + 9 * 3600) is None
        for after_s, box in ((130.0, "mast"), (2 * 3600.0 + 5, "table"), (8 * 3600.0 + 61, "mast")):
            store.add(make_reading(n, box=box, boot=int(after_s), start_s=start_s + after_s) for n in (1, 2))
        store.commit()
        hour_s = 3600.0
        first, last = (start_s, start_s + 3 * hour_s), (start_s + 8 * hour_s, start_s + 9 * hour_s)
        assert store.sessions(4 * hour_s) == [first, last]
        assert store.sessions(hour_s) == [first, last], "a gap of that length is still one session"
        assert store.sessions(hour_s - 1) == [(start_s, start_s + hour_s), (start_s + 2 * hour_s, first[1]), last]
        assert store.sessions(5 * hour_s) == [(start_s, last[1])]
        assert store.measured("mast", *first) == (start_s + 120, start_s + 180)
        assert store.measured("mast", start_s, last[1]) == (start_s + 120, start_s + 8 * hour_s + 120)
        assert store.measured("mast", start_s + 121, start_s + hour_s) is None
        assert store.measured("mast", start_s + 120, start_s + 121) == (start_s + 120, start_s + 180)
        assert store.measured("mast", start_s, start_s + 120) is None, "until is not included"


def test_summaries_since_a_time(where: Path | str, wall_s: float) -> None:
    with Store(where) as store:
        store.add(summary(last, wall_s) for last in (50, 110, 120))
        store.commit()
        times_s = [one.wall_s - wall_s for one in store.summaries("mast")]
        assert times_s == [50.0, 110.0, 120.0]
        assert [one.wall_s - wall_s for one in store.summaries("mast", wall_s + 110)] == [110.0, 120.0]
        assert store.summaries("table") == []

"""Minute and hour sums agree with the readings, whatever came twice, late, or moved in time."""

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.host.store.conftest import look

from groundbox.conversion import from_wire
from groundbox.model import Reading, StartTime
from groundbox.store import Reader, Store
from groundbox.store.rollups import KINDS, NAMES, over_readings
from groundbox.wire.messages import UNKNOWN, fields_of

BASE_S = 1_800_000_000.0


def _reading(
    sequence: int, wall_s: float | None, millivolts: int = 12500, box: str = "mast", **more: object
) -> Reading:
    known: dict[str, object] = {"box": box, "boot": 1, "sequence": sequence, "uptime_ms": sequence * 1000}
    known |= {"battery_mv": millivolts, "battery_min_mv": millivolts - 100, "battery_max_mv": millivolts + 50, **more}
    values = [known.get(name) for name, *_ in fields_of("reading")]
    dated = {} if wall_s is None else {"wall_s": wall_s, "wall_uncertainty_s": 0.1, "wall_source": "exchange"}
    return from_wire(Reading, values, **dated)


def _agrees(where: Path | str) -> int:
    """How many minutes there are; each is what its readings say, and the hours what the minutes say."""
    greatest = "max" if isinstance(where, Path) else "greatest"
    for table, step_ms in (("reading_minute", 60_000), ("reading_hour", 3_600_000)):
        kept = look(
            where, f"SELECT box, start_ms, {', '.join(name for name, _, _ in KINDS)} FROM {table} ORDER BY 1, 2"
        )
        fresh = look(
            where,
            f"SELECT box, wall_ms / {step_ms} * {step_ms}, {over_readings(greatest)} FROM reading"
            " WHERE wall_ms IS NOT NULL GROUP BY 1, 2 ORDER BY 1, 2",
        )
        assert len(kept) == len(fresh)
        for one, other in zip(kept, fresh, strict=True):
            assert one == pytest.approx(other)
    return len(look(where, "SELECT 1 FROM reading_minute"))


def _some(low: int, high: int) -> st.SearchStrategy[int | None]:
    return st.none() | st.integers(low, high)


VALUES = st.fixed_dictionaries(
    {
        **{name: _some(9000, 14000) for name in ("battery_mv", "battery_min_mv", "battery_max_mv")},
        **{name: _some(-9000, 9000) for name in ("battery_ma", "battery_min_ma", "battery_max_ma")},
        **{name: _some(-500, 6000) for name in ("case_centi_c", "battery_centi_c", "intake_centi_c")},
        "humidity_centi_percent": _some(0, 10_000),
        **{f"fan{number}_percent": _some(0, 100) for number in (1, 2, 3, 4)},
    }
)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    batches=st.lists(
        st.lists(st.tuples(st.integers(1, 120) | st.integers(1, 9000), VALUES), min_size=1, max_size=20), max_size=5
    )
)
def test_sums_agree_with_readings_however_they_come(where: Path | str, batches: list) -> None:
    first: dict[int, dict[str, int | None]] = {}
    Store(where).close()
    look(where, *(f"DELETE FROM {table}" for table in ("reading", "reading_minute", "reading_hour")))
    with Store(where) as store:
        for batch in batches:
            store.add(_reading(n, BASE_S + n, **first.setdefault(n, values)) for n, values in batch)
            store.commit()
            store.add(_reading(n, BASE_S + n, **first[n]) for n, _ in batch)  # again, as after a lost answer
            store.commit()
    _agrees(where)


def test_means_are_weighted_by_the_readings_that_know_the_value(where: Path | str) -> None:
    """Computed by hand: in one minute 3 of 4 readings know the humidity, 2 the current, and 1 the case."""
    rows = [
        {"humidity_centi_percent": 4000, "battery_ma": 1000, "case_centi_c": 3000, "fan2_percent": 40},
        {"humidity_centi_percent": 5000, "battery_ma": -500, "fan1_percent": 10, "fan3_percent": 60},
        {"humidity_centi_percent": 9000},
        {},
    ]
    with Store(where) as store:
        for n, values in enumerate(rows):  # each in a commit of its own, so that means are merged
            store.add([_reading(n + 1, BASE_S + n, 12_000 + 100 * n, **values)])
            store.commit()
        for steps in (1, 2):  # from minutes (one row an hour), and merged to one step
            (row,) = store.summed("mast", BASE_S, BASE_S + 60 * steps, 1)
            found = dict(zip(NAMES, row[1:], strict=True))
            assert row[0] == BASE_S
            assert found["readings"] == 4
            assert found["battery_mean_volts"] == pytest.approx(12.15)
            assert (found["battery_min_volts"], found["battery_max_volts"]) == (11.9, 12.35)
            assert found["battery_mean_amps"] == pytest.approx(0.25)
            assert (found["humidity_min_percent"], found["humidity_max_percent"]) == (40.0, 90.0)
            assert found["humidity_mean_percent"] == pytest.approx(60.0)
            assert (found["case_min_c"], found["case_mean_c"], found["case_max_c"]) == (30.0, 30.0, 30.0)
            assert found["intake_max_c"] is None, "unknown is not 0"
            assert found["fan_percent"] == pytest.approx(25.0), "a fan of unknown drive counts as off"


def test_hours_are_weighted_by_their_minutes(where: Path | str) -> None:
    """One minute of 60 readings at 12 V and one of a single reading at 10 V."""
    with Store(where) as store:
        store.add(_reading(n, BASE_S + n, 12_000) for n in range(60))
        store.commit()
        store.add([_reading(61, BASE_S + 60, 10_000)])
        store.commit()
        (row,) = store.summed("mast", BASE_S, BASE_S + 3600, 1)
        assert row[1 + NAMES.index("battery_mean_volts")] == pytest.approx((60 * 12 + 10) / 61)
        (row,) = store.summed("mast", BASE_S, BASE_S + 120, 1)
        assert row[1 + NAMES.index("battery_mean_volts")] == pytest.approx((60 * 12 + 10) / 61)


def test_sums_follow_when_the_clock_is_set(where: Path | str) -> None:
    with Store(where) as store:
        store.add(_reading(n, None) for n in range(1, 200))
        store.commit()
        assert _agrees(where) == 0
        store.add([StartTime(box="mast", boot=1, wall_s=BASE_S, uncertainty_s=0.01, source="exchange")])
        store.commit()
        assert _agrees(where) in (4, 5)
        store.add(_reading(n, BASE_S + n) for n in range(200, 260))
        store.add([StartTime(box="mast", boot=1, wall_s=BASE_S + 5000.0, uncertainty_s=0.01, source="exchange")])
        store.commit()
        _agrees(where)
    with Reader(where) as reader:
        assert reader.sessions(3600.0)[0][0] >= BASE_S + 5000 - 3600


def test_sums_follow_what_a_broker_had_kept(where: Path | str) -> None:
    """Ten minutes of messages that came at once were dated each later than it was, the first by most."""
    late = [
        replace(_reading(n, BASE_S + 600 + n / 1000), wall_uncertainty_s=2.0, wall_source="arrival")
        for n in range(1, 601)
    ]
    with Store(where) as store:
        store.add([_reading(1, BASE_S - 9000, box="table"), *late])
        store.commit()
        assert _agrees(where) == 2
        store.add([StartTime(box="mast", boot=1, wall_s=BASE_S, uncertainty_s=2.0, source="arrival")])
        assert store.commit().notices == (), "nobody's clock was set"
        assert _agrees(where) == 12
        assert [one.wall_s for one in store.readings("mast")] == [BASE_S + n for n in range(1, 601)]
        store.add([StartTime(box="mast", boot=1, wall_s=BASE_S + 0.5, uncertainty_s=0.01, source="exchange")])
        store.commit()
        _agrees(where)
        dated = {(one.wall_s - one.sequence, one.wall_uncertainty_s, one.wall_source) for one in store.readings("mast")}
        assert dated == {(BASE_S + 0.5, 0.01, "exchange")}, "the answer of the board is better"


def test_sums_follow_to_before_1970(where: Path | str) -> None:
    with Store(where) as store:
        store.add(_reading(n, BASE_S + n) for n in range(1, 200))
        for start_s in (-5000.0, -100.0, BASE_S):
            store.add([StartTime(box="mast", boot=1, wall_s=start_s, uncertainty_s=0.01, source="exchange")])
            store.commit()
            assert len(look(where, "SELECT 1 FROM reading_minute")) in (4, 5)
            assert sum(row[1] for row in store.summed("mast", start_s, start_s + 300, 10)) == 199


@pytest.mark.parametrize("steps", [10, 300, 5000])
def test_thinning_keeps_the_worst_sag(where: Path | str, steps: int) -> None:
    with Store(where) as store:
        store.add(_reading(n, BASE_S + n, 10100 if n == 4321 else 12500) for n in range(1, 8000))
        store.commit()
    with Reader(where) as reader:
        rows = reader.summed("mast", BASE_S, BASE_S + 8000, steps)
    assert len(rows) <= max(steps + 2, 10) + 1
    assert min(row[1 + NAMES.index("battery_min_volts")] for row in rows) == 10.0
    assert sum(row[1] for row in rows) == 7999
    assert UNKNOWN not in (value for row in rows for value in row)

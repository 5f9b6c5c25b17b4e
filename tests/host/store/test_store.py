"""What goes in comes out, once, whatever the order; and boards drop only what is on the disk."""

import random
from pathlib import Path

import pytest

from groundbox.errors import StoreError
from groundbox.model import (
    BatteryFitted,
    Console,
    EstimatorState,
    KnownBattery,
    LinkCount,
    LinkNote,
    Mark,
    StartTime,
    Stored,
    WarningChange,
)
from groundbox.store import Reader, Store
from groundbox.store.schema import REPEAT


def test_a_reading_comes_back_as_it_went_in(store, make_reading) -> None:
    one = make_reading(7, battery_ma=-1500, case_centi_c=-525, fan1_state="stalled", fan1_rpm=0)
    store.add([one])
    assert store.waiting == 1
    store.commit()
    assert store.waiting == 0
    back = store.latest("mast")
    assert back == one
    assert back.battery_amps == -1.5
    assert back.fans[1].rpm == 0
    assert back.check_volts is None


def test_events_hello_health_and_order(store, make_reading, make_event, make_hello) -> None:
    items = [make_hello(), make_reading(2), make_event(1), make_reading(3)]
    store.add(items)
    store.commit()
    assert list(store.readings("mast")) == [items[1], items[3]]
    assert store.events("mast") == [items[2]]
    assert store.events() == [items[2]]
    assert store.hello("mast") == items[0]
    assert store.health("mast") is None
    assert store.boxes() == ["mast"]
    assert store.latest("table") is None


def test_between_times(store, make_reading, wall_s) -> None:
    store.add([make_reading(n) for n in range(1, 11)])
    store.add([make_reading(n, box="table") for n in range(1, 5)])
    store.commit()
    found = [one.sequence for one in store.readings("mast", wall_s + 3, wall_s + 6)]
    assert found == [3, 4, 5]
    assert store.boxes() == ["mast", "table"]
    volts = list(store.series("mast", ["sequence", "battery_mv"], wall_s + 9))
    assert volts == [(9, 12_009), (10, 12_010)]
    with pytest.raises(ValueError, match="no column volts"):
        list(store.series("mast", ["volts"]))


def test_once_however_often_and_in_whatever_order(store, make_reading, make_event, make_hello) -> None:
    dice = random.Random(7)
    records = [make_event(n) if n % 10 == 0 else make_reading(n) for n in range(1, 301)]
    deliveries = [one for one in records for _ in range(dice.randint(1, 5))]
    dice.shuffle(deliveries)
    store.add([make_hello()])
    stored, inserted, repeated = [], 0, 0
    while deliveries:
        store.add(deliveries[:50])
        del deliveries[:50]
        done = store.commit()
        stored += done.stored
        inserted += done.inserted
        repeated += done.repeated
        assert done.notices == ()
    assert inserted == 300
    assert repeated > 0
    assert len(list(store.readings("mast"))) + len(store.events("mast")) == 300
    assert stored[-1] == Stored(box="mast", boot=3, sequence=300)
    assert [one.sequence for one in stored] == sorted({one.sequence for one in stored})


def test_stored_only_up_to_the_first_gap(store, make_reading, make_hello) -> None:
    store.add([make_hello(sequence=5), *map(make_reading, (1, 2, 4, 5))])
    assert store.commit().stored == (Stored(box="mast", boot=3, sequence=2),)
    store.add([make_reading(6)])
    assert store.commit().stored == ()
    store.add([make_reading(3)])
    assert store.commit().stored == (Stored(box="mast", boot=3, sequence=6),)
    store.add([make_reading(9), make_hello(sequence=9, oldest=9)])  # the board no longer holds 7 and 8
    assert store.commit().stored == (Stored(box="mast", boot=3, sequence=9),)


def test_stored_reports_nothing_of_an_earlier_run(where, make_reading, make_hello) -> None:
    """Another board's start may have borne the same number: only what this run has heard counts."""
    with Store(where) as store:
        store.add([make_hello(), *map(make_reading, range(1, 101))])
        store.commit()
    with Store(where) as store:
        store.add([make_hello(sequence=50), make_reading(1)])
        assert store.commit().stored == (Stored(box="mast", boot=3, sequence=1),)
        store.add(map(make_reading, range(2, 102)))
        done = store.commit()
    assert done.stored == (Stored(box="mast", boot=3, sequence=101),)
    assert (done.inserted, done.repeated) == (1, 99)


def test_boots_are_apart(store, make_reading, make_hello) -> None:
    store.add([make_hello(), make_reading(1), make_hello(boot=4), make_reading(1, boot=4)])
    assert {(one.boot, one.sequence) for one in store.commit().stored} == {(3, 1), (4, 1)}
    assert store.latest("mast").boot == 4


# --- boards that count from one again ---


def _same_number_other_content(make_reading, count: int = 5) -> list:
    return [make_reading(n, start_s=1_770_000_000.0, battery_min_mv=11_000) for n in range(1, count + 1)]


def test_a_number_used_twice_loses_nothing(where, make_reading, make_hello) -> None:
    """A reinstalled board counts from one again; the store detects it by the contents of the records."""
    first = [make_reading(n) for n in range(1, 11)]
    second = _same_number_other_content(make_reading)
    with Store(where) as store:
        store.add([make_hello(), *first])
        store.commit()
    with Store(where) as store:
        store.add([make_hello(), *second, *second])
        done = store.commit()
        assert done.stored == (Stored(box="mast", boot=3, sequence=5),), "by the board's own number"
        assert len(done.notices) == 1
        assert "counts its starts from one again" in done.notices[0]
        assert (done.inserted, done.repeated) == (5, 5)
        store.add([*first[:3], *second[:3]])  # late repeats of either
        assert store.commit().inserted == 0
        there = [(one.boot, one.sequence, one.battery_min_volts) for one in store.readings("mast")]
    assert there == [(3, n, None) for n in range(1, 11)] + [(3 + REPEAT, n, 11.0) for n in range(1, 6)]


def test_the_new_count_continues_after_a_restart_of_the_host(where, make_reading, make_hello) -> None:
    with Store(where) as store:
        store.add([make_hello(), make_reading(1), *_same_number_other_content(make_reading, 1)])
        store.commit()
    with Store(where) as store:
        store.add([make_hello(boot=4), make_reading(1, boot=4)])
        assert store.commit().notices == ()
        assert store.latest("mast").boot == 4 + REPEAT
    with Store(where) as store:
        assert store.start_number("mast", 5) == 5 + REPEAT
        assert store.start_number("table", 5) == 5


def test_a_lower_number_is_a_new_count(where, make_reading, make_hello) -> None:
    """Else the newest reading would still be one of the earlier count."""
    with Store(where) as store:
        store.add([make_hello(boot=57), make_reading(1, boot=57)])
        store.commit()
        store.add([make_hello(boot=1), make_reading(9, boot=1)])
        done = store.commit()
        assert len(done.notices) == 1
        assert store.latest("mast").sequence == 9


def test_the_link_reports_another_start(store, make_reading, make_hello) -> None:
    store.add([make_hello(), *map(make_reading, range(1, 6))])
    store.commit()
    store.add([make_hello(again=True, oldest=1, sequence=9), make_reading(7)])
    assert store.commit().stored == (), "records 1 to 5 of that other start do not count for this one"
    assert store.latest("mast").boot == 3 + REPEAT


def test_a_failed_commit_forgets_the_new_count(where, make_reading, make_hello) -> None:
    with Store(where) as store:
        store.add([make_hello(boot=57), make_reading(1, boot=57)])
        store.commit()
        store.add([make_hello(boot=1), make_reading(9, boot=1)])
        store._statements.append(("INSERT INTO nowhere VALUES (1)", ()))
        for _ in range(2):
            with pytest.raises(StoreError, match="nowhere"):
                store.commit()
        store._statements.clear()
        assert len(store.commit().notices) == 1
        assert store.latest("mast").boot == 1 + REPEAT


# --- times ---


def test_times_found_later(store, make_reading, wall_s) -> None:
    store.add([make_reading(1, start_s=None), make_reading(2, start_s=None)])
    store.commit()
    assert store.latest("mast").wall_s is None
    start = StartTime(box="mast", boot=3, wall_s=wall_s, uncertainty_s=0.02, source="exchange")
    store.add([make_reading(3, start_s=None), start, make_reading(4)])
    assert store.commit().notices == ()
    found = [(one.wall_s, one.wall_uncertainty_s, one.wall_source) for one in store.readings("mast")]
    assert found[:3] == [(wall_s + n, 0.02, "exchange") for n in (1, 2, 3)]
    assert found[3] == (wall_s + 4, 0.01, "exchange")


@pytest.mark.parametrize("step_s", [-86400.0, 365 * 86400.0, 55 * 365 * 86400.0])
def test_the_hosts_clock_is_set(step_s: float, where, make_reading, make_event, make_hello, wall_s) -> None:
    """All that this run has dated moves with it, once; what earlier runs and other boxes have dated stays."""
    with Store(where) as store:
        store.add([make_hello(boot=2), make_reading(1, boot=2), make_reading(1, box="table")])
        store.commit()
    start = StartTime(box="mast", boot=3, wall_s=wall_s + step_s, uncertainty_s=0.02, source="exchange")
    with Store(where) as store:
        store.add([make_hello(), make_event(1), make_reading(2)])
        store.add_mark(Mark(box="mast", kind="launch", wall_s=wall_s + 1))
        store.commit()
        moved = make_reading(4, start_s=wall_s + step_s)
        store.add([make_reading(3), start, moved])
        assert "clock of this computer was set" in store.commit().notices[0]
        store.add([start, moved])
        assert store.commit().notices == (), "the same again moves nothing"
        times = {(one.boot, one.sequence): one.wall_s - wall_s for one in store.readings("mast")}
        assert times == {(2, 1): 1.0, (3, 2): 2.0 + step_s, (3, 3): 3.0 + step_s, (3, 4): 4.0 + step_s}
        assert store.events("mast")[0].wall_s == wall_s + 1 + step_s
        assert store.marks("mast")[0].wall_s == wall_s + 1 + step_s
        assert store.latest("table").wall_s == wall_s + 1


# --- everything else that is kept ---


def test_marks_batteries_fittings(store) -> None:
    store.add_battery(KnownBattery(name="grey", profile="grey.toml"))
    store.add_fitted(BatteryFitted(box="mast", battery="grey", from_wall_s=50.0))
    store.add_mark(Mark(box="mast", kind="swap", name="red", wall_s=200.0))
    store.add_mark(Mark(box="mast", kind="launch", wall_s=100.0))
    store.commit()
    assert [mark.kind for mark in store.marks()] == ["swap", "launch"], "in the order written, not by wall clock"
    assert [mark.kind for mark in store.marks("mast", since_s=150.0)] == ["swap"]
    assert store.batteries() == [KnownBattery(name="grey", profile="grey.toml"), KnownBattery(name="red", profile=None)]
    assert store.fitted("mast") == BatteryFitted(box="mast", battery="red", from_wall_s=200.0)
    assert store.fitted("mast", at_s=199.0).battery == "grey"
    assert store.fitted("mast", at_s=1.0) is None
    assert store.fitted("table") is None
    store.add_battery(KnownBattery(name="red", profile="red.toml"))
    store.commit()
    assert store.batteries()[1].profile == "red.toml"


def test_the_warning_log(store) -> None:
    def change(warning: str, what: str, wall_s: float) -> WarningChange:
        return WarningChange(
            box="mast", warning=warning, severity="urgent", change=what, sentence="Open the lid.", wall_s=wall_s
        )

    for warning, what, wall_s in (
        ("fan stalled", "raised", 1.0),
        ("case hot", "raised", 2.0),
        ("case hot", "cleared", 3.0),
        ("fan stalled", "acknowledged", 4.0),
    ):
        store.add_warning(change(warning, what, wall_s))
    store.commit()
    assert len(store.warnings("mast")) == 4
    assert store.warnings(since_s=3.5) == [change("fan stalled", "acknowledged", 4.0)]
    assert store.open_warnings() == [change("fan stalled", "acknowledged", 4.0)]


def test_estimator_state_is_replaced(store) -> None:
    def state(soc: float) -> EstimatorState:
        return EstimatorState(box="mast", battery="grey", wall_s=5.0, boot=3, sequence=9, state={"soc": soc, "w": [1]})

    assert store.estimator("mast", "grey") is None
    store.save_estimator(state(0.5))
    store.save_estimator(state(0.4))
    store.commit()
    assert store.estimator("mast", "grey") == state(0.4)
    assert store.estimator("mast", "red") is None


def test_counts_and_console_lines(store) -> None:
    for wall_s in (1.0, 2.0):
        store.add([LinkCount(source="tty", box="mast", wall_s=wall_s, corrupt_lines=2, gap_records=1)])
    store.add([Console(source="tty", box="mast", text="Traceback", wall_s=1.0)])
    store.add([LinkNote(source="tty", box="mast", kind="lost", sentence="tty: no connection", wall_s=1.0)])
    store.commit()
    counts = store.counts("mast")
    assert (counts.corrupt_lines, counts.gap_records, counts.lost_records, counts.wall_s) == (4, 2, 0, 2.0)
    assert store.counts("table").corrupt_lines == 0
    assert store._engine.rows("SELECT text FROM console") == [("Traceback",)]


def test_a_reader_looks_on_while_the_store_writes(store, where, make_reading) -> None:
    store.add([make_reading(1)])
    store.commit()
    with Reader(where) as reader:
        assert reader.latest("mast").sequence == 1
        looking = reader.readings("mast")
        next(looking)
        store.add([make_reading(2)])
        store.commit()
        assert reader.latest("mast").sequence == 2


def test_durable_settings_and_strict_tables(path: Path) -> None:
    store = Store(path)
    assert store._engine.connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert store._engine.connection.execute("PRAGMA synchronous").fetchone() == (2,), "FULL"
    tables = store._engine.connection.execute("PRAGMA table_list").fetchall()
    ours = [row for row in tables if not row[1].startswith(("sqlite_", "_sqlite"))]
    assert len(ours) >= 12
    assert all(row[5] == 1 for row in ours), "STRICT"
    store.close()


def test_the_settings_of_a_board_as_it_reported_them_on_that_day(store, where, wall_s) -> None:
    assert store.board_settings("mast") == {}
    for value, at_s in ((4800, 0.0), (5200, 100.0)):
        store.add_board_setting("mast", "case_stop_centi_c", value, wall_s + at_s)
    store.add_board_setting("mast", "battery_cold_centi_c", -1500, wall_s)
    store.add_board_setting("table", "case_stop_centi_c", 6000, wall_s)
    store.commit()
    with Reader(where) as reader:
        assert reader.board_settings("mast") == {"case_stop_centi_c": 5200, "battery_cold_centi_c": -1500}
        assert reader.board_settings("mast", wall_s + 50.0)["case_stop_centi_c"] == 4800
        assert reader.board_settings("mast", wall_s) == {}
    store.add_board_setting("mast", "case_stop_centi_c", None, wall_s + 200.0)
    store.commit()
    assert store.board_settings("mast") == {"battery_cold_centi_c": -1500}


def test_records_after_one_are_those_of_its_box(store, make_reading, make_event) -> None:
    first = [make_reading(1), make_reading(2), make_event(3), make_reading(1, boot=4), make_event(2, boot=4)]
    store.add([*first, make_reading(9, box="table"), make_event(8, box="table")])
    store.commit()
    assert [(one.boot, one.sequence) for one in store.readings_after("mast", 3, 1)] == [(3, 2), (4, 1)]
    assert [(one.boot, one.sequence) for one in store.records_after("mast", 3, 2)] == [(3, 3), (4, 1), (4, 2)]
    assert list(store.records_after("mast", 4, 2)) == []
    assert list(store.sequences("mast", 3, 0)) == [1, 2, 3]
    assert list(store.sequences("mast", 3, 2)) == [3]

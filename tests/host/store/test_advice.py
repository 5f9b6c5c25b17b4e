"""Advice in the store: the newest of each recorder, and what it said each minute."""

import pytest

from groundbox.errors import StoreError
from groundbox.model import AdviceMinute
from groundbox.store import Reader, Store


def test_the_newest_advice_replaces_the_one_before(where, wall_s) -> None:
    with Store(where) as store, Reader(where) as reader:
        assert reader.advice() is None
        store.save_advice(wall_s, '{"verdict": "wait"}')
        store.save_advice(wall_s + 0.5, '{"verdict": "clear_to_launch"}')
        assert reader.advice() is None, "written by the next commit"
        store.commit()
        assert reader.advice() == (wall_s + 0.5, '{"verdict": "clear_to_launch"}')
        store.save_advice(wall_s + 2.0, '{"verdict": "wait"}')
        store.commit()
        assert reader.advice() == (wall_s + 2.0, '{"verdict": "wait"}')
        assert len(store._engine.rows("SELECT 1 FROM advice")) == 1


def test_advice_is_written_once_a_second_and_also_after_the_clock_went_back(store, wall_s) -> None:
    for after_s, kept_s in ((0.0, 0.0), (0.4, 0.0), (0.9, 0.0), (1.0, 1.0), (1.5, 1.0), (-900.0, -900.0)):
        store.save_advice(wall_s + after_s, "{}")
        store.commit()
        assert store.advice() == (wall_s + kept_s, "{}"), after_s
    store.commit()
    assert store.advice() == (wall_s - 900.0, "{}"), "nothing waits"


def test_advice_that_waits_for_its_second_is_not_lost(store, wall_s) -> None:
    store.save_advice(wall_s, "1")
    store.commit()
    store.save_advice(wall_s + 0.3, "2")
    store.commit()
    store.save_advice(wall_s + 1.2, "3")
    store.commit()
    assert store.advice() == (wall_s + 1.2, "3")


def test_advice_of_a_failed_commit_is_written_by_the_next(store, wall_s) -> None:
    store.save_advice(wall_s, "1")
    store._statements.append(("INSERT INTO nowhere VALUES (1)", ()))
    with pytest.raises(StoreError):
        store.commit()
    store._statements.clear()
    store.commit()
    assert store.advice() == (wall_s, "1")


def test_programs_that_share_a_store_have_their_own_advice(store, wall_s) -> None:
    store.save_advice(wall_s, "a", recorder="one")
    store.save_advice(wall_s + 9.0, "b", recorder="two")
    store.commit()
    assert store.advice("one") == (wall_s, "a")
    assert store.advice("two") == (wall_s + 9.0, "b")
    assert store.advice() == (wall_s + 9.0, "b")
    assert store.advice("three") is None


def test_a_minute_of_advice_is_kept_once(store, where, wall_s) -> None:
    start_s = wall_s // 60 * 60
    known = AdviceMinute(
        box="mast",
        wall_s=start_s + 1.0,
        verdict="turn_back_by",
        runtime_low_s=900.0,
        runtime_expected_s=1200.5,
        runtime_high_s=1800.0,
        soc=0.61,
    )
    unknown = AdviceMinute(box="mast", wall_s=start_s + 61.0, verdict="unknown")
    other = AdviceMinute(box="table", wall_s=start_s + 1.0, verdict="wait", soc=0.0)
    store.add_advice_minute(known)
    store.add_advice_minute(AdviceMinute(box="mast", wall_s=start_s + 59.0, verdict="wait"))
    store.add_advice_minute(unknown)
    store.add_advice_minute(other)
    store.commit()
    with Reader(where) as reader:
        assert reader.advice_minutes("mast", start_s, start_s + 120.0) == [known, unknown]
        assert reader.advice_minutes("mast", start_s + 1.5, start_s + 120.0) == [unknown]
        assert reader.advice_minutes("mast", start_s, start_s + 61.0) == [known], "until is not included"
        assert reader.advice_minutes("table", start_s, start_s + 120.0) == [other]

"""Marks and events in the order in which they were written, and marks that are taken back."""

from groundbox.model import BatteryFitted, Mark, StartTime, in_force
from groundbox.store import Reader, Store, hand_over


def _mark(kind: str, wall_s: float, box: str = "mast", name: str | None = None, **more: object) -> Mark:
    return Mark(box=box, kind=kind, wall_s=wall_s, name=name, **more)  # type: ignore[arg-type]


def test_marks_and_events_share_one_order_that_no_clock_changes(where, make_event, wall_s) -> None:
    with Store(where) as store:
        store.add_mark(_mark("launch", wall_s + 900.0))
        store.commit()
        store.add([make_event(1, "landing"), make_event(2, "launch")])
        store.commit()
        store.add_mark(_mark("landing", wall_s - 900.0))
        store.commit()
    with Store(where) as store:
        store.add([make_event(1, "landing"), make_event(3, "landing")])
        store.commit()
    with Reader(where) as reader:
        marks, events = reader.marks(), reader.events()
    rows = [(one.row, one.kind) for one in [*marks, *events]]
    assert [kind for _, kind in sorted(rows)] == ["launch", "landing", "launch", "landing", "landing"]
    assert len({row for row, _ in rows}) == 5
    assert [mark.kind for mark in marks] == ["launch", "landing"]


def test_a_confirmed_mark_comes_back_confirmed(where) -> None:
    Store(where).close()
    hand_over(where, _mark("launch", 100.0, box="*", confirmed=True))
    hand_over(where, _mark("landing", 200.0, box="*"))
    with Reader(where) as reader:
        assert [(mark.box, mark.confirmed) for mark in reader.marks()] == [("*", True), ("*", False)]
        assert [mark.row for mark in reader.marks()] == [1, 2]


def test_a_mark_that_waits_comes_last_and_has_no_row(path) -> None:
    with Store(path) as store, Reader(path) as reader:
        store.add_mark(_mark("launch", 500.0))
        store.commit()
        hand_over(path, _mark("landing", 100.0))
        assert [(mark.kind, mark.row) for mark in reader.marks()] == [("launch", 1), ("landing", None)]


def test_marks_of_the_aircraft_concern_every_box(store) -> None:
    store.add_mark(_mark("launch", 100.0, box="*"))
    store.add_mark(_mark("charge", 50.0, box="table", name="fixed"))
    store.add_mark(_mark("swap", 60.0, name="red"))
    store.commit()
    assert [mark.kind for mark in store.marks("mast")] == ["launch", "swap"]
    assert [mark.kind for mark in store.marks("table")] == ["launch", "charge"]
    assert [mark.kind for mark in store.marks("table", since_s=100.0)] == ["launch"]
    assert [mark.kind for mark in store.marks("table", since_s=100.5)] == []


def test_an_undo_takes_back_the_last_mark_that_it_names() -> None:
    launch, landing = _mark("launch", 1.0, box="*"), _mark("landing", 2.0, box="*")
    swap, other = _mark("swap", 3.0, name="red"), _mark("swap", 4.0, box="table", name="grey")
    all_four = [launch, landing, swap, other]
    assert in_force(all_four) == all_four
    assert in_force([*all_four, _mark("undo", 5.0, box="*")]) == [launch, landing, swap]
    assert in_force([*all_four, *[_mark("undo", 5.0, box="*")] * 2]) == [launch, landing]
    assert in_force([*all_four, _mark("undo", 5.0, box="*", name="landing")]) == [launch, swap, other]
    assert in_force([*all_four, _mark("undo", 5.0, box="mast")]) == [launch, landing, other]
    assert in_force([*all_four, _mark("undo", 5.0, box="mast", name="charge")]) == all_four
    assert in_force([_mark("undo", 5.0, box="*"), launch]) == [launch], "a later mark counts"
    assert in_force([*all_four, *[_mark("undo", 5.0, box="*")] * 9]) == []


def test_an_undone_swap_leaves_the_battery_before(where) -> None:
    with Store(where) as store:
        store.add_fitted(BatteryFitted(box="mast", battery="grey", from_wall_s=10.0))
        store.add_mark(_mark("swap", 20.0, name="red"))
        store.add_mark(_mark("swap", 25.0, box="table", name="blue"))
        store.add_mark(_mark("swap", 30.0, name="green"))
        store.commit()
        store.add_mark(_mark("undo", 40.0))
        store.commit()
        assert store.fitted("mast").battery == "red"
        store.add_mark(_mark("undo", 50.0))
        store.commit()
        assert store.fitted("mast").battery == "grey"
        assert store.fitted("table").battery == "blue"
        assert len(store.marks("mast")) == 4, "undone marks and undos are kept"


def test_marks_of_the_aircraft_move_once_when_the_clock_is_set(where, make_reading, make_hello, wall_s) -> None:
    with Store(where) as store:
        store.add_mark(_mark("launch", wall_s - 50.0, box="*"))
        store.commit()
    step_s = 86_400.0
    with Store(where) as store:
        for box in ("mast", "table"):
            store.add([make_hello(box=box), make_reading(1, box=box)])
        store.add_mark(_mark("landing", wall_s + 1.0, box="*"))
        store.commit()
        for box in ("mast", "table"):
            store.add([StartTime(box=box, boot=3, wall_s=wall_s + step_s, uncertainty_s=0.02, source="exchange")])
            store.commit()
        assert [mark.wall_s - wall_s for mark in store.marks()] == [-50.0, 1.0 + step_s]

"""Marks and acknowledgements from other processes."""

import os
from pathlib import Path

import pytest

from groundbox.errors import StoreError
from groundbox.model import Acknowledge, Mark, WarningChange
from groundbox.store import Reader, Store, hand_over, handover

LAUNCH = Mark(box="mast", kind="launch", wall_s=100.0)


def test_written_at_once_when_nobody_writes(where: Path | str) -> None:
    Store(where).close()
    hand_over(where, LAUNCH)
    with Reader(where) as reader:
        assert reader.marks() == [LAUNCH]


def test_taken_over_by_the_process_that_writes(where: Path | str) -> None:
    with Store(where) as store, Reader(where) as reader:
        hand_over(where, LAUNCH)
        assert reader.marks() == [LAUNCH], "seen while it waits"
        assert store.commit().handed == (LAUNCH,)
        assert reader.marks() == [LAUNCH], "seen once"
        assert store.commit().handed == ()


def test_nothing_is_left_lying(path: Path) -> None:
    hand_over(path, LAUNCH)
    assert handover.waiting(path) == []


def test_killed_between_commit_and_removal_it_counts_once(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(handover, "remove", lambda handed: None)
    with Store(path) as store:
        handover.leave(path, LAUNCH)
        assert store.commit().handed == (LAUNCH,)
        assert store.commit().handed == ()
        assert store.marks() == [LAUNCH]


def test_a_failed_commit_leaves_it_waiting(path: Path) -> None:
    with Store(path) as store:
        handover.leave(path, LAUNCH)
        store._statements.append(("INSERT INTO nowhere VALUES (1)", ()))
        with pytest.raises(StoreError):
            store.commit()
        assert [one.request for one in handover.waiting(path)] == [LAUNCH]
        store._statements.clear()
        assert store.commit().handed == (LAUNCH,)


def test_after_a_failed_commit_it_is_reported_once(where: Path | str) -> None:
    with Store(where) as store:
        hand_over(where, LAUNCH)
        store._statements.append(("INSERT INTO nowhere VALUES (1)", ()))
        with pytest.raises(StoreError):
            store.commit()
        store._statements.clear()
        assert store.commit().handed == (LAUNCH,)
        assert store.commit().handed == ()
        assert store.marks() == [LAUNCH]


def test_a_swap_fits_the_battery(where: Path | str) -> None:
    Store(where).close()
    hand_over(where, Mark(box="mast", kind="swap", name="red", wall_s=100.0))
    with Reader(where) as reader:
        assert reader.fitted("mast").battery == "red"


def test_acknowledging_one_or_all_of_a_box(where: Path | str) -> None:
    def change(box: str, warning: str, what: str = "raised") -> WarningChange:
        return WarningChange(box=box, warning=warning, severity="urgent", change=what, sentence="Look.", wall_s=1.0)

    with Store(where) as store:
        for box, warning in (("mast", "fan"), ("mast", "heat"), ("mast", "low"), ("table", "fan")):
            store.add_warning(change(box, warning))
        store.add_warning(change("mast", "low", "cleared"))
        store.commit()
        hand_over(where, Acknowledge(box="mast", warning="fan", wall_s=2.0))
        store.commit()
        acknowledged = [w for w in store.open_warnings("mast") if w.change == "acknowledged"]
        assert [(w.warning, w.wall_s) for w in acknowledged] == [("fan", 2.0)]
        hand_over(where, Acknowledge(box="mast", warning=None, wall_s=3.0))
        assert store.commit().handed == (Acknowledge(box="mast", warning=None, wall_s=3.0),)
        assert {w.warning for w in store.open_warnings("mast") if w.change == "acknowledged"} == {"fan", "heat"}
        assert [w.change for w in store.open_warnings("table")] == ["raised"]
        assert len(store.warnings("mast")) == 6, "each acknowledged once"


def test_other_files_are_passed_over(path: Path) -> None:
    folder = handover.folder(path)
    folder.mkdir()
    (folder / "1.mark").write_text("{broken")
    (folder / ".2.mark").write_text("half writ")
    hand_over(path, LAUNCH)
    with Reader(path) as reader:
        assert reader.marks() == [LAUNCH]
    assert (handover.refused(path) / "1.mark").read_text() == "{broken"
    assert (folder / ".2.mark").exists()


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(StoreError, match="check rights and free space"):
        hand_over(tmp_path / "file" / "session.db", LAUNCH)


STRANGE = {
    "nan.mark": b'{"box": "mast", "kind": "launch", "wall_s": NaN}',
    "far.mark": b'{"box": "mast", "kind": "launch", "wall_s": 1e300}',
    "text.mark": b'{"box": "mast", "kind": "launch", "wall_s": "noon"}',
    "box.mark": b'{"box": ["mast"], "kind": "launch", "wall_s": 1.0}',
    "kind.mark": b'{"box": "mast", "kind": "dance", "wall_s": 1.0}',
    "half.mark": b'{"box": "\\ud800", "kind": "launch", "wall_s": 1.0}',
    "deep.mark": b"[" * 60_000,
    "deep.acknowledge": b'{"box": ' * 9000,
    "bytes.mark": b"\xff\xfe\x00",
    "long.mark": b'{"box": "' + b"m" * 200_000 + b'", "kind": "launch", "wall_s": 1.0}',
    "list.acknowledge": b'{"box": "mast", "warning": [1], "wall_s": 1.0}',
    "empty.mark": b"",
    "note.txt": b"do not forget the charger",
    "b\udcff.mark": b'{"box": "mast", "kind": "launch", "wall_s": 1.0}',
}


def test_a_strange_file_is_moved_aside_and_reported_once(path: Path) -> None:
    """It stops no commit; nothing of it is deleted; a launch beside it counts."""
    place = handover.folder(path)
    with Store(path) as store:
        place.mkdir()
        for name, content in STRANGE.items():
            (place / name).write_bytes(content)
        (place / "folder.mark").mkdir()
        os.mkfifo(place / "pipe.mark")
        (place / "gone.mark").symlink_to(path.parent / "nowhere")
        count = len(STRANGE) + 3
        with Reader(path) as reader:
            assert reader.marks() == []
        handover.leave(path, LAUNCH)
        done = store.commit()
        assert done.handed == (LAUNCH,)
        assert len(done.notices) == count
        assert all("is no mark" in line and line.isascii() for line in done.notices)
        assert store.commit().notices == ()
        assert list(place.iterdir()) == []
        assert len(list(handover.refused(path).iterdir())) == count
        (place / "nan.mark").write_bytes(b"again")
        assert len(store.commit().notices) == 1
        assert len(list(handover.refused(path).iterdir())) == count + 1


def test_a_strange_file_that_cannot_be_moved_is_reported_once(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*paths: object) -> None:
        raise PermissionError(13, "not allowed")

    monkeypatch.setattr(os, "rename", refuse)
    monkeypatch.setattr(Path, "rename", refuse)
    with Store(path) as store:
        handover.folder(path).mkdir()
        (handover.folder(path) / "nan.mark").write_bytes(b"NaN")
        assert len(store.commit().notices) == 1
        assert store.commit().notices == ()

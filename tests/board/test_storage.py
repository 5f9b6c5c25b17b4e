"""What a board remembers survives a power cut at any byte of a write, and any one damaged byte."""

from collections.abc import Callable
from pathlib import Path

import pytest

from core.turn_back import TurnBack
from groundbox.wire.messages import UNKNOWN
from groundbox.wire.settings import SETTINGS, defaults, refusal_of_all
from startup.safe_file import SafeFile
from startup.saved_state import SavedState, SavedTurnBack
from startup.settings_store import SettingsStore


def _flash(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def _lay(folder: Path, files: dict[str, bytes]) -> None:
    for path in folder.iterdir():
        path.unlink()
    for name, content in files.items():
        (folder / name).write_bytes(content)


def test_the_newest_content_counts(tmp_path: Path) -> None:
    slots = SafeFile(str(tmp_path / "file"))
    assert slots.load() is None
    for content in (b"first", b"", b"third\nwith two lines"):
        assert slots.save(content)
        again = SafeFile(str(tmp_path / "file"))
        assert again.load() == content
        assert not again.damaged


@pytest.mark.parametrize("writes", [1, 2, 3])
def test_a_power_cut_at_any_byte_of_a_write_leaves_the_old_or_the_new(tmp_path: Path, writes: int) -> None:
    slots = SafeFile(str(tmp_path / "file"))
    for number in range(writes):
        slots.save(b"content %d" % number)
    before = _flash(tmp_path)
    old = b"content %d" % (writes - 1)
    slots.save(b"the new content")
    after = _flash(tmp_path)
    (written,) = [name for name in after if after[name] != before.get(name)]
    for length in range(len(after[written]) + 1):
        _lay(tmp_path, before | {written: after[written][:length]})
        cut = SafeFile(str(tmp_path / "file"))
        assert cut.load() == (b"the new content" if length == len(after[written]) else old)
        assert cut.save(b"and on")
        assert SafeFile(str(tmp_path / "file")).load() == b"and on"


def test_any_flipped_bit_is_noticed_and_the_other_slot_counts(tmp_path: Path) -> None:
    slots = SafeFile(str(tmp_path / "file"))
    slots.save(b"older 1234")
    slots.save(b"newer 5678")
    good = _flash(tmp_path)
    for name, content in good.items():
        other = b"older 1234" if b"newer" in content else b"newer 5678"
        for position in range(len(content)):
            for bit in range(8):
                damaged = bytearray(content)
                damaged[position] ^= 1 << bit
                _lay(tmp_path, good | {name: bytes(damaged)})
                loaded = SafeFile(str(tmp_path / "file"))
                assert loaded.load() == other
                assert loaded.damaged


def test_settings_and_name_come_back(tmp_path: Path) -> None:
    path = str(tmp_path / "settings")
    file = SettingsStore("box-0a0b", path)
    assert (file.box, file.values, file.fallback) == ("box-0a0b", defaults(), False)
    assert file.change({"box": "mast"}) == ""
    assert file.change({"low_urgent_mv": 11500}) == ""
    again = SettingsStore("box-0a0b", path)
    assert again.box == "mast"
    assert again.values == defaults() | {"low_urgent_mv": 11500}
    assert again.checksum() == file.checksum() != SettingsStore("x", str(tmp_path / "none")).checksum()


def test_a_refused_change_changes_nothing(tmp_path: Path) -> None:
    file = SettingsStore("mast", str(tmp_path / "settings"))
    for changes in (
        {"low_urgent_mv": 9000},
        {"fan_off_centi_c": 3600},
        {"colour": 1},
        {"box": "two words"},
        {"box": "*"},
    ):
        assert file.change(changes)
    assert (file.box, file.values) == ("mast", defaults())
    assert not list(tmp_path.iterdir())


def test_a_change_that_flash_does_not_take_is_not_in_force(tmp_path: Path) -> None:
    file = SettingsStore("mast", str(tmp_path / "no folder" / "settings"))
    assert file.change({"low_urgent_mv": 11500}) == "flash does not take it"
    assert file.values == defaults()


def test_damaged_settings_fall_back_once_to_the_last_good_ones(tmp_path: Path) -> None:
    path = str(tmp_path / "settings")
    file = SettingsStore("mast", path)
    file.change({"low_urgent_mv": 11400})
    file.change({"low_urgent_mv": 11500})
    newest = max(tmp_path.iterdir(), key=lambda slot: int(slot.read_bytes().split()[1]))
    newest.write_bytes(b"\xff" * 40)
    again = SettingsStore("x", path)
    assert (again.box, again.values["low_urgent_mv"], again.fallback) == ("mast", 11400, True)
    healed = SettingsStore("x", path)
    assert (healed.values["low_urgent_mv"], healed.fallback) == (11400, False)


def test_with_both_slots_damaged_the_defaults_are_in_force(tmp_path: Path) -> None:
    for slot in "ab":
        (tmp_path / f"settings.{slot}").write_bytes(b"no settings at all")
    file = SettingsStore("box-0a0b", str(tmp_path / "settings"))
    assert (file.box, file.values, file.fallback) == ("box-0a0b", defaults(), True)


def test_what_a_later_or_earlier_firmware_wrote_is_taken_as_far_as_it_is_allowed(tmp_path: Path) -> None:
    lines = ["box mast", "low_urgent_mv 11500", "low_notice_mv 99999", "no_such_setting 1", "sample_hz many"]
    SafeFile(str(tmp_path / "settings")).save("\n".join(lines).encode())
    file = SettingsStore("x", str(tmp_path / "settings"))
    assert file.values == defaults() | {"low_urgent_mv": 11500}
    assert len(file.complaints) == 3


def test_stored_settings_that_contradict_are_left_out_alone_and_reported_at_each_start(tmp_path: Path) -> None:
    line = "current_raw1_ma 20\ncurrent_true1_ma 0\ncase_raw1_centi_c 100\ncase_true1_centi_c -50"
    bad = "fan_on_centi_c 2500\nvoltage_raw1_mv 14300\nlow_notice_mv 11500\nlow_urgent_mv 11480\nover_s 20"
    SafeFile(str(tmp_path / "settings")).save(f"box mast\n{line}\n{bad}".encode())
    kept = {"current_raw1_ma": 20, "current_true1_ma": 0, "case_raw1_centi_c": 100, "case_true1_centi_c": -50}
    for _ in range(2):
        file = SettingsStore("x", str(tmp_path / "settings"))
        assert (file.box, file.values, file.fallback) == ("mast", defaults() | kept | {"over_s": 20}, True)
        assert len(file.complaints) == 3
        assert "voltage calibration" in file.complaints[2]
    assert not refusal_of_all(file.values, defaults())


def test_every_start_has_its_own_number(tmp_path: Path) -> None:
    path = str(tmp_path / "state")
    used = set()
    for start in range(12):
        kept = SavedState(path)
        kept.begin(True)
        assert kept.boot not in used
        used.add(kept.boot)
        kept.follow(1, 3, start % 2, 0, 0)
        assert (SavedState(path).output2, SavedState(path).place) == (3, start % 2)


def test_a_number_is_not_used_again_whatever_byte_is_damaged(tmp_path: Path) -> None:
    path = str(tmp_path / "state")
    used = set()
    for _ in range(3):
        kept = SavedState(path)
        kept.begin(True)
        used.add(kept.boot)
    good = _flash(tmp_path)
    for name, content in good.items():
        for position in range(len(content)):
            _lay(tmp_path, good | {name: content[:position] + b"\xff" + content[position + 1 :]})
            kept = SavedState(path)
            kept.begin(True)
            assert kept.boot not in used
            _lay(tmp_path, good | {name: content[:position]})
            kept = SavedState(path)
            kept.begin(True)
            assert kept.boot not in used
        _lay(tmp_path, {other: content for other, content in good.items() if other != name})
        kept = SavedState(path)
        kept.begin(True)
        assert kept.boot not in used


def test_a_board_that_lost_or_cannot_keep_its_number_does_not_begin_at_one(tmp_path: Path) -> None:
    lost, cannot = SavedState(str(tmp_path / "state")), SavedState(str(tmp_path / "no folder" / "state"))
    numbers = []
    for kept in (lost, cannot):
        kept.begin(True)
        numbers.append(kept.boot)
        assert 0 <= kept.boot < 1 << 29
    assert numbers[0] != numbers[1]
    assert (lost.output1, lost.output2, lost.place) == (1, 1, 0)


def test_what_flash_did_not_take_is_tried_again_after_a_while(tmp_path: Path) -> None:
    folder = tmp_path / "flash"
    kept = SavedState(str(folder / "state"))
    kept.begin(True)
    kept.follow(1, 3, 1, 0, 0)
    folder.mkdir()
    for _ in range(20):
        kept.follow(1, 3, 1, 0, 0)
        assert not list(folder.iterdir()), "not at once: flash that fails must not cost every round"
    kept.follow(1, 3, 1, 0, 0)
    again = SavedState(str(folder / "state"))
    assert (again.boot, again.output2, again.place) == (kept.boot, 3, 1)
    (folder / "state.a").unlink()
    for _ in range(50):
        kept.follow(1, 3, 1, 0, 0)
    assert not (folder / "state.a").exists(), "saved is saved"


def test_two_short_starts_from_power_loss_shed_output_2(tmp_path: Path) -> None:
    """Each case: (from power loss, seconds it lasts, output 2 shed) for starts in sequence."""
    cases = (
        ((True, 20, False), (True, 20, False), (True, 20, True), (True, 20, True), (True, 70, True), (True, 5, False)),
        ((True, 59, False), (True, 60, False), (True, 5, False), (True, 5, False), (True, 5, True)),
        ((False, 20, False), (True, 20, False), (True, 20, True), (False, 20, False)),
        ((True, 20, False), (True, 20, False), (False, 20, False), (True, 20, False), (True, 20, True)),
    )
    for i, case in enumerate(cases):
        for powered, seconds, starved in case:
            kept = SavedState(str(tmp_path / f"state{i}"))
            kept.output2 = 1
            kept.begin(powered)
            assert (kept.starved, kept.output2) == (starved, 3 if starved else 1), case
            for second in range(seconds + 1):
                kept.follow(1, kept.output2, 0, 0, second)
    kept = SavedState(str(tmp_path / "state0"))
    for output2 in (0, 2):  # none, or switched off by a person
        kept.short_starts, kept.output2 = 2, output2
        kept.begin(True)
        assert (kept.starved, kept.output2) == (True, output2)


def test_slots_and_settings_on_the_board(on_board: Callable[..., str], tmp_path: Path) -> None:
    """The same files, written by the real interpreter and read by both."""
    code = """
from startup.settings_store import SettingsStore
from startup.saved_state import SavedState
file = SettingsStore("box-0a0b")
assert file.change({"low_urgent_mv": 11500, "box": "mast"}) == ""
kept = SavedState()
kept.begin(True)
kept.follow(2, 3, 1, 0, 0)
again = SettingsStore("x")
assert (again.box, again.values["low_urgent_mv"], again.fallback) == ("mast", 11500, False)
open("settings.a", "wb").close()
again = SettingsStore("x")
assert (again.box, again.values["low_urgent_mv"], again.fallback) == ("x", 11300, True), again.box
print(kept.boot, file.checksum())
"""
    boot, checksum = on_board(code).split()
    kept = SavedState(str(tmp_path / "state"))
    assert (kept.boot, kept.output1, kept.output2, kept.place) == (int(boot), 2, 3, 1)
    file = SettingsStore("y", str(tmp_path / "none"))
    file.change({"low_urgent_mv": 11500})
    assert file.checksum() == checksum
    assert len(SETTINGS) == len(file.values)


def _started(folder: Path, continues: bool) -> tuple[SavedTurnBack, TurnBack]:
    saved, turn_back = SavedTurnBack(str(folder / "turn_back")), TurnBack()
    saved.restore(turn_back, continues)
    return saved, turn_back


def _fly(saved: SavedTurnBack, turn_back: TurnBack, seconds: int) -> None:
    for _ in range(seconds):
        turn_back.hear()
        turn_back.step(1, 2000, 12000, 0, 1)
        for _ in range(2):
            saved.follow(turn_back)


def test_a_budget_is_written_every_five_minutes_and_at_once_when_it_ends_earlier(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writes: list[bytes] = []
    save = SafeFile.save

    def counted(file: SafeFile, content: bytes) -> bool:
        writes.append(content)
        return bool(save(file, content))

    monkeypatch.setattr(SafeFile, "save", counted)
    saved, turn_back = _started(tmp_path, True)
    for _ in range(10):
        turn_back.step(1, 2000, 12000, 0, 0)
        saved.follow(turn_back)
    assert not writes
    turn_back.give(4000, 7200, 0, 2000)
    _fly(saved, turn_back, 1201)
    assert len(writes) == 5
    turn_back.give(3800, 7200, 0, 2000)
    _fly(saved, turn_back, 10)
    assert len(writes) == 5
    turn_back.give(2000, 3600, 0, 2000)
    _fly(saved, turn_back, 10)
    turn_back.forget()
    _fly(saved, turn_back, 10)
    assert len(writes) == 7
    assert _started(tmp_path, True)[1].left_s == UNKNOWN


def test_a_budget_is_never_later_after_a_reset_and_unknown_after_a_power_loss(tmp_path: Path) -> None:
    saved, turn_back = _started(tmp_path, True)
    (copy := tmp_path / "copy").mkdir()
    turn_back.give(4000, 7200, 0, 2000)
    for seconds in (1, 299, 301, 599):
        _fly(saved, turn_back, seconds)
        _lay(copy, {path.name: path.read_bytes() for path in tmp_path.glob("turn_back.*")})
        again = _started(copy, True)[1]
        assert turn_back.left_s - 320 <= again.left_s <= turn_back.left_s - 20
        twice = _started(copy, True)[1]
        assert twice.left_s == again.left_s - 320
        assert _started(copy, False)[1].left_s == UNKNOWN


def test_a_damaged_copy_of_the_budget_makes_it_unknown(tmp_path: Path) -> None:
    saved, turn_back = _started(tmp_path, True)
    turn_back.give(4000, 7200, 0, 2000)
    _fly(saved, turn_back, 700)
    damaged = tmp_path / "turn_back.a"
    damaged.write_bytes(damaged.read_bytes()[:-1])
    assert _started(tmp_path, True)[1].left_s == UNKNOWN

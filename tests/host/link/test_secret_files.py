"""Command keys and their counters, passwords, and the board's file `network`."""

import os
import stat
from pathlib import Path
from zlib import crc32

import pytest

from groundbox.errors import BadInput
from groundbox.link import secret_files
from groundbox.link.secret_files import (
    MAX_NETWORK_BYTES,
    Keys,
    boxes_with_keys,
    key_path,
    network_file,
    new_key,
    read_key,
    store_key,
    stored_passwords,
    write_secret,
)
from groundbox.wire import auth

WALL_S = 1_760_000_000.0


def _counters(keys: Keys, count: int) -> list[int]:
    return [int(keys.seal("mast", b"{x}")[:16], 16) for _ in range(count)]


def test_a_counter_starts_at_the_microseconds_of_the_wall_clock(tmp_path: Path) -> None:
    new_key(tmp_path, "mast")
    first = int(WALL_S * 1e6)
    assert _counters(Keys(tmp_path, lambda: WALL_S), 3) == [first, first + 1, first + 2]
    reserved = int((tmp_path / "mast.counter").read_text())
    assert reserved == first + 60_000_000, "one minute is reserved with one write"
    assert _counters(Keys(tmp_path, lambda: WALL_S), 1) == [reserved + 1], "none is used twice after a crash"


def test_a_counter_is_written_again_only_when_the_reserve_is_used_up(tmp_path: Path) -> None:
    new_key(tmp_path, "mast")
    keys = Keys(tmp_path, lambda: WALL_S)
    _counters(keys, 1)
    path = tmp_path / "mast.counter"
    path.unlink()
    _counters(keys, 5)
    assert not path.exists()
    keys._next["mast"] = keys._ceiling["mast"]
    _counters(keys, 1)
    assert not path.exists()
    _counters(keys, 1)
    assert int(path.read_text()) == int(WALL_S * 1e6) + 2 * 60_000_000 + 1


@pytest.mark.parametrize("text", ["", "moss", "-1", str(auth.MAX_COUNTER - 60_000_000), str(auth.MAX_COUNTER)])
def test_a_counter_that_cannot_be_used_is_named(tmp_path: Path, text: str) -> None:
    new_key(tmp_path, "mast")
    (tmp_path / "mast.counter").write_text(text)
    with pytest.raises(BadInput, match=r"mast\.counter: .*groundbox board network --new-key"):
        Keys(tmp_path).seal("mast", b"{x}")


def test_the_highest_counter_that_can_be_used(tmp_path: Path) -> None:
    new_key(tmp_path, "mast")
    (tmp_path / "mast.counter").write_text(str(auth.MAX_COUNTER - 60_000_001))
    assert _counters(Keys(tmp_path, lambda: WALL_S), 1) == [auth.MAX_COUNTER - 60_000_000]


def test_a_counter_is_read_again_when_asked(tmp_path: Path) -> None:
    new_key(tmp_path, "mast")
    keys = Keys(tmp_path, lambda: WALL_S)
    first = _counters(keys, 1)[0]
    keys.reread_counter("mast")
    assert _counters(keys, 1)[0] == first + 60_000_001


def test_a_missing_key_is_looked_for_again_after_a_while(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now_s = 0.0
    monkeypatch.setattr(secret_files.time, "monotonic", lambda: now_s)
    keys = Keys(tmp_path)
    assert not keys.has("mast")
    new_key(tmp_path, "mast")
    now_s = 9.9
    assert not keys.has("mast")
    now_s = 10.0
    assert keys.has("mast")
    with pytest.raises(BadInput, match="make one: groundbox board network"):
        keys.seal("table", b"{x}")


def test_names_of_boxes_without_keys_fill_no_memory(tmp_path: Path) -> None:
    keys = Keys(tmp_path)
    for number in range(3000):
        keys.has(f"box{number}")
    assert 900 < len(keys._absent) <= 1002


def test_a_key_and_its_file(tmp_path: Path) -> None:
    key = new_key(tmp_path / "keys", "mast")
    assert len(key) == auth.KEY_BYTES
    assert read_key(tmp_path / "keys", "mast") == key
    assert read_key(tmp_path / "keys", "table") is None
    store_key(tmp_path / "keys", "a/b", bytes(auth.KEY_BYTES))
    assert boxes_with_keys(tmp_path / "keys") == ["a/b", "mast"]
    assert key_path(tmp_path, "../x").parent == tmp_path
    assert stat.S_IMODE((tmp_path / "keys").stat().st_mode) == 0o700
    _counters(Keys(tmp_path / "keys"), 1)
    new_key(tmp_path / "keys", "mast")
    assert not (tmp_path / "keys" / "mast.counter").exists(), "the board starts again with another key, too"
    with pytest.raises(BadInput, match=f"{2 * auth.KEY_BYTES} hexadecimal digits"):
        store_key(tmp_path, "short", b"x") or read_key(tmp_path, "short")


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(BadInput, match="keys in groundbox.toml"):
        new_key(tmp_path / "file", "mast")
    with pytest.raises(BadInput, match="holds the passwords"):
        stored_passwords(tmp_path / "file", ["mast"])


def test_a_secret_is_readable_by_its_owner_alone_and_replaced_whole(tmp_path: Path) -> None:
    file = tmp_path / "secret"
    file.write_text("old")
    file.chmod(0o644)
    write_secret(file, "new")
    assert file.read_text() == "new"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600 or os.name != "posix"
    assert [path.name for path in tmp_path.iterdir()] == ["secret"]


def test_passwords_are_kept_and_new_ones_made(tmp_path: Path) -> None:
    first = stored_passwords(tmp_path, ["mast", "table"])
    assert len(first["mast"]) == 24, "18 bytes in base64"
    assert stored_passwords(tmp_path, ["table", "hut"]) | first == stored_passwords(tmp_path, [])


@pytest.mark.parametrize("address", ["", "table.local", "192.168.4", "192.168.4.256", "1.2.3.4.5", "a1.2.3.4"])
def test_a_broker_without_an_address_is_refused(address: str) -> None:
    with pytest.raises(BadInput, match="mast.toml: broker: .*is no IPv4 address"):
        network_file("mast.toml", {"broker": address})


def test_the_network_file_by_hand() -> None:
    found = network_file("mast.toml", {"port": "8883", "broker": "255.0.0.1", "ssid": "bog ~"})
    body = b"ssid bog ~\nbroker 255.0.0.1\nport 8883\n"
    assert found == body + f"check {crc32(body):08X}\n".encode()


@pytest.mark.parametrize(
    ("name", "value"), [("ssid", ""), ("ssid", "a\nb"), ("ssid", "\x7f"), ("ssid", "\x1f"), ("x", "y")]
)
def test_a_value_the_board_cannot_read_is_refused(name: str, value: str) -> None:
    with pytest.raises(BadInput, match=f"mast.toml: {name}: "):
        network_file("mast.toml", {"broker": "10.0.0.1", name: value})


def test_a_file_too_long_for_the_board_is_refused() -> None:
    values = {"broker": "10.0.0.1", "ssid": "x"}
    spare = MAX_NETWORK_BYTES - len(network_file("mast.toml", values))
    assert len(network_file("mast.toml", {**values, "ssid": "x" * (spare + 1)})) == MAX_NETWORK_BYTES
    with pytest.raises(BadInput, match=f"needs {MAX_NETWORK_BYTES + 1} bytes"):
        network_file("mast.toml", {**values, "ssid": "x" * (spare + 2)})

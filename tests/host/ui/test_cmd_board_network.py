"""`groundbox board network`: secrets over the cable, never shown."""

import os
import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from groundbox.errors import BadInput
from groundbox.link.broker_setup import box_file
from groundbox.link.secret_files import network_file, new_key, read_key
from groundbox.ui.cmd_board_install import NETWORK_EXAMPLE, network

FILE = """
box = "mast"
broker = "192.168.4.2"
broker_password_file = "mast.password"
ssid = "bog"
password = "wet heron"
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "groundbox.toml").write_text('keys = "keys"\n')
    (tmp_path / "mast.password").write_text("quiet heron\n")
    (tmp_path / "board").mkdir()
    _write(tmp_path, FILE)
    return tmp_path


def _write(folder: Path, text: str, mode: int = 0o600) -> None:
    (folder / "mast.toml").write_text(text)
    (folder / "mast.toml").chmod(mode)


def _run(*more: str) -> Result:
    return CliRunner().invoke(network, ["mast.toml", "--folder", "board", *more])


def test_the_firmware_reads_the_board_file(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done = _run()
    assert done.exit_code == 0, done.output
    key = read_key(folder / "keys", "mast")
    for secret in ("heron", key.hex()):
        assert secret not in done.output
    from uplinks import network_file as on_board  # the firmware's own

    network, why = on_board.load(str(folder / "board" / "network"))
    assert why == ""
    assert (network.ssid, network.password, network.broker_password) == ("bog", "wet heron", "quiet heron")
    assert (network.broker, network.port, network.user, network.key, network.ca) == (
        "192.168.4.2",
        1883,
        "mast",
        key,
        None,
    )
    if os.name == "posix":
        assert (folder / "board" / "network").stat().st_mode & 0o077 == 0


def test_the_key_stays_until_a_new_one_is_requested(folder: Path) -> None:
    _run()
    first = read_key(folder / "keys", "mast")
    _run()
    assert read_key(folder / "keys", "mast") == first
    _run("--new-key")
    assert read_key(folder / "keys", "mast") != first


@pytest.mark.parametrize(
    ("text", "mode", "place"),
    [
        (FILE, 0o644, "chmod 600"),
        (FILE.replace("192.168.4.2", "table.local"), 0o600, "broker"),
        (FILE.replace("192.168.4.2", "192.168.4.256"), 0o600, "broker"),
        (FILE.replace('"mast"', '"m/st"'), 0o600, "box"),
        (FILE.replace("wet heron", "wet\\nheron"), 0o600, "password"),
        (FILE + 'broker_password = "x"\n', 0o600, "broker_password"),
        (FILE + 'ca_file = "nowhere.crt"\n', 0o600, "ca_file"),
        (FILE + 'ca_file = "mast.password"\n', 0o600, "ca_file"),
        (FILE + "colour = 5\n", 0o600, "colour"),
    ],
)
def test_a_wrong_value_is_named_and_nothing_is_changed(folder: Path, text: str, mode: int, place: str) -> None:
    _write(folder, text, mode)
    done = _run()
    assert isinstance(done.exception, BadInput)
    assert place in str(done.exception)
    assert "heron" not in str(done.exception)
    assert list((folder / "board").iterdir()) == []
    assert not (folder / "keys").exists()


@pytest.mark.parametrize(
    "text", [NETWORK_EXAMPLE, box_file("mast", "192.168.4.2", 8883, "table.local")], ids=["help", "setup"]
)
def test_a_placeholder_of_an_example_is_refused(folder: Path, text: str) -> None:
    found = re.findall(r'(ssid|password) = "(<.*>)"', text)
    assert [name for name, _ in found] == ["ssid", "password"]
    for name, placeholder in found:
        _write(folder, re.sub(rf"^{name} = .*$", f'{name} = "{placeholder}"', FILE, flags=re.MULTILINE))
        error = str(_run().exception)
        assert error == f"mast.toml: {name}: still holds the placeholder of the example; write your own value"
        assert list((folder / "board").iterdir()) == []


def test_a_damaged_file_is_refused_by_the_board(tmp_path: Path) -> None:
    from uplinks import network_file as on_board

    key = new_key(tmp_path, "mast")
    whole = network_file("test", {"broker": "10.0.0.1", "key": key.hex(), "password": "wet heron"})
    path = tmp_path / "network"
    for length in range(len(whole) - 1):  # the last byte is a newline
        path.write_bytes(whole[:length])
        network, why = on_board.load(str(path))
        assert network is None
        assert "heron" not in why
    for i in range(len(whole) - 1):
        path.write_bytes(whole[:i] + bytes([whole[i] ^ 4]) + whole[i + 1 :])
        assert on_board.load(str(path))[0] is None

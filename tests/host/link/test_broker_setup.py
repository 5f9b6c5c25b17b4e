"""`groundbox broker setup`: files that mosquitto takes, secrets that only this user reads, and a check that bites."""

import shutil
import stat
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from groundbox.errors import BadInput, LinkError
from groundbox.link import broker_setup, secret_files
from groundbox.link.secret_files import network_file
from groundbox.toml_file import read_toml
from groundbox.ui import cmd_board_install, cmd_broker
from uplinks import network_file as board_file

OPEN = {"README.md"}
needs_openssl = pytest.mark.skipif(shutil.which("openssl") is None, reason="no openssl on this machine")
needs_mosquitto = pytest.mark.skipif(broker_setup.find_mosquitto() is None, reason="no mosquitto on this machine")


@pytest.fixture
def setup(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Result]:
    monkeypatch.chdir(tmp_path)

    def setup(*arguments: str) -> Result:
        return CliRunner().invoke(cmd_broker.command, ["setup", "broker", *arguments], catch_exceptions=True)

    return setup


@needs_openssl
@needs_mosquitto
def test_mosquitto_refuses_unknown_clients(setup: Callable[..., Result], tmp_path: Path) -> None:
    result = setup("--box", "mast", "--box", "table")
    assert result.exit_code == 0, result.output
    for sentence in ("without a password is refused", "without TLS is refused", "mast cannot publish as box table"):
        assert sentence in result.output
        assert sentence in (tmp_path / "broker" / "README.md").read_text()
    passwords = {path.read_text().strip() for path in (tmp_path / "broker").glob("*.password")}
    assert len(passwords) == 4
    assert not any(word in result.output for word in passwords)
    for path in (tmp_path / "broker").iterdir():
        assert path.name in OPEN or stat.S_IMODE(path.stat().st_mode) == 0o600, path
        assert path.suffix == ".password" or not any(word in path.read_text() for word in passwords), path


def test_a_foreign_file_is_not_replaced(setup: Callable[..., Result], tmp_path: Path) -> None:
    for name in ("README.md", "mosquitto.conf"):
        mine = tmp_path / "broker" / name
        mine.parent.mkdir(exist_ok=True)
        mine.write_text("mine\n")
        result = setup("--box", "mast")
        assert isinstance(result.exception, BadInput)
        assert f"{mine}: exists and no setup wrote it" in str(result.exception)
        assert [path.name for path in mine.parent.iterdir()] == [name]
        assert mine.read_text() == "mine\n"
        mine.unlink()


@needs_openssl
def test_a_second_call_keeps_the_files(
    setup: Callable[..., Result], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(broker_setup, "find_mosquitto", lambda: None)
    assert setup("--box", "mast").exit_code == 0
    kept = ("mast.password", "ca.pem", "server.pem", "server.key")
    before = [(tmp_path / "broker" / name).read_text() for name in kept]
    result = setup("--box", "table")
    assert "ready for mast, table" in result.output
    assert "not checked" in result.output
    assert [(tmp_path / "broker" / name).read_text() for name in kept] == before
    assert "Not checked" in (tmp_path / "broker" / "README.md").read_text()


@needs_openssl
def test_a_second_call_keeps_the_listener(
    setup: Callable[..., Result], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(broker_setup, "find_mosquitto", lambda: None)
    assert setup("--box", "mast", "--listen", "0.0.0.0", "--port", "8899").exit_code == 0
    assert setup("--box", "table").exit_code == 0
    assert "\nlistener 8899 0.0.0.0\n" in (tmp_path / "broker" / "mosquitto.conf").read_text()
    assert "port = 8899" in (tmp_path / "broker" / "table.toml").read_text()
    result = setup("--port", "8900")
    assert "mast.toml stays as you wrote it: check that its port is 8900" in result.output


@needs_openssl
def test_a_board_reads_the_file_made_for_it(
    setup: Callable[..., Result], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(broker_setup, "find_mosquitto", lambda: None)
    assert setup("--box", "mast", "--name", "192.168.4.2", "--name", "table.local").exit_code == 0
    file = tmp_path / "broker" / "mast.toml"
    values = cmd_board_install.values_of(file, read_toml(file, cmd_board_install.NetworkFile))
    (tmp_path / "network").write_bytes(network_file(file, values))
    found, why = board_file.load(str(tmp_path / "network"))
    assert why == ""
    assert (found.broker, found.port, found.user, found.broker_name) == ("192.168.4.2", 8883, "mast", "table.local")
    assert found.broker_password == (tmp_path / "broker" / "mast.password").read_text().strip()
    assert len(found.ca) > 300
    file.write_text(file.read_text() + 'ssid = "bog"\n')
    assert setup("--box", "table").exit_code == 0
    assert 'ssid = "bog"' in file.read_text()


@needs_openssl
def test_another_name_needs_the_authoritys_key(
    setup: Callable[..., Result], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(broker_setup, "find_mosquitto", lambda: None)
    assert setup("--box", "mast").exit_code == 0
    authority, server = ((tmp_path / "broker" / name) for name in ("ca.pem", "server.pem"))
    before = authority.read_text(), server.read_text()
    assert setup("--name", "table.local").exit_code == 0
    assert authority.read_text() == before[0]
    assert server.read_text() != before[1]
    (tmp_path / "broker" / "ca.key").unlink()
    assert "bring it back" in str(setup("--name", "other.local").exception)
    assert setup("--box", "table").exit_code == 0


@pytest.mark.parametrize("option", ["--listen", "--name"])
def test_an_invalid_address_is_refused_before_anything_is_written(
    setup: Callable[..., Result], tmp_path: Path, option: str
) -> None:
    assert f"{option}: x y: is no host name" in str(setup("--box", "mast", option, "x y").exception)
    assert isinstance(setup("--box", "mast", option, "x\nuser root").exception, BadInput)
    assert not (tmp_path / "broker").exists()


@needs_openssl
@needs_mosquitto
@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        (broker_setup.RIGHTS, "pattern readwrite groundbox/+/#\n", "cannot publish as box"),
        (broker_setup.PASSWORDS, "", "refuses mast"),
    ],
)
def test_the_check_finds_wrong_files(
    setup: Callable[..., Result], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, old: str, new: str, why: str
) -> None:
    mosquitto = broker_setup.find_mosquitto()
    assert mosquitto is not None
    monkeypatch.setattr(broker_setup, "find_mosquitto", lambda: None)
    assert setup("--box", "mast", "--box", "table").exit_code == 0
    file = tmp_path / "broker" / old
    file.write_text((new + file.read_text()) if old == broker_setup.RIGHTS else new)
    known = secret_files.stored_passwords(tmp_path / "broker", ())
    with pytest.raises(LinkError, match=why):
        broker_setup.check(mosquitto, tmp_path / "broker", known, "mast", "table")


@pytest.mark.parametrize("box", ["a/b", "the mast", "#", "a:b", "x" * 17])
def test_a_name_with_another_meaning_at_a_broker_is_refused(
    setup: Callable[..., Result], tmp_path: Path, box: str
) -> None:
    result = setup("--box", box)
    assert isinstance(result.exception, BadInput)
    assert not (tmp_path / "broker").exists()


def test_a_missing_box_and_a_missing_openssl_are_named(
    setup: Callable[..., Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "add one, as --box mast" in str(setup().exception)
    monkeypatch.setattr(shutil, "which", lambda *_, **more: None)
    assert "apt install openssl" in str(setup("--box", "mast").exception)


@pytest.mark.skipif(shutil.which("mosquitto_passwd") is None, reason="no mosquitto_passwd on this machine")
def test_a_hash_equals_that_of_mosquittos_own_tool(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "users"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(file), "mast", "heather"], check=True, capture_output=True)
    _, kind, rounds, salt, hashed = file.read_text().strip().split("$")
    assert kind == "7"
    monkeypatch.setattr(secret_files, "ROUNDS", int(rounds))
    import base64

    assert secret_files.hashed("heather", base64.b64decode(salt)).split("$")[4] == hashed


def test_a_damaged_password_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "mast.password").write_bytes(b"\xff\xfe")
    with pytest.raises(BadInput, match="mast.password: is not UTF-8"):
        secret_files.stored_passwords(tmp_path, ())
    (tmp_path / "mast.password").write_text("\n")
    with pytest.raises(BadInput, match="is empty"):
        secret_files.stored_passwords(tmp_path, ())

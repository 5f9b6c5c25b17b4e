"""groundbox.toml with every byte flipped in turn: the file is read, or refused in one line; nothing else happens."""

import subprocess
import sys
from itertools import product
from pathlib import Path

import pytest

from groundbox import settings
from groundbox.cli import main
from groundbox.errors import BadInput
from groundbox.link.secret_files import network_file
from groundbox.store import Store
from groundbox.toml_file import read_toml
from groundbox.ui import cmd_board_install
from groundbox.ui.bridge.start import bridges_of
from groundbox.ui.recording import broker_of
from uplinks import network_file as board_file

TEXT = """\
# Bog day
database = "day.db"
ports = ["/dev/ttyACM*"]
sound = "off"
[flight]
length_min = 35
[batteries.sedge]
profile = "sedge.toml"
[boxes.mast]
battery = "sedge"
cutoff_volts = 11.0
[[boxes.mast.loads]]
name = "servos"
watts = 4
peak_watts = 36
sheddable = true
fraction = 0.5
[[brokers]]
host = "localhost"
username = "groundbox-program"
password_file = "word"
warnings = true
[own_broker]
listen = "127.0.0.1"
[[webhooks]]
url = "http://127.0.0.1/hook"
token_file = "word"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "sedge.toml").write_text("c20_ah = 9.0\n")
    (tmp_path / "word").write_text("heather\n")
    return tmp_path


def _outcome(file: Path, content: bytes) -> str:
    """ "read", "refused" or a wrong line; any other error is raised."""
    file.write_bytes(content)
    try:
        found = settings.load(file)
        for number in range(len(found.brokers)):
            broker_of(found, number)
        bridges_of(found, [])
        _ = found.database_path
    except BadInput as error:
        return "refused" if "\n" not in str(error) and str(error).startswith(str(file.parent)) else str(error)
    return "read"


def _flipped(folder: Path, masks: tuple[int, ...]) -> dict[str, int]:
    outcomes = {"read": 0, "refused": 0}
    content = TEXT.encode()
    assert _outcome(folder / settings.FILE_NAME, content) == "read"
    for at in range(len(content)):
        for mask in masks:
            wrong = content[:at] + bytes([content[at] ^ mask]) + content[at + 1 :]
            outcomes[_outcome(folder / settings.FILE_NAME, wrong)] += 1
    return outcomes


def test_every_byte_flipped(folder: Path) -> None:
    outcomes = _flipped(folder, (0xFF, 0x01))
    assert outcomes["refused"] > outcomes["read"] > 0  # a comment or a name may read as well


BOX = """\
box = "mast"
ssid = "bog"
password = "three wet herons"
broker = "192.168.4.2"
port = 8883
broker_password_file = "word"
"""


def test_every_byte_of_a_boards_network_flipped(folder: Path) -> None:
    """The program reads the file or refuses it in one line; the board accepts only what the program wrote."""
    file, outcomes = folder / "mast.toml", set[str]()
    file.touch(0o600)

    def board_file_of(content: bytes) -> bytes:
        file.write_bytes(content)
        values = cmd_board_install.values_of(file, read_toml(file, cmd_board_install.NetworkFile))
        return network_file(file, values)

    whole = board_file_of(BOX.encode())
    for at, mask in product(range(len(BOX)), (0xFF, 0x01)):
        try:
            board_file_of(BOX[:at].encode() + bytes([ord(BOX[at]) ^ mask]) + BOX[at + 1 :].encode())
        except BadInput as error:
            outcomes.add(str(error).replace(str(file), ""))
    assert len(outcomes) > 5
    assert not any("\n" in one or "heron" in one or "heather" in one for one in outcomes)
    on_board = folder / "network"
    on_board.write_bytes(whole)
    assert board_file.load(str(on_board))[0] is not None
    for at in range(len(whole)):
        on_board.write_bytes(whole[:at] + bytes([whole[at] ^ 0x01]) + whole[at + 1 :])
        found, why = board_file.load(str(on_board))
        assert (found, "write it again" in why) == (None, True) or at == len(whole) - 1


@pytest.mark.endurance
def test_every_bit_flipped(folder: Path) -> None:
    assert sum(_flipped(folder, tuple(1 << bit for bit in range(8))).values()) == 8 * len(TEXT)


@pytest.mark.parametrize(
    "key",
    [
        "database",
        "boxes.mast.battery",
        "flight.length_min",
        "ports",
        "own_broker.folder",
        "brokers",
        "webhooks",
        "keys",
    ],
)
@pytest.mark.parametrize("value", ['"\\u0000"', '"' + "x" * 5000 + '"', "[[[]]]", "inf", "{a = 1}", "2026-01-01", "-1"])
def test_a_wrong_value_is_one_line_of_a_command(
    tmp_path: Path, key: str, value: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / settings.FILE_NAME
    database = "" if key == "database" else 'database = "session.db"\n'
    Store(tmp_path / "session.db").close()
    file.write_text(f"{database}{key} = {value}\n")
    monkeypatch.setattr(sys, "argv", ["groundbox", "now", "--settings", str(tmp_path / settings.FILE_NAME)])
    with pytest.raises(SystemExit) as ended:
        main()
    said = capsys.readouterr()
    assert ended.value.code == 2
    assert len(said.err.splitlines()) == 1
    if len(value) > 4000 and key in ("own_broker.folder", "keys"):  # a name too long, of what `now` does not open
        assert "holds no advice" in said.err


def test_no_traceback_at_the_terminal(tmp_path: Path) -> None:
    (tmp_path / settings.FILE_NAME).write_bytes(TEXT.encode().replace(b"=", b"\xff"))
    code = "from groundbox.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code, "log"], cwd=tmp_path, capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 2
    assert done.stderr.startswith("groundbox: groundbox.toml: byte ")
    assert "Traceback" not in done.stderr

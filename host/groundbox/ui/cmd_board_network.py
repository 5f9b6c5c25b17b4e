"""`groundbox board network`: the address and secrets of a board's broker, over the cable."""

import os
import secrets
from pathlib import Path
from typing import Annotated

import click
import msgspec
from msgspec import Meta

from groundbox.errors import BadInput, LinkError
from groundbox.link.broker import unfit_name
from groundbox.link.secret_files import network_file, read_key, store_key, write_secret
from groundbox.maintenance.dialogue import Dialogue
from groundbox.maintenance.flash import Flash, maintained
from groundbox.toml_file import read_toml
from groundbox.ui.board_port import chosen_port, port_argument
from groundbox.ui.cmd_board_install import enter_maintenance
from groundbox.ui.options import chosen_settings
from groundbox.wire.auth import KEY_BYTES

MEET_S = 4.0
PROMPT_S = 30.0
EXAMPLE = """
\b
Example of FILE (chmod 600; user is the box's name unless given):
  box = "mast"
  ssid = "<your network's name>"            not for a wired network
  password = "<your network's passphrase>"
  broker = "192.168.4.2"                    an IPv4 address
  port = 8883
  broker_password_file = "broker/mast.password"
  ca_file = "broker/ca.pem"                 turns TLS on
  broker_name = "table.local"               the name in the broker's certificate

\b
  groundbox board network mast.toml /dev/ttyACM0

The first call makes the box's command key and stores it in the settings' folder of keys. Without the key on both sides
the box takes no commands. The radio stays off until the board's setting radio_allowed is 1.
"""


class NetworkFile(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The keys of FILE."""

    box: Annotated[str, Meta(pattern=r"^[!-z]{1,16}$", description="the box's name")]
    broker: Annotated[str, Meta(description="IPv4 address of the broker")]
    port: Annotated[int, Meta(ge=1, le=65535, description="its TCP port")] = 1883
    broker_name: Annotated[str | None, Meta(description="name in the broker's certificate")] = None
    user: Annotated[str | None, Meta(description="user at the broker; the box's name if missing")] = None
    broker_password: Annotated[str | None, Meta(description="password at the broker")] = None
    broker_password_file: Annotated[str | None, Meta(description="file whose first line is that password")] = None
    ca_file: Annotated[str | None, Meta(description="PEM file of the authority to trust; turns TLS on")] = None
    ssid: Annotated[str | None, Meta(description="name of the Wi-Fi network; missing for a wired network")] = None
    password: Annotated[str | None, Meta(description="password of the Wi-Fi network")] = None


@click.command(epilog=EXAMPLE)
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@port_argument
@click.option("--settings", "settings_file", type=click.Path(path_type=Path, dir_okay=False), help="As for `log`.")
@click.option("--folder", type=click.Path(path_type=Path, file_okay=False, exists=True), help="In place of a port.")
@click.option("--new-key", is_flag=True, help="Give the box a new command key; the old one becomes invalid.")
def command(file: Path, port: str | None, settings_file: Path | None, folder: Path | None, new_key: bool) -> None:
    """Give a board the address and secrets of its broker from FILE. Secrets are never shown or logged."""
    entry = read_toml(file, NetworkFile)
    if why := unfit_name(entry.box):
        raise BadInput(file, "box", why)
    if folder is None:
        port = chosen_port(port)
    elif port is not None:
        raise BadInput("port", port, "is given together with --folder; remove one of them")
    keys = chosen_settings(settings_file, None).keys_path
    before = read_key(keys, entry.box)
    key = before if before and not new_key else secrets.token_bytes(KEY_BYTES)
    content = network_file(file, {**values_of(file, entry), "key": key.hex()})
    if folder is not None:
        write_secret(folder / "network", content.decode("ascii"))
    else:
        assert port is not None
        with Dialogue(port) as board:
            if board.meet(MEET_S) and board.box != entry.box:
                raise BadInput(
                    file, "box", f"is {entry.box}, but the board at {port} is {board.box}; use the right file or port"
                )
        enter_maintenance(port)
        with maintained(port, PROMPT_S) as flash:
            put(flash, content)
    if key != before:
        store_key(keys, entry.box, key)
    click.echo(
        f"Box {entry.box} has its network settings and {'a new' if key != before else 'its earlier'} command key."
    )
    click.echo("Its radio is off until you type: groundbox board settings radio_allowed=1")


def values_of(file: Path, entry: NetworkFile) -> dict[str, str]:
    """The values for link.secret_files.network_file, with the content of the files that FILE names.

    Raises:
        BadInput: a file cannot be read, or others can read this one.
    """
    if os.name == "posix" and file.stat().st_mode & 0o077:
        raise BadInput(file, "", f"other users can read the secrets in it; type: chmod 600 {file}")
    if entry.broker_password is not None and entry.broker_password_file is not None:
        raise BadInput(file, "broker_password", "is given together with broker_password_file; remove one of them")
    names = ("broker", "broker_name", "ssid", "password", "broker_password")
    values = {name: value for name in names if (value := getattr(entry, name)) is not None}
    values |= {"port": str(entry.port), "user": entry.user or entry.box}
    if entry.broker_password_file is not None:
        values["broker_password"] = (
            _text(file, "broker_password_file", entry.broker_password_file).split("\n")[0].strip()
        )
    if entry.ca_file is not None:
        values["ca"] = _text(file, "ca_file", entry.ca_file)
    return values


def put(flash: Flash, content: bytes) -> None:
    """Replaces the board's file `network`, whole or not at all.

    Raises:
        LinkError: the file on the board differs from what was sent; its earlier file is in force.
    """
    flash.write("network.new", content)
    if flash.read("network.new") != content:
        raise LinkError("network.new on the board differs from what was sent; its earlier file is in force; try again")
    flash.rename("network.new", "network")


def _text(file: Path, key: str, name: str) -> str:
    path = file.parent / Path(name).expanduser()
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(file, key, f"{path} cannot be read; check its name and mode") from error

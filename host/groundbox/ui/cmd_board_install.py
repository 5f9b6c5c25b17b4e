"""`groundbox board install` and `groundbox board network`: firmware on trial, and the address and secrets of a broker.

The firmware goes into the free slot and is kept only when it reports."""

import json
import os
import secrets
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Annotated

import click
import msgspec
from msgspec import Meta

import groundbox
from groundbox.errors import BadInput, LinkError
from groundbox.link.broker import unfit_name
from groundbox.link.secret_files import network_file, read_key, store_key, write_secret
from groundbox.maintenance.bytecode import VERSION, bytecode
from groundbox.maintenance.dialogue import Dialogue
from groundbox.maintenance.flash import Flash, FolderFlash, maintained
from groundbox.maintenance.install import Installed, Package, Progress, install
from groundbox.rig import image
from groundbox.toml_file import read_toml
from groundbox.ui.cmd_board import chosen_port, port_argument
from groundbox.ui.options import chosen_settings
from groundbox.wire.auth import KEY_BYTES
from groundbox.wire.messages import checksum

MEET_S = 4.0
PROMPT_S = 30.0
REPORT_S = 60.0
BACK_S = 150.0  # the board itself returns to its earlier slot within 120 s after its start
AGAIN_S = 0.3
EXAMPLE = """
\b
Examples:
  groundbox board install                 the only board that is plugged in
  groundbox board install /dev/ttyACM1
  groundbox board install --folder DIR    into a folder that holds a board's files

On the ground only, with the charger off. While files are copied, the battery is not monitored, the fans run at full
speed, and outputs stay as they are: keep hands away from the blades. The new firmware is kept when it reports within
60 s; otherwise the board returns to the earlier one.
"""


@click.command(epilog=EXAMPLE)
@port_argument
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    help="A folder with a board's files, in place of PORT.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(port: str | None, folder: Path | None, as_json: bool) -> None:
    """Install or update this package's firmware on a board. A board with only MicroPython is enough."""
    if folder is not None:
        if port is not None:
            raise BadInput("port", port, "is given together with --folder; remove one of them")
        _say(install(FolderFlash(folder), _package(None), _progress(as_json)), None, as_json)
        return
    port = chosen_port(port)
    enter_maintenance(port)
    try:
        with maintained(port, PROMPT_S) as flash:
            done = install(flash, _package(flash.bytecode_version()), _progress(as_json))
    except KeyboardInterrupt:
        click.echo("interrupted; the board restarts with its earlier firmware", err=True)
        raise
    _say(done, _kept(port, done), as_json)


def _package(version: int | None) -> Package:
    """The firmware as bytecode where the board takes this package's version, else as source."""
    firmware = image.firmware_folder()
    sources = image.files(firmware)
    files = bytecode(sources, Path(groundbox.__file__).parent) if version == VERSION else None
    return Package(
        files=files or {path: source.read_bytes() for path, source in sources.items()},
        selector=image.selector(firmware).read_bytes(),
    )


def _progress(hidden: bool) -> Progress:
    """Progress on one line of a terminal; nothing into a pipe."""
    if hidden or not sys.stderr.isatty():
        return lambda _: None
    return lambda text: click.echo(f"\r{text:<70}", nl=False, err=True)


def enter_maintenance(port: str) -> None:
    """Restarts a running board into maintenance; a board without an answer may be at its prompt already.

    Raises:
        BadInput: it refuses, in flight.
    """
    with Dialogue(port) as board:
        if not board.meet(MEET_S):
            return
        try:
            answer = board.ask("maintenance")
        except LinkError:
            if board.hello:
                raise
            return  # another registry: its answer may have another form
        if answer["result"] != "ok":
            reason = str(answer["reason"] or "refused").replace("_", " ")
            raise BadInput(port, f"box {board.box}", f"refuses maintenance: {reason}")


def _kept(port: str, done: Installed) -> str:
    """The box's name, once the new firmware has reported and is kept.

    Raises:
        LinkError: it does not report; the message states which firmware runs.
    """
    found = _reports(port, REPORT_S, lambda where: where.startswith(done.slot) or where == done.before)
    if found is None and done.before is not None:
        click.echo(
            f"no report within {REPORT_S:.0f} s; waiting until the board returns to its earlier firmware", err=True
        )
        found = _reports(port, BACK_S, lambda where: where == done.before)
    box, slot = found or ("", "")
    if slot == done.slot:
        return box
    state = f"slot {slot} runs again" if slot else "the board does not answer: unplug it and plug it in again"
    raise LinkError(f"{port}: the new firmware does not report and is not kept; {state}")


def _reports(port: str, wait_s: float, wanted: Callable[[str], bool]) -> tuple[str, str] | None:
    """(box, slot) once a board reports from a wanted slot, which it then keeps; None when not in time."""
    end_s = time.monotonic() + wait_s
    while time.monotonic() < end_s:
        with suppress(BadInput, LinkError), Dialogue(port) as board:  # the port vanishes while the board restarts
            if board.meet(MEET_S) and board.hello.get("registry") == checksum():
                where = str(board.ask("get", setting="slot")["value"])
                if wanted(where):
                    return board.box, str(board.ask("keep")["value"]) if where.endswith(":trial") else where
        time.sleep(AGAIN_S)
    return None


def _say(done: Installed, box: str | None, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps({**msgspec.to_builtins(done), "box": box}))
        return
    click.echo(f"{done.compared} files on the board equal the package's; {done.written} were written.")
    if box is None:
        click.echo(f"Slot {done.slot} is on trial at the next start.")
    else:
        click.echo(f"Box {box} runs slot {done.slot} and keeps it.")
    if done.before is None:
        click.echo("Sensors count only where you say that they are fitted: groundbox board settings lists them.")
        click.echo("A battery sensor is off until you type: groundbox board settings battery_sensor_kind=1 (or 2, 3)")


NETWORK_EXAMPLE = """
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


@click.command(epilog=NETWORK_EXAMPLE)
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@port_argument
@click.option("--settings", "settings_file", type=click.Path(path_type=Path, dir_okay=False), help="As for `log`.")
@click.option("--folder", type=click.Path(path_type=Path, file_okay=False, exists=True), help="In place of a port.")
@click.option("--new-key", is_flag=True, help="Give the box a new command key; the old one becomes invalid.")
def network(file: Path, port: str | None, settings_file: Path | None, folder: Path | None, new_key: bool) -> None:
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

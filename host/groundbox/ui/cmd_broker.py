"""`groundbox broker`: a folder with all that mosquitto needs to admit the boxes and nobody else."""

import ipaddress
import os
import secrets
import shutil
import socket
import subprocess
from contextlib import suppress
from pathlib import Path

import click

from groundbox.errors import BadInput
from groundbox.link import broker_setup as files
from groundbox.link.broker import AUTOMATION, PROGRAM, mosquitto_rights, unfit_name
from groundbox.link.secret_files import stored_passwords, write_secret
from groundbox.ui.options import chosen_settings, settings_options

HERE = "127.0.0.1"
PORT = 8883
DAYS = "3650"
EXAMPLE = """
\b
Examples:
  groundbox broker setup broker --box mast --box table
  groundbox broker setup broker --listen 0.0.0.0 --name table.local

The boxes of groundbox.toml are added without --box.
"""


@click.group()
def command() -> None:
    """A broker for boxes on a network: passwords, rights and certificates for mosquitto."""


@command.command(epilog=EXAMPLE)
@settings_options
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option("--box", "boxes", multiple=True, help="A box that reports to it; repeat for more.")
@click.option("--listen", help="Address to listen on; 0.0.0.0 for every network; 127.0.0.1 if never given.")
@click.option("--port", type=click.IntRange(1, 65535), help="Its TCP port; 8883 if never given.")
@click.option("--name", "names", multiple=True, help="A name or address by which boards reach it; repeat for more.")
def setup(
    settings_file: Path | None,
    database: Path | None,
    folder: Path,
    boxes: tuple[str, ...],
    listen: str | None,
    port: int | None,
    names: tuple[str, ...],
) -> None:
    """Write FOLDER for mosquitto, or add boxes to it, and check it where mosquitto is installed."""
    folder = folder.absolute()
    if " " in str(folder) or "\n" in str(folder):
        raise BadInput(folder, "", "mosquitto reads no path with a space: choose another folder")
    if foreign := files.foreign_file(folder):
        raise BadInput(foreign, "", "exists and no setup wrote it: move it away, or choose another folder")
    wanted = [*chosen_settings(settings_file, database).boxes, *boxes]
    for box in wanted:
        if why := unfit_name(box):
            raise BadInput("--box", box, why)
    broker_names = [*names, *own_names()]
    before = files.listener_in(folder) or files.Listener(address=HERE, port=PORT)
    listener = files.Listener(address=listen or before.address, port=port or before.port)
    sorted_names([listener.address], "--listen")
    hosts, addresses = sorted_names(broker_names, "--name")
    passwords = stored_passwords(folder, [*wanted, PROGRAM, AUTOMATION])
    known = [user for user in passwords if user not in (PROGRAM, AUTOMATION)]
    if not known:
        raise BadInput("--box", "", "no box is known: add one, as --box mast, or write it into groundbox.toml")
    make_certificates(folder, broker_names, replace=bool(names))
    salts = [secrets.token_bytes(12) for _ in passwords]
    write_secret(folder / files.PASSWORDS, files.password_file(passwords, salts))
    write_secret(folder / files.RIGHTS, mosquitto_rights())
    write_secret(folder / files.CONFIGURATION, files.configuration(folder, listener))
    for box in known:
        if not (folder / f"{box}.toml").exists():  # a person may have changed it
            write_secret(folder / f"{box}.toml", files.box_file(box, addresses[0], listener.port, hosts[0]))
        elif listener != before:
            click.echo(f"{folder / box}.toml stays as you wrote it: check that its port is {listener.port}")
    checked = check_with_mosquitto(folder, passwords, known)
    name = names[0] if names else HERE if listener.address == HERE else broker_names[0]
    readme = folder / files.EXPLANATION
    readme.write_text(files.explanation(folder, listener, name, known, checked), encoding="utf-8")
    click.echo(f"{folder}: ready for {', '.join(known)}; read the next steps in {readme}")


@command.command(epilog="Example: groundbox broker check broker")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False, exists=True))
def check(folder: Path) -> None:
    """Check FOLDER with mosquitto: it refuses unknown clients, and a box publishes only as itself."""
    folder = folder.absolute()
    if not (folder / files.CONFIGURATION).is_file():
        raise BadInput(folder, "", "is no broker folder; write one: groundbox broker setup FOLDER")
    passwords = stored_passwords(folder, ())
    if not check_with_mosquitto(folder, passwords, [user for user in passwords if user not in (PROGRAM, AUTOMATION)]):
        raise BadInput("mosquitto", "", "is not installed here, so nothing was checked (Debian: apt install mosquitto)")


def check_with_mosquitto(folder: Path, passwords: dict[str, str], boxes: list[str]) -> list[str]:
    """The checks that passed, each printed as one line; [] where mosquitto is not installed.

    Raises:
        LinkError: a check fails.
    """
    mosquitto = files.find_mosquitto()
    if mosquitto is None:
        click.echo("mosquitto is not installed here: the configuration is written and not checked")
        return []
    box = boxes[0]
    other = boxes[1] if len(boxes) > 1 else PROGRAM
    passed = files.check(mosquitto, folder, passwords, box, other)
    for line in passed:
        click.echo(f"checked: {line}")
    return passed


def own_names() -> list[str]:
    """Names and addresses of this computer by which a board may reach it."""
    own = socket.gethostname()
    names = [f"{own}.local", own] if own.isascii() else []
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("10.255.255.255", 1))  # nothing is sent
        names.append(str(probe.getsockname()[0]))
    return [*names, "localhost", HERE]


def make_certificates(folder: Path, names: list[str], replace: bool) -> None:
    """An authority and a certificate for `names`, unless they exist; `replace` makes the certificate again.

    Raises:
        BadInput: openssl is missing, or the authority's key is needed and stored elsewhere.
    """
    found = [(folder / name).exists() for name in (files.CERTIFICATE, files.KEY)]
    if all(found) and not replace:
        return
    if (folder / files.AUTHORITY).exists() and not (folder / files.AUTHORITY_KEY).exists():
        raise BadInput(folder / files.AUTHORITY_KEY, "", "is missing: bring it back to add names to the broker")
    openssl = shutil.which("openssl")
    if openssl is None:
        raise BadInput("openssl", "", "is not installed; install it (Debian: apt install openssl) to make certificates")
    hosts, addresses = sorted_names(names, "--name")
    settings = folder / "openssl.cnf"
    settings.write_text(files.certificate_settings(hosts, addresses), encoding="utf-8")
    key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    authority = ["-out", files.AUTHORITY, "-keyout", files.AUTHORITY_KEY]
    signed_by = ["-CA", files.AUTHORITY, "-CAkey", files.AUTHORITY_KEY, "-CAcreateserial"]
    use = ["-config", settings.name]
    try:
        if not (folder / files.AUTHORITY_KEY).exists():
            subject = ["-subj", "/CN=groundbox boxes"]
            _openssl(
                folder, openssl, "req", "-x509", "-days", DAYS, *key, *authority, *subject, *use, "-extensions", "ca"
            )
        _openssl(folder, openssl, "req", "-new", *key, "-keyout", files.KEY, "-out", "server.csr", *use)
        request = ["-req", "-in", "server.csr", "-days", DAYS, "-out", files.CERTIFICATE]
        _openssl(folder, openssl, "x509", *request, *signed_by, "-extfile", settings.name, "-extensions", "server")
    finally:
        for left in ("server.csr", "openssl.cnf", "ca.srl"):
            (folder / left).unlink(missing_ok=True)


def sorted_names(names: list[str], option: str) -> tuple[list[str], list[str]]:
    """Host names, and addresses; each once.

    Raises:
        BadInput: one is neither.
    """
    hosts, addresses = [], []
    for name in dict.fromkeys(names):
        try:
            addresses.append(str(ipaddress.ip_address(name)))
        except ValueError:
            if not name or not all(letter.isascii() and (letter.isalnum() or letter in "-.") for letter in name):
                raise BadInput(option, name, "is no host name or address; write one, as table.local") from None
            hosts.append(name)
    return hosts, addresses


def _openssl(folder: Path, openssl: str, *arguments: str) -> None:
    umask = 0o077 if os.name == "posix" else -1
    done = subprocess.run([openssl, *arguments], cwd=folder, capture_output=True, text=True, check=False, umask=umask)
    if done.returncode:
        last = (done.stderr.strip().splitlines() or ["no message"])[-1]
        raise BadInput("openssl", " ".join(arguments[:2]), f"failed: {last}")

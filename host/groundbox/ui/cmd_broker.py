"""`groundbox broker`: a folder with all that mosquitto needs to let boxes in and nobody else."""

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
from groundbox.link import broker_check, broker_files
from groundbox.link.broker_files import Listener
from groundbox.link.passwords import kept_passwords, write_secret
from groundbox.link.rights import AUTOMATION, PROGRAM, mosquitto_rights, unfit_name
from groundbox.ui.options import chosen_settings, settings_options

HERE = "127.0.0.1"
PORT = 8883
DAYS = "3650"
EXAMPLE = """
\b
Examples:
  groundbox broker setup broker --box mast --box table
  groundbox broker setup broker --listen 0.0.0.0 --name table.local

Boxes of groundbox.toml are in it without being named.
"""


@click.group()
def command() -> None:
    """A broker for boxes on a network: passwords, rights and certificates for mosquitto."""


@command.command(epilog=EXAMPLE)
@settings_options
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option("--box", "boxes", multiple=True, help="A box that reports to it; again for more.")
@click.option("--listen", help="Address to listen on; 0.0.0.0 for every network; at first 127.0.0.1.")
@click.option("--port", type=click.IntRange(1, 65535), help="Its TCP port; at first 8883.")
@click.option("--name", "names", multiple=True, help="A name or address that boards call it by; again for more.")
def setup(
    settings_file: Path | None,
    database: Path | None,
    folder: Path,
    boxes: tuple[str, ...],
    listen: str | None,
    port: int | None,
    names: tuple[str, ...],
) -> None:
    """Write FOLDER for mosquitto, or add boxes to it, and try it where mosquitto is installed."""
    folder = folder.absolute()
    if " " in str(folder) or "\n" in str(folder):
        raise BadInput(folder, "", "mosquitto reads no path with a space: choose another folder")
    if strange := broker_files.strange_file(folder):
        raise BadInput(strange, "", "is there, and from no finished setup: move it away, or choose another folder")
    wanted = [*chosen_settings(settings_file, database).boxes, *boxes]
    for box in wanted:
        if why := unfit_name(box):
            raise BadInput("--box", box, why)
    call_it = [*names, *own_names()]
    before = broker_files.listener_in(folder) or Listener(address=HERE, port=PORT)
    listener = Listener(address=listen or before.address, port=port or before.port)
    sorted_names([listener.address], "--listen")
    sorted_names(call_it, "--name")
    passwords = kept_passwords(folder, [*wanted, PROGRAM, AUTOMATION])
    known = [user for user in passwords if user not in (PROGRAM, AUTOMATION)]
    if not known:
        raise BadInput("--box", "", "no box is known: name one, as --box mast, or write it into groundbox.toml")
    make_certificates(folder, call_it, anew=bool(names))
    salts = [secrets.token_bytes(12) for _ in passwords]
    write_secret(folder / broker_files.PASSWORDS, broker_files.password_file(passwords, salts))
    write_secret(folder / broker_files.RIGHTS, mosquitto_rights())
    write_secret(folder / broker_files.CONFIGURATION, broker_files.configuration(folder, listener))
    hosts, addresses = sorted_names(call_it, "--name")
    for box in known:
        if not (folder / f"{box}.toml").exists():  # a person has written into it
            told = broker_files.box_file(box, addresses[0], listener.port, hosts[0])
            write_secret(folder / f"{box}.toml", told)
        elif listener != before:
            click.echo(f"{folder / box}.toml stays as you wrote it: see that its port is {listener.port}")
    checked = try_it(folder, passwords, known)
    name = names[0] if names else HERE if listener.address == HERE else call_it[0]
    explained = broker_files.explanation(folder, listener, name, known, checked)
    (folder / broker_files.EXPLANATION).write_text(explained, encoding="utf-8")
    stands_in = folder / broker_files.EXPLANATION
    click.echo(f"{folder}: ready for {', '.join(known)}; what to do with it stands in {stands_in}")


@command.command(epilog="Example: groundbox broker check broker")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False, exists=True))
def check(folder: Path) -> None:
    """Try FOLDER against mosquitto: strangers are refused, and a box speaks for itself only."""
    folder = folder.absolute()
    if not (folder / broker_files.CONFIGURATION).is_file():
        raise BadInput(folder, "", "was not written by `groundbox broker setup`")
    passwords = kept_passwords(folder, ())
    if not try_it(folder, passwords, [user for user in passwords if user not in (PROGRAM, AUTOMATION)]):
        raise BadInput("mosquitto", "", "is not installed here, so nothing was tried")


def try_it(folder: Path, passwords: dict[str, str], boxes: list[str]) -> list[str]:
    """What held, said line by line; empty where there is no mosquitto."""
    mosquitto = broker_check.find_mosquitto()
    if mosquitto is None:
        click.echo("mosquitto is not installed here, so the configuration is written and not tried")
        return []
    box = boxes[0]
    other = boxes[1] if len(boxes) > 1 else PROGRAM
    held = broker_check.check(mosquitto, folder, passwords, box, other)
    for line in held:
        click.echo(f"tried: {line}")
    return held


def own_names() -> list[str]:
    """Names and addresses of this computer that a board may call it by."""
    own = socket.gethostname()
    names = [f"{own}.local", own] if own.isascii() else []
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("10.255.255.255", 1))  # nothing is sent
        names.append(str(probe.getsockname()[0]))
    return [*names, "localhost", HERE]


def make_certificates(folder: Path, names: list[str], anew: bool) -> None:
    """An authority and a certificate for `names`, unless they are there; the certificate `anew` for other names.

    Raises:
        BadInput: there is no openssl, or the authority's key is kept elsewhere and needed.
    """
    known = [(folder / name).exists() for name in (broker_files.CERTIFICATE, broker_files.KEY)]
    if all(known) and not anew:
        return
    if (folder / broker_files.AUTHORITY).exists() and not (folder / broker_files.AUTHORITY_KEY).exists():
        raise BadInput(folder / broker_files.AUTHORITY_KEY, "", "is not here: bring it back to name the broker anew")
    openssl = shutil.which("openssl")
    if openssl is None:
        raise BadInput("openssl", "", "is not installed; install it (Debian: apt install openssl) to make certificates")
    hosts, addresses = sorted_names(names, "--name")
    settings = folder / "openssl.cnf"
    settings.write_text(broker_files.certificate_settings(hosts, addresses), encoding="utf-8")
    key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    authority = ["-out", broker_files.AUTHORITY, "-keyout", broker_files.AUTHORITY_KEY]
    signed_by = ["-CA", broker_files.AUTHORITY, "-CAkey", broker_files.AUTHORITY_KEY, "-CAcreateserial"]
    use = ["-config", settings.name]
    try:
        if not (folder / broker_files.AUTHORITY_KEY).exists():
            subject = ["-subj", "/CN=groundbox boxes"]
            _openssl(
                folder, openssl, "req", "-x509", "-days", DAYS, *key, *authority, *subject, *use, "-extensions", "ca"
            )
        _openssl(folder, openssl, "req", "-new", *key, "-keyout", broker_files.KEY, "-out", "server.csr", *use)
        request = ["-req", "-in", "server.csr", "-days", DAYS, "-out", broker_files.CERTIFICATE]
        _openssl(folder, openssl, "x509", *request, *signed_by, "-extfile", settings.name, "-extensions", "server")
    finally:
        for left in ("server.csr", "openssl.cnf", "ca.srl"):
            (folder / left).unlink(missing_ok=True)


def sorted_names(names: list[str], option: str) -> tuple[list[str], list[str]]:
    """Host names, and addresses; each once.

    Raises:
        BadInput: neither.
    """
    hosts, addresses = [], []
    for name in dict.fromkeys(names):
        try:
            addresses.append(str(ipaddress.ip_address(name)))
        except ValueError:
            if not name or not all(letter.isascii() and (letter.isalnum() or letter in "-.") for letter in name):
                raise BadInput(option, name, "wants a host name or an address") from None
            hosts.append(name)
    return hosts, addresses


def _openssl(folder: Path, openssl: str, *arguments: str) -> None:
    umask = 0o077 if os.name == "posix" else -1
    done = subprocess.run([openssl, *arguments], cwd=folder, capture_output=True, text=True, check=False, umask=umask)
    if done.returncode:
        last = (done.stderr.strip().splitlines() or ["it says nothing"])[-1]
        raise BadInput("openssl", " ".join(arguments[:2]), f"failed: {last}")

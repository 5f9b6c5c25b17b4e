"""What a folder for mosquitto holds, as text. `groundbox broker setup` writes it."""

import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from groundbox.link.passwords import ENDING, hashed
from groundbox.link.rights import AUTOMATION, COMMAND, OUT, PROGRAM, ROOT

LARGEST_BYTES = 8192
CONFIGURATION, PASSWORDS, RIGHTS = "mosquitto.conf", "passwords", "rights"
AUTHORITY, CERTIFICATE, KEY, AUTHORITY_KEY = "ca.pem", "server.pem", "server.key", "ca.key"
EXPLANATION = "README.md"
WRITTEN = (CONFIGURATION, PASSWORDS, RIGHTS, AUTHORITY, CERTIFICATE, KEY, AUTHORITY_KEY, EXPLANATION)
MARK = "# Written by `groundbox broker setup`"


@dataclass(frozen=True, slots=True, kw_only=True)
class Listener:
    """Where mosquitto listens, and whether it keeps what is on its way over a restart."""

    address: str
    port: int
    keeps: bool = True


def configuration(folder: Path, listener: Listener) -> str:
    """mosquitto.conf for the files in `folder`."""
    keeping = f"persistence true\npersistence_location {folder}/\nautosave_interval 60" if listener.keeps else ""
    return f"""\
{MARK}, which writes it anew when it is called again.
listener {listener.port} {listener.address}
cafile {folder / AUTHORITY}
certfile {folder / CERTIFICATE}
keyfile {folder / KEY}
tls_version tlsv1.2
allow_anonymous false
password_file {folder / PASSWORDS}
acl_file {folder / RIGHTS}
message_size_limit {LARGEST_BYTES}
max_packet_size {2 * LARGEST_BYTES}
max_connections 500
max_inflight_messages 5000
max_queued_messages 100000
max_queued_bytes 104857600
persistent_client_expiration 14d
{keeping}
"""


def strange_file(folder: Path) -> Path | None:
    """A file in `folder` that would be written over although another wrote it; None where there is none."""
    with suppress(OSError, UnicodeDecodeError):
        if (folder / CONFIGURATION).read_text(encoding="utf-8").startswith(MARK):
            return None
    return next((folder / name for name in WRITTEN if (folder / name).exists()), None)


def listener_in(folder: Path) -> Listener | None:
    """The listener of the configuration in `folder`; None where there is none that can be read."""
    try:
        found = re.search(r"^listener (\d+) (\S+)$", (folder / CONFIGURATION).read_text(encoding="utf-8"), re.MULTILINE)
    except (OSError, UnicodeDecodeError):
        return None
    return Listener(address=found[2], port=int(found[1])) if found else None


def password_file(passwords: Mapping[str, str], salts: Iterable[bytes]) -> str:
    """mosquitto's password file."""
    pairs = zip(sorted(passwords.items()), salts, strict=True)
    return "".join(f"{user}:{hashed(password, salt)}\n" for (user, password), salt in pairs)


def certificate_settings(names: Sequence[str], addresses: Sequence[str]) -> str:
    """OpenSSL's settings for the authority (section ca) and the server (section server)."""
    others = [f"DNS:{name}" for name in names] + [f"IP:{address}" for address in addresses]
    return f"""\
[req]
distinguished_name = who
prompt = no
[who]
CN = {(names or addresses)[0][:64]}
[ca]
basicConstraints = critical, CA:TRUE, pathlen:0
keyUsage = critical, keyCertSign, cRLSign
subjectKeyIdentifier = hash
[server]
basicConstraints = critical, CA:FALSE
keyUsage = critical, digitalSignature
extendedKeyUsage = serverAuth
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid
subjectAltName = {", ".join(others)}
"""


def box_file(box: str, address: str, port: int, name: str) -> str:
    """What `groundbox board network` tells the board of `box`, but for the Wi-Fi."""
    return f"""\
# For `groundbox board network {box}.toml`, over the board's cable. Keep it from others (chmod 600).
box = "{box}"
# ssid = "NAME OF THE WI-FI"
# password = "ITS PASSWORD"
broker = "{address}"  # the address of the broker's computer where the boxes are
port = {port}
broker_name = "{name}"
broker_password_file = "{box}{ENDING}"
ca_file = "{AUTHORITY}"
"""


def explanation(folder: Path, listener: Listener, name: str, boxes: Sequence[str], checked: Sequence[str]) -> str:
    """README.md of the folder."""
    each = "\n".join(
        f"* box `{box}`: user `{box}`, client id `groundbox-{box}`; write the Wi-Fi into `{box}.toml`, then\n"
        f"  `groundbox board network {folder / box}.toml` over its cable"
        for box in boxes
    )
    loopback = listener.address in ("127.0.0.1", "::1", "localhost")
    reach = "this computer only; `--listen 0.0.0.0` opens it to your network" if loopback else "the whole network"
    return f"""\
# A broker for the boxes

Written by `groundbox broker setup`. Call it again to add a box: what is here stays, passwords and certificates too.

Start it as yourself, not as root: `mosquitto -c {folder / CONFIGURATION}`. To have the system start
it, let its user own this folder (`chown -R mosquitto: {folder}`) and name the file in an
`include_dir` of the system's mosquitto, or in its service.

It listens on {listener.address} port {listener.port}: {reach}.

## Who gets what

{each}
* this program: user `{PROGRAM}`, password in `{PROGRAM}.password`; in groundbox.toml:

      [[brokers]]
      host = "{name}"
      port = {listener.port}
      username = "{PROGRAM}"
      password_file = "{folder / PROGRAM}.password"
      ca_file = "{folder / AUTHORITY}"
      warnings = true

* your own automations: user `{AUTOMATION}`, password in `{AUTOMATION}.password`; may listen and not speak.
* everybody: `{AUTHORITY}`, the authority to trust. It is no secret.

## What holds

* A box speaks under `{ROOT}/<its name>/...`, hears `{ROOT}/<its name>/{COMMAND}`, and nothing else.
* The program hears all, and says commands and `{OUT}/...`.
* Nobody comes in without a password, and nothing is said without TLS.
* A message is at most {LARGEST_BYTES} bytes.

{_checks(checked)}
## What to guard

* `{AUTHORITY_KEY}` makes certificates that every box believes. It is needed only to add names: keep it elsewhere.
* `*.password`, `{KEY}`: only you can read them. Boxes get theirs over a cable, not over the network.
* A box that is lost: delete its `.password` here, call `groundbox broker setup` again, and restart mosquitto.
* The certificate ends after 10 years; a board without a clock does not see that, a program does.
"""


def _checks(checked: Sequence[str]) -> str:
    if not checked:
        return "## Not checked\n\nThere was no mosquitto to try it with: call `groundbox broker check` where it runs.\n"
    return "## Checked against mosquitto when this was written\n\n" + "".join(f"* {line}\n" for line in checked)

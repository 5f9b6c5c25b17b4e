"""A folder of files for mosquitto, as text, and a check of that folder with mosquitto itself on a free port.

`groundbox broker setup` writes the folder.
"""

import getpass
import os
import re
import shutil
import socket
import ssl
import subprocess
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from groundbox.errors import LinkError
from groundbox.link.broker import AUTOMATION, COMMAND, OUT, PROGRAM, ROOT
from groundbox.link.secret_files import ENDING, hashed

HERE = "127.0.0.1"
TIME_BUDGET_S = 10.0
MAX_BYTES = 8192
CONFIGURATION, PASSWORDS, RIGHTS = "mosquitto.conf", "passwords", "rights"
AUTHORITY, CERTIFICATE, KEY, AUTHORITY_KEY = "ca.pem", "server.pem", "server.key", "ca.key"
EXPLANATION = "README.md"
WRITTEN = (CONFIGURATION, PASSWORDS, RIGHTS, AUTHORITY, CERTIFICATE, KEY, AUTHORITY_KEY, EXPLANATION)
MARK = "# Written by `groundbox broker setup`"


@dataclass(frozen=True, slots=True, kw_only=True)
class Listener:
    """Where mosquitto listens, and whether it keeps messages over a restart."""

    address: str
    port: int
    persistent: bool = True


def configuration(folder: Path, listener: Listener) -> str:
    """mosquitto.conf for the files in `folder`."""
    persistence = (
        f"persistence true\npersistence_location {folder}/\nautosave_interval 60" if listener.persistent else ""
    )
    return f"""\
{MARK}, which writes it again at each call.
listener {listener.port} {listener.address}
cafile {folder / AUTHORITY}
certfile {folder / CERTIFICATE}
keyfile {folder / KEY}
tls_version tlsv1.2
allow_anonymous false
password_file {folder / PASSWORDS}
acl_file {folder / RIGHTS}
message_size_limit {MAX_BYTES}
max_packet_size {2 * MAX_BYTES}
max_connections 500
max_inflight_messages 5000
max_queued_messages 100000
max_queued_bytes 104857600
persistent_client_expiration 14d
{persistence}
"""


def foreign_file(folder: Path) -> Path | None:
    """A file in `folder` that setup would replace but did not write; None where there is none."""
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
    """The input of `groundbox board network` for the board of `box`; a person adds the Wi-Fi."""
    return f"""\
# For `groundbox board network {box}.toml`, over the board's cable. Only you may read it (chmod 600).
box = "{box}"
# ssid = "<your network's name>"
# password = "<your network's passphrase>"
broker = "{address}"  # address of the broker's computer in the network of the boxes
port = {port}
broker_name = "{name}"
broker_password_file = "{box}{ENDING}"
ca_file = "{AUTHORITY}"
"""


def explanation(folder: Path, listener: Listener, name: str, boxes: Sequence[str], checked: Sequence[str]) -> str:
    """README.md of the folder."""
    each = "\n".join(
        f"* box `{box}`: user `{box}`, client id `groundbox-{box}`; write the Wi-Fi into `{box}.toml`, then type\n"
        f"  `groundbox board network {folder / box}.toml` with its cable plugged in"
        for box in boxes
    )
    loopback = listener.address in ("127.0.0.1", "::1", "localhost")
    reach = "this computer only; `--listen 0.0.0.0` opens it to your network" if loopback else "the whole network"
    return f"""\
# A broker for the boxes

Written by `groundbox broker setup`. Call it again to add a box; passwords and certificates stay as they are.

Start it as yourself, not as root: `mosquitto -c {folder / CONFIGURATION}`. To let the system start
it, make its user the owner of this folder (`chown -R mosquitto: {folder}`) and name the file in an
`include_dir` of the system's mosquitto, or in its service.

It listens on {listener.address} port {listener.port}: {reach}.

## Users

{each}
* this program: user `{PROGRAM}`, password in `{PROGRAM}.password`; in groundbox.toml:

      [[brokers]]
      host = "{name}"
      port = {listener.port}
      username = "{PROGRAM}"
      password_file = "{folder / PROGRAM}.password"
      ca_file = "{folder / AUTHORITY}"
      warnings = true

* your own automations: user `{AUTOMATION}`, password in `{AUTOMATION}.password`; they may subscribe and not publish.
* everybody: `{AUTHORITY}`, the authority to trust. It is no secret.

## Rights

* A box publishes under `{ROOT}/<its name>/...`, subscribes to `{ROOT}/<its name>/{COMMAND}`, and nothing else.
* The program subscribes to everything, and publishes commands and `{OUT}/...`.
* Nobody connects without a password or without TLS.
* A message is at most {MAX_BYTES} bytes.

{_checks(checked)}
## What to protect

* `{AUTHORITY_KEY}` makes certificates that every box trusts. It is needed only to add names: store it elsewhere.
* `*.password`, `{KEY}`: only you can read them. A box gets its password over a cable, not over the network.
* After the loss of a box: delete its `.password` here, call `groundbox broker setup` again, and restart mosquitto.
* The certificate is valid for 10 years; a program checks that, a board without a clock does not.
"""


def _checks(checked: Sequence[str]) -> str:
    if not checked:
        return "## Not checked\n\nmosquitto was not installed here. Where it runs, type `groundbox broker check`.\n"
    return "## Checked with mosquitto when this was written\n\n" + "".join(f"* {line}\n" for line in checked)


def find_mosquitto() -> str | None:
    """mosquitto's path; None where it is not installed."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/opt/homebrew/sbin")


def check(mosquitto: str, folder: Path, passwords: dict[str, str], box: str, other: str) -> list[str]:
    """What was checked and is true, one line each.

    Raises:
        LinkError: a check fails, or mosquitto does not start.
    """
    with _running(mosquitto, folder) as port:
        trial = _BrokerTrial(folder, port, passwords)
        found = [
            ("a client without a password is refused", trial.refused(None, None)),
            ("a client with a wrong password is refused", trial.refused(box, "wrong")),
            ("a client without TLS is refused", trial.refused(box, passwords[box], tls=False)),
            (f"box {box} can publish under its own name", trial.heard(box, f"{ROOT}/{box}/reading")),
            (f"box {box} cannot publish as box {other}", not trial.heard(box, f"{ROOT}/{other}/reading")),
            (f"box {box} gets its commands", trial.heard(PROGRAM, f"{ROOT}/{box}/{COMMAND}", box)),
            (
                f"box {box} does not get the commands of box {other}",
                not trial.heard(other, f"{ROOT}/{other}/{COMMAND}", box),
            ),
            ("the program cannot publish as a box", not trial.heard(PROGRAM, f"{ROOT}/{box}/reading")),
            ("an automation cannot command a box", not trial.heard(AUTOMATION, f"{ROOT}/{box}/{COMMAND}", box)),
            (
                f"a message over {MAX_BYTES} bytes is not delivered",
                not trial.heard(box, f"{ROOT}/{box}/reading", size=MAX_BYTES + 1),
            ),
        ]
    for sentence, true in found:
        if not true:
            raise LinkError(
                f"{folder}: checked with mosquitto, and this is not true: {sentence}; do not use this folder"
            )
    return [sentence for sentence, _ in found]


@contextmanager
def _running(mosquitto: str, folder: Path) -> Iterator[int]:
    with socket.socket() as free:
        free.bind((HERE, 0))
        port = int(free.getsockname()[1])
    with TemporaryDirectory() as own:
        file = Path(own, "mosquitto.conf")
        trial = configuration(folder, Listener(address=HERE, port=port, persistent=False))
        if os.name == "posix":  # started by root it becomes another user, who may not read the folder
            trial += f"user {getpass.getuser()}\n"
        file.write_text(trial, encoding="utf-8")
        process = subprocess.Popen([mosquitto, "-c", str(file)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        try:
            _wait(lambda: process.poll() is not None or _answers(port))
            if process.poll() is not None:
                said = process.stdout.read().decode(errors="replace").strip().splitlines() if process.stdout else []
                raise LinkError(f"mosquitto does not start with {folder}: {said[-1] if said else 'no message'}")
            yield port
        finally:
            process.terminate()
            process.communicate()


class _BrokerTrial:
    def __init__(self, folder: Path, port: int, passwords: dict[str, str]) -> None:
        self._folder, self._port, self._passwords = folder, port, passwords
        self._count = 0

    def refused(self, user: str | None, password: str | None, tls: bool = True) -> bool:
        """True when the broker refuses this client."""
        with suppress(OSError, LinkError), self._client(user, password, tls):
            return False
        return True

    def heard(self, speaker: str, topic: str, listener: str = PROGRAM, size: int = 0) -> bool:
        """True when `listener` gets what `speaker` publishes on `topic`."""
        self._count += 1
        word, end = b"%d " % self._count + b"x" * size, b"end %d" % self._count
        got: list[bytes] = []
        passwords = self._passwords
        with (
            self._client(speaker, passwords[speaker]) as publisher,
            self._client(listener, passwords[listener]) as subscriber,
            self._client(PROGRAM, passwords[PROGRAM]) as ending,
        ):
            subscriber.on_message = lambda client, data, message: got.append(bytes(message.payload))
            subscribed: list[int] = []
            subscriber.on_subscribe = lambda client, data, mid, reasons, more: subscribed.append(mid)
            last = f"{ROOT}/{topic.split('/')[1] if listener == PROGRAM else listener}/{COMMAND}"
            subscriber.subscribe([(topic, 1), (last, 1)])
            _wait(lambda: bool(subscribed))
            with suppress(RuntimeError, ValueError):
                publisher.publish(topic, word, qos=1).wait_for_publish(1.0)
            ending.publish(last, end, qos=1)
            _wait(lambda: end in got)
        return word in got

    @contextmanager
    def _client(self, user: str | None, password: str | None, tls: bool = True) -> Iterator[paho.Client]:
        self._count += 1
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"{user}:trial{self._count}")
        if user is not None:
            client.username_pw_set(user, password)
        if tls:
            client.tls_set(ca_certs=str(self._folder / AUTHORITY), tls_version=ssl.PROTOCOL_TLS_CLIENT)
        answers: list[bool] = []
        client.on_connect = lambda client, data, flags, reason, more: answers.append(not reason.is_failure)
        client.on_disconnect = lambda *_: answers.append(False)
        client.connect(HERE, self._port)
        client.loop_start()
        try:
            _wait(lambda: bool(answers))
            if not answers[0]:
                raise LinkError(f"{self._folder}: checked with mosquitto, and it refuses {user}")
            yield client
        finally:
            client.disconnect()
            client.loop_stop()


def _answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex((HERE, port)) == 0


def _wait(enough: Callable[[], bool]) -> None:
    end_s = time.monotonic() + TIME_BUDGET_S
    while not enough():
        if time.monotonic() > end_s:
            raise TimeoutError
        time.sleep(0.01)

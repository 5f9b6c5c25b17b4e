"""Tries a configuration against mosquitto itself, on a free port of this computer: does it keep strangers out?"""

import getpass
import os
import shutil
import socket
import ssl
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from groundbox.errors import LinkError
from groundbox.link.broker_files import AUTHORITY, LARGEST_BYTES, Listener, configuration
from groundbox.link.rights import AUTOMATION, COMMAND, PROGRAM, ROOT

HERE = "127.0.0.1"
PATIENCE_S = 10.0


def find_mosquitto() -> str | None:
    """mosquitto's path; None where it is not installed."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/opt/homebrew/sbin")


def check(mosquitto: str, folder: Path, passwords: dict[str, str], box: str, other: str) -> list[str]:
    """What was tried and held, one line each.

    Raises:
        LinkError: something did not hold, or mosquitto does not start.
    """
    with _running(mosquitto, folder) as port:
        trial = _Trial(folder, port, passwords)
        found = [
            ("who has no password is refused", trial.refused(None, None)),
            ("who has a wrong password is refused", trial.refused(box, "wrong")),
            ("who speaks without TLS is refused", trial.refused(box, passwords[box], tls=False)),
            (f"box {box} is heard under its own name", trial.heard(box, f"{ROOT}/{box}/reading")),
            (f"box {box} is not heard as box {other}", not trial.heard(box, f"{ROOT}/{other}/reading")),
            (f"box {box} hears what is said to it", trial.heard(PROGRAM, f"{ROOT}/{box}/{COMMAND}", box)),
            (f"box {box} does not hear box {other}", not trial.heard(other, f"{ROOT}/{other}/{COMMAND}", box)),
            ("the program cannot speak for a box", not trial.heard(PROGRAM, f"{ROOT}/{box}/reading")),
            ("an automation cannot command a box", not trial.heard(AUTOMATION, f"{ROOT}/{box}/{COMMAND}", box)),
            (
                f"a message over {LARGEST_BYTES} bytes is not passed on",
                not trial.heard(box, f"{ROOT}/{box}/reading", size=LARGEST_BYTES + 1),
            ),
        ]
    for sentence, held in found:
        if not held:
            raise LinkError(f"{folder}: tried against mosquitto, and it does not hold that {sentence}; do not use it")
    return [sentence for sentence, _ in found]


@contextmanager
def _running(mosquitto: str, folder: Path) -> Iterator[int]:
    with socket.socket() as free:
        free.bind((HERE, 0))
        port = int(free.getsockname()[1])
    with TemporaryDirectory() as own:
        file = Path(own, "mosquitto.conf")
        trial = configuration(folder, Listener(address=HERE, port=port, keeps=False))
        if os.name == "posix":  # started by root it would become another user, who may not read the folder
            trial += f"user {getpass.getuser()}\n"
        file.write_text(trial, encoding="utf-8")
        process = subprocess.Popen([mosquitto, "-c", str(file)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        try:
            _wait(lambda: process.poll() is not None or _answers(port))
            if process.poll() is not None:
                said = process.stdout.read().decode(errors="replace").strip().splitlines() if process.stdout else []
                raise LinkError(f"mosquitto does not start with {folder}: {said[-1] if said else 'it says nothing'}")
            yield port
        finally:
            process.terminate()
            process.communicate()


class _Trial:
    def __init__(self, folder: Path, port: int, passwords: dict[str, str]) -> None:
        self._folder, self._port, self._passwords = folder, port, passwords
        self._count = 0

    def refused(self, user: str | None, password: str | None, tls: bool = True) -> bool:
        """True when the broker does not let this one in."""
        with suppress(OSError, LinkError), self._client(user, password, tls):
            return False
        return True

    def heard(self, speaker: str, topic: str, listener: str = PROGRAM, size: int = 0) -> bool:
        """True when `listener` hears what `speaker` says on `topic`."""
        self._count += 1
        word, end = b"%d " % self._count + b"x" * size, b"end %d" % self._count
        got: list[bytes] = []
        told = self._passwords
        with (
            self._client(speaker, told[speaker]) as speaking,
            self._client(listener, told[listener]) as hearing,
            self._client(PROGRAM, told[PROGRAM]) as ending,
        ):
            hearing.on_message = lambda client, data, message: got.append(bytes(message.payload))
            subscribed: list[int] = []
            hearing.on_subscribe = lambda client, data, mid, reasons, more: subscribed.append(mid)
            last = f"{ROOT}/{topic.split('/')[1] if listener == PROGRAM else listener}/{COMMAND}"
            hearing.subscribe([(topic, 1), (last, 1)])
            _wait(lambda: bool(subscribed))
            with suppress(RuntimeError, ValueError):
                speaking.publish(topic, word, qos=1).wait_for_publish(1.0)
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
        client.on_disconnect = lambda *told: answers.append(False)
        client.connect(HERE, self._port)
        client.loop_start()
        try:
            _wait(lambda: bool(answers))
            if not answers[0]:
                raise LinkError(f"{self._folder}: tried against mosquitto, and it does not let {user} in")
            yield client
        finally:
            client.disconnect()
            client.loop_stop()


def _answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex((HERE, port)) == 0


def _wait(enough: Callable[[], bool]) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while not enough():
        if time.monotonic() > end_s:
            raise TimeoutError
        time.sleep(0.01)

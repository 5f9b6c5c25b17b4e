"""A broker, a host and boards for campaigns of hostile input: what is sent is known, what is stored can be counted."""

import os
import resource
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from tests.field.ports import free_port

from groundbox.link.broker import Broker
from groundbox.link.clock import Clocks
from groundbox.link.mqtt import MqttSource
from groundbox.link.source import Arrivals
from groundbox.model import LinkCount, Reading
from groundbox.store import Reader, Store
from groundbox.wire import json_form
from groundbox.wire.messages import fields_of

MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
CLOCKS = Clocks(wall_s=time.time, monotonic_s=time.monotonic)
CONFIGURATION = """\
listener {port} 127.0.0.1
allow_anonymous true
max_inflight_messages 2000
max_queued_messages 100000
"""
Key = tuple[str, int, int, int | None]  # box, boot, sequence, millivolts


def until(enough: Callable[[], object], wait_s: float = 30.0) -> None:
    """Waits; fails when it takes too long."""
    end_s = time.monotonic() + wait_s
    while not enough():
        assert time.monotonic() < end_s, "took too long"
        time.sleep(0.02)


@contextmanager
def mosquitto(folder: Path) -> Iterator[Broker]:
    """A broker that lets everybody in, so that the host alone must stand."""
    if MOSQUITTO is None:
        pytest.skip("no mosquitto on this machine")
    port = free_port()
    file = folder / "mosquitto.conf"
    file.write_text(CONFIGURATION.format(port=port))
    process = subprocess.Popen([MOSQUITTO, "-c", str(file)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until(lambda: _answers(port))
        yield Broker(host="127.0.0.1", port=port)
    finally:
        process.terminate()
        process.wait()


def _answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


@dataclass
class Host:
    """What `groundbox log` does with what comes, without the rest."""

    database: Path
    arrivals: Arrivals
    source: MqttSource
    corrupt: int = 0
    taken: int = 0
    slow_s: float = 0.0
    ending: bool = False

    def run(self) -> None:
        with Store(self.database) as store:
            self.source.start()
            while not self.ending:
                time.sleep(self.slow_s)
                self.turn(store)
            self.source.stop()
            while self.turn(store):
                pass

    def turn(self, store: Store) -> int:
        items = self.arrivals.take(wait_s=0.05)
        store.add(items)
        done = store.commit()
        self.arrivals.committed()
        self.source.acknowledge_stored(done.stored)
        self.taken += sum(isinstance(item, Reading) for item in items)
        self.corrupt += sum(item.corrupt_lines or 0 for item in items if isinstance(item, LinkCount))
        return len(items)

    @property
    def refused(self) -> int:
        """Messages that were not of our form."""
        return self.corrupt + self.source._counter.corrupt


@contextmanager
def host(database: Path, broker: Broker, clocks: Clocks = CLOCKS, most: int = 10_000) -> Iterator[Host]:
    """A host that listens at the broker, until the end of the `with`."""
    arrivals = Arrivals(most)
    found = Host(database, arrivals, MqttSource(arrivals, clocks, broker))
    thread = threading.Thread(target=found.run)
    thread.start()
    try:
        until(lambda: found.source._connected)
        time.sleep(0.2)  # the subscription
        yield found
    finally:
        found.ending = True
        thread.join()


@contextmanager
def speaker(broker: Broker, name: str) -> Iterator[paho.Client]:
    """A client at the broker."""
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name)
    client.max_inflight_messages_set(1000)
    if broker.username is not None:
        client.username_pw_set(broker.username, broker.password)
    client.connect(broker.host, broker.port)
    client.loop_start()
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def reading(box: str, boot: int, sequence: int, **given: object) -> list[object]:
    """Values of a reading, a voltage among them that belongs to this very record."""
    values: dict[str, object] = {name: None for name, *_ in fields_of("reading")}
    values.update(box=box, boot=boot, sequence=sequence, uptime_ms=1000 * sequence, battery_mv=millivolts(sequence))
    values.update(given)
    return list(values.values())


def millivolts(sequence: int) -> int:
    """10000 to 14095."""
    return 10_000 + (sequence * 2654435761 >> 7) % 4096


def said(values: list[object]) -> bytes:
    """As a board says it."""
    return json_form.encode("reading", values).encode()  # type: ignore[arg-type]


def good(client: paho.Client, box: str, boot: int, sequences: range, sent: set[Key]) -> None:
    """Says these readings of `box`, and notes them as sent."""
    for sequence in sequences:
        client.publish(f"groundbox/{box}/reading", said(reading(box, boot, sequence)), qos=1)
        sent.add((box, boot, sequence, millivolts(sequence)))


@dataclass(frozen=True)
class Count:
    """How a campaign ended."""

    sent: int
    once: int
    lost: int
    invented: int

    @property
    def whole(self) -> bool:
        """True when all is stored once, and nothing else."""
        return (self.once, self.lost, self.invented) == (self.sent, 0, 0)


def count(database: Path, sent: set[Key]) -> Count:
    """Compares the store with what was sent, value by value."""
    with Reader(database) as reader:
        rows = [row for box in reader.boxes() for row in reader.readings(box)]
    stored = Counter(
        (row.box, row.boot, row.sequence, None if row.battery_volts is None else round(1000 * row.battery_volts))
        for row in rows
    )
    once = sum(1 for key, times in stored.items() if times == 1 and key in sent)
    invented = sum(times for key, times in stored.items() if key not in sent) + sum(
        times - 1 for key, times in stored.items() if key in sent
    )
    return Count(len(sent), once, len(sent - set(stored)), invented)


# Says what it can without a password; thrown out, it comes again. Prints how many messages that was.
_FLOOD = """
import signal, socket, struct, sys, time
port, per_s = int(sys.argv[1]), int(sys.argv[2])
topic, payload = b"groundbox/bog/reading", b'{"box": "bog", "sequence": 1}'
packet = bytes([0x30, 2 + len(topic) + len(payload)]) + struct.pack(">H", len(topic)) + topic + payload
signal.signal(signal.SIGTERM, lambda *signals: sys.exit(print(sent, flush=True)))
began_s, sent = time.monotonic(), 0
while True:
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=1) as line:
            line.sendall(b"\\x10\\x14\\0\\4MQTT\\4\\2\\0\\0\\0\\x08stranger")
            while True:
                due = min(max(int((time.monotonic() - began_s) * per_s) - sent, 0), 1000)
                line.sendall(packet * due)
                sent += due
                time.sleep(0.005)
    except OSError:
        pass
"""


@dataclass(frozen=True)
class Flood:
    """What a stranger said meanwhile, growth of this program in kB, and the longest wait of a reading."""

    sent: set[Key]
    strange: int
    per_s: float
    grown_kb: int
    wait_s: float


def flooded(broker: Broker, found: Host, mast: paho.Client, seconds: float, per_s: int = 10_000) -> Flood:
    """Readings of box mast one by one, each waited for, while a stranger sends so many messages a second."""
    flood = [sys.executable, "-c", _FLOOD, str(broker.port), str(per_s)]
    process = subprocess.Popen(flood, stdout=subprocess.PIPE, text=True)
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    sent, waits = set[Key](), [0.0]
    began_s, sequence = time.monotonic(), 0
    while time.monotonic() - began_s < seconds:
        sequence += 1
        good(mast, "mast", 3, range(sequence, sequence + 1), sent)
        asked_s = time.monotonic()
        until(lambda: found.taken >= sequence, 120)  # noqa: B023
        waits.append(time.monotonic() - asked_s)
        time.sleep(0.05)
    lasted_s = time.monotonic() - began_s
    process.terminate()
    strange = int(process.communicate()[0])
    grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb
    return Flood(sent, strange, strange / lasted_s, grown_kb, max(waits))

"""A stranger floods the broker inside `groundbox log`: he is refused, and what boxes measure still gets through."""

import resource
import socket
import subprocess
import sys
import time
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from tests.benchmarks import faults
from tests.field.hostile import Count, Key, count, host, millivolts, reading, said, until

from groundbox.link.embedded import EmbeddedBroker
from groundbox.link.mqtt import Broker
from groundbox.link.rights import PROGRAM

PASSWORDS = {PROGRAM: "still water", "mast": "quiet heron"}
# Connects without a password and says what it can before it is thrown out, again and again; prints how much that was.
FLOOD = """
import signal, socket, struct, sys, time
port, per_s = int(sys.argv[1]), int(sys.argv[2])
topic = b"groundbox/mast/reading"
payload = b'{"box": "mast", "boot": 3}'
packet = bytes([0x30, 2 + len(topic) + len(payload)]) + struct.pack(">H", len(topic)) + topic + payload
signal.signal(signal.SIGTERM, lambda *told: sys.exit(print(sent, flush=True)))
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


def _free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def _flooded(folder: Path, seconds: float, per_s: int = 10_000) -> tuple[Count, int, int, float]:
    """Count, messages of the stranger, growth of this program in kB, longest wait of a reading."""
    pytest.importorskip("amqtt", reason="no broker inside: pip install groundbox[broker]")
    port, sent, waits = _free_port(), set[Key](), [0.0]
    way_in = Broker(host="127.0.0.1", port=port, username=PROGRAM, password=PASSWORDS[PROGRAM])
    mast = paho.Client(CallbackAPIVersion.VERSION2, client_id="groundbox-mast")
    mast.username_pw_set("mast", PASSWORDS["mast"])
    with EmbeddedBroker(PASSWORDS, "127.0.0.1", port), host(folder / "day.db", way_in) as found:
        mast.connect("127.0.0.1", port)
        mast.loop_start()
        until(mast.is_connected)
        flood = [sys.executable, "-c", FLOOD, str(port), str(per_s)]
        process = subprocess.Popen(flood, stdout=subprocess.PIPE, text=True)
        before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        began_s, sequence = time.monotonic(), 0
        while time.monotonic() - began_s < seconds:
            sequence += 1
            sent.add(("mast", 3, sequence, millivolts(sequence)))
            mast.publish("groundbox/mast/reading", said(reading("mast", 3, sequence)), qos=1)
            asked_s = time.monotonic()
            until(lambda: found.taken >= sequence, 120)  # noqa: B023
            waits.append(time.monotonic() - asked_s)
            time.sleep(0.05)
        process.terminate()
        strange = int(process.communicate()[0])
        grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb
        mast.disconnect()
        mast.loop_stop()
    return count(folder / "day.db", sent), strange, grown_kb, max(waits)


def _whole(found: Count) -> bool:
    return (found.once, found.lost, found.invented) == (found.sent, 0, 0)


def test_a_stranger_at_the_broker_inside_displaces_nothing(tmp_path: Path) -> None:
    found, strange, grown_kb, _ = _flooded(tmp_path, 3.0)
    assert strange > 1000
    assert found.sent >= 2, "readings get through"
    assert _whole(found)
    assert grown_kb < 100_000


@pytest.mark.endurance
def test_a_stranger_at_the_broker_inside_in_full(tmp_path: Path) -> None:
    found, strange, grown_kb, wait_s = _flooded(tmp_path, 30.0)
    told = (
        f"{strange} of the stranger's, thrown out each time; memory +{grown_kb // 1024} MB; longest wait {wait_s:.1f} s"
    )
    counts = (found.sent, found.once, found.lost, found.invented)
    faults.keep(faults.HOSTILE, [("the same at the broker inside this program, 30 s", *counts, told)])
    assert _whole(found)

"""The real firmware reports through a real broker to `groundbox log`: after any fault, each record is stored once."""

import os
import shutil
import signal
import socket
import subprocess
import time

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from tests.field.breakable import MOSQUITTO, SPEED, Field, wait, whole

from groundbox.rig.process import interpreter_path
from groundbox.wire import auth, line

pytestmark = [
    pytest.mark.skipif(os.name == "nt", reason="simulated boards need pseudo-terminals"),
    pytest.mark.skipif(MOSQUITTO is None, reason="no mosquitto on this machine"),
    pytest.mark.skipif(interpreter_path() is None, reason="no micropython command here"),
]


def test_after_any_fault_every_record_is_stored_once(field: Field) -> None:
    field.start_broker()
    field.start_host()
    field.start_board()
    wait(lambda: whole(field) > 10, "nothing is stored")
    field.kill(field.broker)
    time.sleep(2)
    field.start_broker()
    wait(lambda: whole(field) > 25, "after the broker was killed")
    field.broker.send_signal(signal.SIGSTOP)  # half open: the connection exists, the other end does not answer
    time.sleep(25 / SPEED)
    field.broker.send_signal(signal.SIGCONT)
    wait(lambda: whole(field) > 60, "after the broker hung")
    field.kill(field.host)
    time.sleep(2)
    field.start_host()
    wait(lambda: whole(field) > 80, "after the host was killed")
    assert field.board.starts == 1


def test_on_a_cable_and_a_radio_together_each_record_is_stored_once(field: Field) -> None:
    field.start_broker()
    field.start_board()
    field.start_host(field.board.port)
    wait(lambda: whole(field) > 5, "nothing is stored")
    field.board.plug(False)
    before = whole(field)
    wait(lambda: whole(field) > before + 3, "the radio alone")
    field.board.plug(True)
    field.kill(field.broker)
    wait(lambda: whole(field) > before + 8, "the cable alone")


def test_records_lost_from_memory_in_a_power_cut_come_from_flash(field: Field) -> None:
    field.start_broker()
    field.start_board()
    time.sleep(32 / SPEED)
    field.board.power(False)
    time.sleep(0.5)
    field.board.power(True)
    field.start_host()
    wait(lambda: len(field.summaries()) >= 3, "no summaries")
    first = field.summaries()
    assert [row[2] for row in first[:3]] == [10_000, 20_000, 30_000]
    assert all(11_000 < row[3] < 14_500 for row in first)
    wait(lambda: whole(field) > 5, "the new start is recorded too")
    count = len(first)
    field.kill(field.host)
    field.start_host()
    time.sleep(20 / SPEED)
    assert len(field.summaries()) == count, "stored summaries are not sent again"


def test_in_flight_the_radio_is_silent(field: Field) -> None:
    field.start_broker()
    heard: list[tuple[float, str, bytes]] = []
    ear = paho.Client(CallbackAPIVersion.VERSION2)
    ear.on_connect = lambda *_: ear.subscribe("groundbox/#", qos=1)
    ear.on_message = lambda _c, _d, message: heard.append((time.monotonic(), message.topic, message.payload))
    wait(lambda: _open(field.port))
    ear.connect("127.0.0.1", field.port)
    ear.loop_start()
    field.start_board()
    wait(lambda: any(topic.endswith("/reading") for _, topic, _ in heard), "no reading")
    launch = auth.seal(field.key, "mast", 1, line.encode("mark", ["mast", 1, "launch"]))
    ear.publish("groundbox/mast/command", launch)
    wait(lambda: heard[-1][1:] == ("groundbox/mast/presence", b'{"box": "mast", "present": false}'), "no last message")
    count = len(heard)
    ear.publish("groundbox/mast/command", auth.seal(field.key, "mast", 2, line.encode("silence", ["mast", 2])))
    time.sleep(10 / SPEED)
    assert [topic for _, topic, _ in heard[count:] if not topic.endswith("command")] == []
    ear.loop_stop()


def _open(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def test_by_tls_and_password(field: Field) -> None:
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("no openssl on this machine")
    names = ["-subj", "/CN=bog broker", "-addext", "subjectAltName=DNS:broker.bog"]
    make = [
        openssl,
        "req",
        "-x509",
        "-newkey",
        "ec",
        "-pkeyopt",
        "ec_paramgen_curve:prime256v1",
        "-nodes",
        "-days",
        "3",
    ]
    subprocess.run(
        [*make, "-keyout", "k.pem", "-out", "c.pem", *names], cwd=field.folder, check=True, capture_output=True
    )
    passwd = shutil.which("mosquitto_passwd", path=f"{os.environ.get('PATH', '')}:/usr/bin")
    if passwd is None:
        pytest.skip("no mosquitto_passwd on this machine")
    subprocess.run([passwd, "-c", "-b", "users", "mast", "quiet heron"], cwd=field.folder, check=True)
    (field.folder / "broker.conf").write_text(
        f"listener {field.port} 127.0.0.1\nallow_anonymous false\npassword_file users\ncertfile c.pem\nkeyfile k.pem\n"
        "tls_version tlsv1.2\nuser root\n"
    )
    field.start_broker()
    ca = (field.folder / "c.pem").read_text()
    heard: list[str] = []
    ear = paho.Client(CallbackAPIVersion.VERSION2)
    ear.username_pw_set("mast", "quiet heron")
    ear.tls_set(ca_certs=str(field.folder / "c.pem"))
    ear.tls_insecure_set(True)
    ear.on_connect = lambda *_: ear.subscribe("groundbox/#", qos=1)
    ear.on_message = lambda _c, _d, message: heard.append(message.topic)
    wait(lambda: _open(field.port))
    ear.connect("127.0.0.1", field.port)
    ear.loop_start()
    field.start_board(ca=ca, broker_name="another.bog", broker_password="quiet heron")
    time.sleep(6 / SPEED)
    assert heard == [], "the broker's certificate is another's"
    field.board.stop()
    field.start_board(ca=ca, broker_name="broker.bog", broker_password="loud heron")
    time.sleep(6 / SPEED)
    assert heard == [], "the password is wrong"
    field.board.stop()
    field.start_board(ca=ca, broker_name="broker.bog", broker_password="quiet heron")
    wait(lambda: "groundbox/mast/reading" in heard, "nothing comes")
    ear.loop_stop()

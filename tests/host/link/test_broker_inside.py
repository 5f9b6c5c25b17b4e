"""The embedded broker: who may connect, publish and subscribe, and that an unknown client can do nothing."""

import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from groundbox.errors import BadInput
from groundbox.link.broker import AUTOMATION, PROGRAM, may_publish, may_subscribe, own_id, unfit_name
from groundbox.link.embedded_broker import EmbeddedBroker

pytest.importorskip("amqtt", reason="the extra `broker` is not installed")
PASSWORDS = {"mast": "heather", "table": "sedge", PROGRAM: "moss", AUTOMATION: "fern"}
READING = "groundbox/mast/reading"


class Client:
    """A paho client that records its messages and answers."""

    def __init__(self, port: int, user: str, password: str, client_id: str, will: str | None = None) -> None:
        self.got: list[tuple[str, bytes]] = []
        self.answers: list[bool] = []
        self.granted: list[bool] = []
        self.cut = False
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id=client_id)
        self.client.username_pw_set(user, password)
        if will:
            self.client.will_set(will, b"evil", qos=1)
        self.client.reconnect_delay_set(60, 60)
        self.client.on_message = lambda client, data, message: self.got.append((message.topic, message.payload))
        self.client.on_connect = lambda client, data, flags, reason, more: self.answers.append(not reason.is_failure)
        self.client.on_subscribe = lambda client, data, mid, reasons, more: self.granted.extend(
            not reason.is_failure for reason in reasons
        )
        self.client.on_disconnect = self._on_disconnect
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        until(lambda: self.answers)

    def _on_disconnect(self, *_: object) -> None:
        self.cut = True

    def subscribe(self, topic: str) -> bool:
        self.granted.clear()
        self.client.subscribe(topic, 1)
        until(lambda: self.granted)
        return self.granted[0]

    def publish(self, topic: str, payload: bytes = b"1") -> None:
        self.client.publish(topic, payload, 1).wait_for_publish(5.0)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def until(enough: Callable[[], object]) -> None:
    end_s = time.monotonic() + 10.0
    while not enough():
        assert time.monotonic() < end_s
        time.sleep(0.01)


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    found = free_port()
    with EmbeddedBroker(PASSWORDS, "127.0.0.1", found):
        yield found


@pytest.fixture
def join(port: int) -> Iterator[Callable[..., Client]]:
    made: list[Client] = []

    def join(user: str, client_id: str = "", password: str | None = None, will: str | None = None) -> Client:
        own = f"{user}:test" if user in (PROGRAM, AUTOMATION) else f"groundbox-{user}"
        made.append(Client(port, user, PASSWORDS[user] if password is None else password, client_id or own, will))
        return made[-1]

    yield join
    for client in made:
        client.close()


def test_each_client_publishes_only_as_itself(join: Callable[..., Client]) -> None:
    program, mast, table, automation = join(PROGRAM), join("mast"), join("table"), join(AUTOMATION)
    assert program.subscribe("groundbox/+/+")
    assert mast.subscribe("groundbox/mast/command")
    assert not mast.subscribe("groundbox/#")
    assert not mast.subscribe("groundbox/table/command")
    assert not automation.subscribe("#")
    assert automation.subscribe("groundbox/mast/reading")
    mast.publish("groundbox/table/reading", b"forged")
    program.publish("groundbox/mast/reading", b"forged")
    automation.publish("groundbox/mast/command", b"forged")
    table.publish("groundbox/mast/command", b"forged")
    mast.publish(READING, b"true")
    program.publish("groundbox/mast/command", b"true")
    until(lambda: len(program.got) >= 2 and mast.got and automation.got)
    assert mast.got == [("groundbox/mast/command", b"true")]
    assert automation.got == [(READING, b"true")]
    assert sorted(program.got) == [("groundbox/mast/command", b"true"), (READING, b"true")]


@pytest.mark.parametrize(
    ("user", "client_id", "password", "will"),
    [
        ("mast", "groundbox-mast", "wrong", "groundbox/table/reading"),
        ("nobody", "groundbox-mast", "", "groundbox/table/reading"),
        (PROGRAM, "groundbox-mast", "wrong", None),
        ("table", "groundbox-mast", "sedge", None),
        ("table", f"{PROGRAM}:test", "sedge", None),
        ("table", "groundbox-table", "sedge", READING),
    ],
)
def test_an_unknown_client_cannot_connect_take_over_or_leave_a_last_will(
    join: Callable[..., Client], user: str, client_id: str, password: str, will: str | None
) -> None:
    program, mast = join(PROGRAM), join("mast")
    program.subscribe("groundbox/#")
    unknown = join(user, client_id, password, will)
    assert unknown.answers == [False]
    unknown.close()
    mast.publish(READING, b"still here")
    until(lambda: program.got)
    time.sleep(0.2)
    assert program.got == [(READING, b"still here")]
    assert not mast.cut


def test_no_client_makes_it_read_much(port: int, join: Callable[..., Client]) -> None:
    program = join(PROGRAM)
    program.subscribe("groundbox/#")
    with socket.create_connection(("127.0.0.1", port), timeout=5) as unknown:
        unknown.sendall(b"\x10\xff\xff\xff\x7f" + b"\0\4MQTT" + b"x" * 100_000)  # announces 256 MB, and begins
        with suppress(ConnectionError):
            assert unknown.recv(10) != b"\x20\x02\x00\x00"  # accepted
    for malformed in (b"", b"\x00" * 100, b"\x10\x00", b"\xff\xff\xff\xff\xff\xff", b"GET / HTTP/1.1\r\n\r\n"):
        with socket.create_connection(("127.0.0.1", port), timeout=5) as unknown:
            unknown.sendall(malformed)
    mast = join("mast")
    mast.client.publish(READING, b"x" * 20_000, 1)
    again = join("table")
    again.publish("groundbox/table/reading", b"short")
    until(lambda: program.got)
    assert program.got == [("groundbox/table/reading", b"short")]


def test_a_taken_port_is_named(port: int) -> None:
    with pytest.raises(BadInput, match=f"127.0.0.1:{port}"), EmbeddedBroker(PASSWORDS, "127.0.0.1", port):
        pass


def test_without_the_extra_the_error_names_what_to_install() -> None:
    code = (
        "import sys; sys.modules['amqtt'] = sys.modules['amqtt.broker'] = None\n"
        "from groundbox.link.embedded_broker import EmbeddedBroker\n"
        "from groundbox.errors import BadInput\n"
        "try: EmbeddedBroker({}, '127.0.0.1', 1)\n"
        "except BadInput as error: print(error)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert 'pip install "groundbox[broker]"' in done.stdout


def test_rights() -> None:
    assert may_publish("mast", "groundbox/mast/presence")
    assert not may_publish("mast", "groundbox/mast")
    assert not may_publish("mast", "groundbox/+/reading")
    assert not may_publish(PROGRAM, "groundbox/mast/command/more")
    assert may_publish(PROGRAM, "groundbox_host/warnings/mast")
    assert not may_subscribe("mast", "groundbox/+/command")
    assert not may_subscribe(PROGRAM, "$SYS/#")
    assert own_id("host", "groundbox-host")
    assert not own_id("program", f"{PROGRAM}:host")
    assert not own_id(PROGRAM, PROGRAM)
    assert [unfit_name(box) is None for box in ("mast", "m.2", "a/b", "#", "a:b", "x" * 17, "")] == [
        *(True, True),
        *[False] * 5,
    ]

"""One of several programs that share boxes at a broker: which messages reach it, and which commands it sends."""

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from groundbox.errors import LinkError
from groundbox.link.broker import Broker
from groundbox.link.clock import Clocks
from groundbox.link.mqtt_shared import SharedSource
from groundbox.link.secret_files import new_key
from groundbox.link.source import Arrivals
from groundbox.model import LinkNote, Reading, Summary
from groundbox.wire import auth, json_form, line
from groundbox.wire.messages import fields_of

CLOCKS = Clocks(wall_s=time.time, monotonic_s=time.monotonic)


def _wait(enough: Callable[[], object]) -> None:
    end_s = time.monotonic() + 20.0
    while not enough():
        assert time.monotonic() < end_s
        time.sleep(0.01)


class KeyedBoard:
    """A board at the broker that opens sealed commands and answers `silence`."""

    def __init__(self, broker: Broker, box: str, key: bytes) -> None:
        self.box, self._key = box, key
        self.heard: list[tuple[bytes, str, list[object]]] = []
        self.mute = False
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"groundbox-{box}")
        self.client.on_message = self._on_message
        self.client.connect(broker.host, broker.port)
        self.client.subscribe(f"groundbox/{box}/command", qos=1)
        self.client.loop_start()

    def publish(self, name: str, values: list[object]) -> None:
        text = json_form.encode(name, values)
        self.client.publish(f"groundbox/{self.box}/{name}", text, qos=1).wait_for_publish(5.0)

    def presence(self, present: bool) -> None:
        payload = f'{{"box": "{self.box}", "present": {str(present).lower()}}}'
        self.client.publish(f"groundbox/{self.box}/presence", payload, qos=1, retain=True).wait_for_publish(5.0)

    def _on_message(self, client: paho.Client, data: object, message: paho.MQTTMessage) -> None:
        opened = auth.unseal(self._key, self.box, message.payload)
        assert opened, message.payload
        name, values = line.decode(opened[1])
        self.heard.append((opened[0], name, values))
        if name == "silence" and not self.mute:
            answer = [self.box, 3, 3, values[1], "ok", "buzzer", "silenced", None, None, None]
            self.client.publish(f"groundbox/{self.box}/answer", json_form.encode("answer", answer), qos=1)


@pytest.fixture
def mast(broker: Broker, tmp_path: Path) -> Iterator[KeyedBoard]:
    board = KeyedBoard(broker, "mast", new_key(tmp_path / "keys", "mast"))
    yield board
    board.client.disconnect()
    board.client.loop_stop()


@pytest.fixture
def start(broker: Broker, tmp_path: Path) -> Iterator[Callable[..., SharedSource]]:
    started: list[SharedSource] = []

    def start(arrivals: Arrivals | None = None, keys: bool = True) -> SharedSource:
        source = SharedSource(arrivals or Arrivals(), CLOCKS, broker, "club", tmp_path / "keys" if keys else None)
        started.append(source)
        source.start()
        _wait(lambda: source._connected)
        time.sleep(0.2)  # the subscription
        return source

    yield start
    for source in started:
        source.stop()


def _error(source: SharedSource, box: str = "mast", wait_s: float = 0) -> str:
    error = source.command(box, "silence").exception(wait_s)
    assert isinstance(error, LinkError)
    return str(error)


def test_a_message_reaches_one_of_the_programs(
    mast: KeyedBoard, start: Callable[..., SharedSource], make_reading
) -> None:
    first, second = Arrivals(), Arrivals()
    start(first)
    start(second)
    for sequence in range(1, 21):
        mast.publish("reading", make_reading("mast", 3, sequence, 1000 * sequence))
    items = []
    _wait(lambda: items.extend(first.take() + second.take()) or len(items) >= 20)
    time.sleep(0.3)
    items += first.take() + second.take()
    assert sorted(item.sequence for item in items if isinstance(item, Reading)) == list(range(1, 21))


def test_only_the_holder_of_a_present_box_with_a_key_sends_commands(
    mast: KeyedBoard, start: Callable[..., SharedSource]
) -> None:
    source, other, keyless = start(), start(), start(keys=False)
    assert "another of the sharing programs holds it" in _error(source)
    source.hold("mast")
    assert "it is not connected to" in _error(source)
    assert not source.reaches("mast")
    mast.presence(True)
    _wait(lambda: source.reaches("mast"))
    assert source.command("mast", "silence").result(10.0).value == "silenced"
    assert "another of the sharing programs holds it" in _error(other)
    keyless.hold("mast")
    assert "its key is not here" in _error(keyless)
    assert not keyless.may_send("mast")
    assert source.may_send("mast")
    assert not source.may_send("table")
    mast.presence(False)
    _wait(lambda: not source.reaches("mast"))
    assert "it is not connected to" in _error(source)


def test_a_command_without_an_answer_ends_and_so_does_one_of_a_box_let_go(
    mast: KeyedBoard, start: Callable[..., SharedSource]
) -> None:
    source = start()
    source.hold("mast")
    mast.presence(True)
    _wait(lambda: source.reaches("mast"))
    mast.mute = True
    assert "no answer within 5 s" in _error(source, wait_s=20.0)
    pending = source.command("mast", "silence")
    source.let_go()
    assert "this program holds it no longer" in str(pending.exception(5.0))
    assert not source.reaches("mast")


def test_counters_continue_after_another_holder(mast: KeyedBoard, start: Callable[..., SharedSource]) -> None:
    sources = [start(), start()]
    for source in (*sources, sources[0]):
        source.hold("mast")
        count = len(mast.heard)
        source.send("mast", "who")
        _wait(lambda count=count: len(mast.heard) > count)
    counters = [counter for counter, _, _ in mast.heard]
    assert counters == sorted(set(counters))
    assert [name for _, name, _ in mast.heard] == ["who"] * 3


def test_a_summary_goes_to_the_holder_too_and_an_unreadable_key_is_reported_once(
    mast: KeyedBoard, start: Callable[..., SharedSource], tmp_path: Path
) -> None:
    arrivals = Arrivals()
    source = start(arrivals)
    source.hold("mast")
    time.sleep(0.2)
    values: dict[str, object] = {name: None for name, *_ in fields_of("summary")}
    values.update(box="mast", boot=3, sequence=7, uptime_ms=7000, number=12)
    mast.publish("summary", list(values.values()))
    items = []
    _wait(lambda: items.extend(arrivals.take()) or any(isinstance(item, Summary) for item in items))
    (tmp_path / "keys" / "table.key").write_text("beef")
    (tmp_path / "keys" / "table.key").chmod(0o600)
    assert not source.may_send("table")
    assert not source.may_send("table")
    notes = [item for item in arrivals.take() if isinstance(item, LinkNote)]
    assert [(note.kind, note.box) for note in notes] == [("key_problem", "table")]

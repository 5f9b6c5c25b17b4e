"""Boards at a real broker on this machine (mosquitto; skipped where there is none)."""

import socket
import ssl
import time
from collections.abc import Callable, Iterator
from types import SimpleNamespace

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from groundbox.errors import BadInput, LinkError, WireError
from groundbox.link.broker import Broker, why_not
from groundbox.link.clock import Clocks, Moment
from groundbox.link.decode import Frame
from groundbox.link.mqtt import MqttSource
from groundbox.link.mqtt_boxes import KeyedBoxes
from groundbox.link.secret_files import Keys, new_key
from groundbox.link.source import Arrivals
from groundbox.model import Health, Hello, Item, LinkCount, LinkNote, Reading, StartTime, Stored
from groundbox.wire import auth, json_form, line
from groundbox.wire.messages import checksum

CLOCKS = Clocks(wall_s=time.time, monotonic_s=time.monotonic)


@pytest.fixture
def board(broker: Broker) -> Iterator[paho.Client]:
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="mast")
    client.connect(broker.host, broker.port)
    client.loop_start()
    yield client
    client.disconnect()
    client.loop_stop()


@pytest.fixture
def arrivals() -> Arrivals:
    return Arrivals()


@pytest.fixture
def start(broker: Broker) -> Iterator[Callable[[Arrivals], MqttSource]]:
    started: list[MqttSource] = []

    def start(arrivals: Arrivals) -> MqttSource:
        source = MqttSource(arrivals, CLOCKS, broker)
        started.append(source)
        source.start()
        end_s = time.monotonic() + 10.0
        while not source._connected and time.monotonic() < end_s:
            time.sleep(0.01)
        time.sleep(0.1)  # the subscription
        return source

    yield start
    for source in started:
        source.stop()


def _say(board: paho.Client, name: str, values: list[object], **options: bool) -> None:
    topic = f"groundbox/{values[0]}/{name}"
    board.publish(topic, json_form.encode(name, values), qos=1, **options).wait_for_publish(5.0)


def _until(arrivals: Arrivals, enough: Callable[[list[Item]], object]) -> list[Item]:
    items: list[Item] = []
    end_s = time.monotonic() + 10.0
    while not enough(items):
        assert time.monotonic() < end_s, items
        items += arrivals.take(wait_s=0.05)
    return items


def _hello(registry: str) -> list[object]:
    return ["mast", 3, 0, "0.1.0", registry, "00000000", "fake", "power", 500, 1, 10]


def test_messages_arrive_as_values(arrivals, start, board, make_reading) -> None:
    source = start(arrivals)
    _say(board, "hello", _hello(checksum()))
    _say(board, "reading", make_reading("mast", 3, 1, 1000, battery_mv=12_034))
    _say(board, "health", ["mast", 3, 1, 50_000, 900, 0, 0, 0, 0, 0])
    items = _until(arrivals, lambda items: len(items) >= 3)
    assert [type(item) for item in items] == [Hello, Reading, Health]
    assert items[1].battery_volts == 12.034
    assert items[1].wall_source == "arrival"
    assert abs(items[1].wall_s - time.time()) < 10.0
    assert isinstance(source.command("mast", "silence").exception(0), LinkError), "no key"


KEY = bytes(range(32))


class TalkingBoard:
    """A board that takes sealed commands and answers as the firmware does."""

    def __init__(self, client: paho.Client, make_reading: Callable[..., list[object]]) -> None:
        self._client, self._make_reading = client, make_reading
        self.heard: list[tuple[bytes, str, list[object]]] = []
        self.mute = False
        client.on_message = self._on_message
        client.subscribe("groundbox/mast/command", qos=1)

    def _on_message(self, client: paho.Client, data: object, message: paho.MQTTMessage) -> None:
        opened = auth.unseal(KEY, "mast", message.payload)
        assert opened, message.payload
        name, values = line.decode(opened[1])
        self.heard.append((opened[0], name, values))
        if self.mute:
            return
        if name == "who":
            self._publish("hello", _hello(checksum()))
        elif name == "ask_clock":
            self._publish("clock", ["mast", 3, 3, values[1], 100_000])
        elif name == "silence":
            self._publish("answer", ["mast", 3, 3, values[1], "ok", "buzzer", "silenced", None, None, None])
        elif name == "resend":
            for sequence in range(values[2], values[3] + 1):
                self._publish("reading", self._make_reading("mast", 3, sequence, 1000 * sequence))

    def _publish(self, name: str, values: list[object]) -> None:
        self._client.publish(f"groundbox/mast/{name}", json_form.encode(name, values), qos=1)

    def named(self, wanted: str) -> list[list[object]]:
        """The commands of that name."""
        return [values for _, name, values in self.heard if name == wanted]


@pytest.fixture
def talking(broker, board, make_reading, tmp_path, arrivals) -> Iterator[tuple[TalkingBoard, MqttSource]]:
    (tmp_path / "keys").mkdir()
    key = tmp_path / "keys" / "mast.key"
    key.write_text(KEY.hex())
    key.chmod(0o600)
    talking = TalkingBoard(board, make_reading)
    source = MqttSource(arrivals, CLOCKS, broker, keys=tmp_path / "keys")
    source.start()
    time.sleep(0.3)
    yield talking, source
    source.stop()


def _wait(enough: Callable[[], object]) -> None:
    end_s = time.monotonic() + 10.0
    while not enough():
        assert time.monotonic() < end_s
        time.sleep(0.01)


def test_a_box_with_a_key_is_asked_who_it_is_and_dated_by_its_clock(arrivals, talking, board, make_reading) -> None:
    boards, source = talking
    _say(board, "reading", make_reading("mast", 3, 5, 99_000))
    items = _until(arrivals, lambda items: sum(isinstance(item, Reading) for item in items) >= 5)
    kinds = [type(item) for item in items if not isinstance(item, LinkNote | LinkCount)]
    assert kinds[0] is Hello
    readings = [item for item in items if isinstance(item, Reading)]
    assert {item.sequence for item in readings} == {1, 2, 3, 4, 5}, "missing records were requested"
    assert {item.wall_source for item in readings} == {"exchange"}
    assert len(boards.named("ask_clock")) == 1
    source.acknowledge_stored([Stored(box="mast", boot=3, sequence=5), Stored(box="table", boot=1, sequence=1)])
    _wait(lambda: boards.named("stored"))
    assert [values[2:] for values in boards.named("stored")] == [[3, 5]]
    counters = [counter for counter, _, _ in boards.heard]
    assert counters == sorted(set(counters)), "none was used twice"


def test_a_command_is_answered(arrivals, talking, board, make_reading) -> None:
    boards, source = talking
    _say(board, "reading", make_reading("mast", 3, 5, 99_000))
    _until(arrivals, lambda items: any(isinstance(item, Hello) for item in items))
    assert source.command("mast", "silence").result(5.0).result == "ok"
    boards.mute = True
    assert "no answer" in str(source.command("mast", "silence").exception(10.0))
    assert isinstance(source.command("table", "silence").exception(0), LinkError)


def test_counters_continue_in_the_next_run_even_with_the_clock_set_back(tmp_path) -> None:
    new_key(tmp_path / "keys", "mast")
    used: list[bytes] = []
    for wall_s in (1.8e9, 1.8e9 - 86_400.0, 1.9e9, 1.8e9):
        keys = Keys(tmp_path / "keys", lambda wall_s=wall_s: wall_s)
        used += [keys.seal("mast", b"{x}")[:16] for _ in range(3)]
    assert used == sorted(set(used))


def test_a_key_that_others_can_read_is_not_used(tmp_path) -> None:
    new_key(tmp_path, "mast")
    assert (tmp_path / "mast.key").stat().st_mode & 0o077 == 0
    (tmp_path / "mast.key").chmod(0o644)
    with pytest.raises(BadInput, match="chmod 600"):
        Keys(tmp_path).has("mast")
    (tmp_path / "table.key").write_text("beef")
    (tmp_path / "table.key").chmod(0o600)
    with pytest.raises(BadInput, match="64 hexadecimal digits"):
        Keys(tmp_path).has("table")
    assert not Keys(tmp_path).has("../shed")


def test_a_message_that_is_not_on_the_disk_is_sent_again(arrivals, start, board, make_reading) -> None:
    first = start(arrivals)
    _say(board, "reading", make_reading("mast", 3, 1, 1000))
    _until(arrivals, lambda items: len(items) == 1)
    arrivals.committed()
    time.sleep(0.2)
    for sequence in (2, 3):
        _say(board, "reading", make_reading("mast", 3, sequence, sequence * 1000))
    _until(arrivals, lambda items: len(items) == 2)
    first.stop()  # as if killed before the commit
    again = Arrivals()
    start(again)
    items = _until(again, lambda items: len(items) >= 2)
    assert [item.sequence for item in items] == [2, 3]


def test_malformed_messages_are_counted_and_do_no_damage(arrivals, start, board, make_reading) -> None:
    source = start(arrivals)
    good = make_reading("mast", 3, 1, 1000)
    malformed = [
        b"",
        b"\x00\xff",
        b"[" * 3000,
        b"{}",
        b"x" * 1_000_000,
        json_form.encode("reading", good)[:-5].encode(),
    ]
    for payload in malformed:
        board.publish("groundbox/mast/reading", payload, qos=1).wait_for_publish(5.0)
    board.publish("groundbox/table/reading", json_form.encode("reading", good), qos=1).wait_for_publish(5.0)
    board.publish("groundbox/mast/song", b"la", qos=1).wait_for_publish(5.0)
    board.publish("groundbox/mast/who", b"{}", qos=1).wait_for_publish(5.0)
    _say(board, "reading", good)
    items = _until(arrivals, lambda items: any(isinstance(item, Reading) for item in items))
    assert [item.sequence for item in items if isinstance(item, Reading)] == [1]
    assert (
        source._counter.corrupt + sum(i.corrupt_lines for i in items if isinstance(i, LinkCount)) == len(malformed) + 1
    )


def test_another_registry_is_reported_once_and_not_decoded(arrivals, start, board, make_reading) -> None:
    start(arrivals)
    for _ in range(2):
        _say(board, "hello", _hello("0BADCAFE"))
    _say(board, "reading", make_reading("mast", 3, 1, 1000))
    _say(board, "hello", _hello(checksum()))
    items = _until(arrivals, lambda items: any(isinstance(item, Hello) for item in items))
    assert [item.kind for item in items if isinstance(item, LinkNote)] == ["version_mismatch"]
    assert "0BADCAFE" in items[0].sentence
    assert not any(isinstance(item, Reading) for item in items)


def test_messages_that_the_broker_kept_are_dated_again(arrivals, start, broker, board, make_reading) -> None:
    """Minutes of readings come at once, then one a second; the clocks are the test's own."""
    start(arrivals).stop()
    for number in range(1, 301):
        _say(board, "reading", make_reading("mast", 3, number, 1000 * number))
    board_started_s, now_s = 1_760_000_000.0, 1_760_000_300.0
    clocks = Clocks(wall_s=lambda: now_s, monotonic_s=lambda: now_s - 1_759_000_000.0)
    source = MqttSource(arrivals, clocks, broker)
    source.start()
    items: list[Item] = []
    while len(items) < 300:
        items += _until(arrivals, bool)
        arrivals.committed()  # the broker sends few that are not acknowledged
    assert items[0].wall_s - board_started_s > 250.0, "nothing better is known yet"
    for number in range(301, 306):
        now_s += 1.0
        _say(board, "reading", make_reading("mast", 3, number, 1000 * number))
        items += _until(arrivals, bool)
        arrivals.committed()
    source.stop()
    (found,) = [item for item in items if isinstance(item, StartTime)]
    assert abs(found.wall_s - board_started_s) <= found.uncertainty_s
    assert abs(items[-1].wall_s - now_s) <= found.uncertainty_s


def test_the_arrival_of_a_kept_message_gives_no_time(arrivals, start, board, make_reading) -> None:
    _say(board, "reading", make_reading("mast", 3, 1, 1000), retain=True)
    start(arrivals)
    (reading,) = _until(arrivals, lambda items: len(items) >= 1)
    assert reading.wall_s is None


def test_a_missing_broker_is_reported_once(arrivals) -> None:
    source = MqttSource(arrivals, CLOCKS, Broker(host="127.0.0.1", port=1))
    source.start()
    items = _until(arrivals, lambda items: len(items) >= 1)
    time.sleep(1.5)
    source.stop()
    items += arrivals.take()
    assert [item.kind for item in items] == ["connection_lost"]


def test_a_box_without_its_key_is_reported_once(arrivals, broker, board, make_reading, tmp_path) -> None:
    source = MqttSource(arrivals, CLOCKS, broker, keys=tmp_path / "keys")
    source.start()
    end_s = time.monotonic() + 10.0
    items: list[Item] = []
    while len([item for item in items if isinstance(item, Reading)]) < 3 and time.monotonic() < end_s:
        _say(board, "reading", make_reading("mast", 3, len(items) + 1, 5000))
        items += arrivals.take(wait_s=0.2)
    source.stop()
    (note,) = [item for item in items if isinstance(item, LinkNote)]
    assert "box mast is heard and gets no commands" in note.sentence
    assert isinstance(items[-1], Reading), "it is recorded all the same"


def test_a_box_that_does_not_answer_is_reported_once(tmp_path, make_reading) -> None:
    notes: list[str] = []
    new_key(tmp_path, "mast")
    boxes = KeyedBoxes("broker", Keys(tmp_path), lambda box, sealed: None, lambda box, why: notes.append(why))
    for second in range(60):
        now = Moment(wall_s=1e9 + second, monotonic_s=second, real_s=second)
        assert boxes.receive("mast", Frame("reading", tuple(make_reading("mast", 3, second + 1, 5000))), now) == []
        boxes.tick(now)
        assert len(notes) == (second >= 20)
    assert "sends messages and does not answer" in notes[0]


def test_a_broker_with_another_certificate_is_not_reported_as_missing(tmp_path) -> None:
    error = ssl.SSLCertVerificationError("no")
    error.verify_message = "self-signed certificate"
    assert "certificate does not fit ca_file and host (self-signed certificate)" in why_not(error)
    assert "does not use TLS" in why_not(ssl.SSLError())
    assert why_not(ConnectionRefusedError()) == "no broker answers there"
    assert "check host" in why_not(socket.gaierror(-2, "unknown"))


def test_a_refused_subscription_is_reported(arrivals, start) -> None:
    source = start(arrivals)
    source._on_subscribe(None, None, 1, [ReasonCode(PacketTypes.SUBACK, "Not authorized")], None)
    notes = [item.sentence for item in arrivals.take(wait_s=1.0) if isinstance(item, LinkNote)]
    source.stop()
    assert any("the broker refuses the subscription" in sentence for sentence in notes)


def test_an_exception_does_not_end_the_thread(arrivals, start, board, make_reading, monkeypatch) -> None:
    source = start(arrivals)
    real = source._items
    monkeypatch.setattr(source, "_items", lambda message, now: 1 / 0)
    _say(board, "reading", make_reading("mast", 3, 1, 1000))
    items = _until(arrivals, lambda items: len(items) >= 1)
    assert "a fault of this program with one message" in items[0].sentence
    monkeypatch.setattr(source, "_items", real)
    _say(board, "reading", make_reading("mast", 3, 2, 2000))
    assert _until(arrivals, lambda items: any(isinstance(item, Reading) for item in items))


def test_no_such_command(arrivals) -> None:
    source = MqttSource(arrivals, CLOCKS, Broker(host="127.0.0.1"))
    with pytest.raises(WireError):
        source.command("mast", "dance")


def test_a_loss_is_reported_once_and_a_connection_that_comes_and_goes_once_a_minute(arrivals) -> None:
    source = MqttSource(arrivals, CLOCKS, Broker(host="127.0.0.1"))

    def notes_at(real_s: float, sentence: str, connected: bool) -> int:
        source._connected = connected
        source._clocks = SimpleNamespace(now=lambda: Moment(wall_s=5.0, monotonic_s=real_s, real_s=real_s))
        source._note_loss(sentence)
        assert source._connected is False
        return len(arrivals.take())

    assert notes_at(1000.0, "gone", True) == 1
    assert notes_at(1001.0, "gone", False) == 0
    assert notes_at(1001.0, "refused", False) == 0, "still the same loss"
    assert notes_at(1059.9, "gone", True) == 0
    assert notes_at(1060.0, "gone", True) == 1
    assert notes_at(1061.0, "refused", True) == 1

"""Boards at an MQTT broker: the same messages as JSON on groundbox/<box>/<message>.

The broker keeps what is not acknowledged (persistent session, QoS 1). A record is acknowledged only when it is on the
host's disk: a broker's own acknowledgement to the board is no storage. With a box whose key this host has, messages are
exchanged as over a serial port, each line sealed, on groundbox/<box>/command. Any other box is only listened to.
"""

import sys
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from pathlib import Path
from threading import Event, Lock, Thread
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from groundbox.errors import LinkError, WireError
from groundbox.link import report
from groundbox.link.broker import COMMAND, ROOT, Broker, why_not
from groundbox.link.clock import BoardMemory, Clocks, Moment, WallFields
from groundbox.link.commands import command_values
from groundbox.link.decode import Frame, to_item
from groundbox.link.mqtt_boxes import KeyedBoxes
from groundbox.link.report import LinkCounter
from groundbox.link.secret_files import Keys
from groundbox.link.source import Arrivals
from groundbox.model import Answer, Item, Stored
from groundbox.wire import json_form
from groundbox.wire.messages import BY_NAME, MESSAGES, checksum

CLIENT_ID = "groundbox-program:host"
KEEPALIVE_S = 30
TICK_S = 0.2
MAX_UNKEYED = 100
SOON_S = 5.0
REPEAT_S = 60.0  # a note of the same cause is repeated after so long at the earliest
CHECK_STOP_S = 1.0  # how often a message that waits for room in the queue checks whether the source stops
_UPTIME_AT = {
    name: next((at for at, field in enumerate(fields) if field[0] == "uptime_ms"), None)
    for name, sender, _, fields in MESSAGES
    if sender == "board"
}


class MqttSource:
    """A Source: every box at one broker.

    Args:
        arrivals, clocks: see SerialPorts.
        broker: the broker.
        client_id: this host's session at the broker; the same in every run.
        keys: folder of the boxes' command keys; None: boxes are only listened to.
    """

    _topics = f"{ROOT}/+/+"

    def __init__(
        self,
        arrivals: Arrivals,
        clocks: Clocks,
        broker: Broker,
        client_id: str = CLIENT_ID,
        keys: Path | None = None,
    ) -> None:
        self._arrivals, self._clocks, self._broker = arrivals, clocks, broker
        self._source = f"{broker.host}:{broker.port}"
        self._memory = BoardMemory()
        self._boxes = KeyedBoxes(self._source, Keys(keys), self._publish, self._note_key) if keys else None
        self._ordering = Lock()  # the items of one message enter the queue before those of the next
        self._refused: dict[str, str] = {}
        self._unkeyed: set[str] = set()
        self._counter = LinkCounter(self._source)
        self._stopping = Event()
        self._connected: bool | None = None
        self._connected_s = float("-inf")
        self._last_note = "", float("-inf")  # sentence, real time
        self._client = self._make_client(client_id)
        self._thread = Thread(target=self._tick, name=self._source, daemon=True)

    def start(self) -> None:
        """See Source."""
        self._client.connect_async(self._broker.host, self._broker.port, keepalive=KEEPALIVE_S)
        self._client.loop_start()
        self._thread.start()

    def stop(self) -> None:
        """See Source."""
        self._stopping.set()
        self._client.disconnect()
        self._client.loop_stop()
        if self._thread.is_alive():
            self._thread.join()
        for item in self._boxes.close() if self._boxes else ():
            self._arrivals.put(item, wait_s=0)

    def acknowledge_stored(self, stored: Iterable[Stored]) -> None:
        """See Source."""
        if self._boxes:
            self._boxes.acknowledge_stored(stored)

    def command(self, box: str, name: str, **fields: int | str | None) -> Future[Answer]:
        """See Source; only to a box whose key is here."""
        command_values(name, box, 0, fields)
        future: Future[Answer] = Future()
        if not self._boxes or not self._boxes.has_key(box):
            why = "its key is not here; make one over its cable: groundbox board network"
            future.set_exception(LinkError(f"box {box}: {name}: {why}"))
        elif not self._connected:
            future.set_exception(LinkError(f"box {box}: {name}: {self._source}: no connection to the broker"))
        else:
            self._boxes.command(box, name, fields, future, self._clocks.now())
        return future

    def _new_client(self, client_id: str) -> paho.Client:
        return paho.Client(CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=False, manual_ack=True)

    def _make_client(self, client_id: str) -> paho.Client:
        client = self._new_client(client_id)
        if self._broker.username is not None:
            client.username_pw_set(self._broker.username, self._broker.password)
        if self._broker.ca_file is not None:
            client.tls_set(ca_certs=self._broker.ca_file)
        client.reconnect_delay_set(min_delay=1, max_delay=30)
        client.on_connect = self._contained(self._on_connect)
        client.on_connect_fail = self._contained(self._on_connect_fail)
        client.on_disconnect = self._contained(self._on_disconnect)
        client.on_subscribe = self._contained(self._on_subscribe)
        client.on_message = self._contained(self._on_message)
        return client

    def _contained(self, callback: Callable[..., None]) -> Callable[..., None]:
        """`callback` without exceptions: an exception would end paho's thread without a word."""

        def contained(*arguments: Any) -> None:
            try:
                callback(*arguments)
            except Exception as error:  # noqa: BLE001 (the thread must continue, and the error is reported)
                self._note("program_fault", None, f"a fault of this program with one message: {error!r}")

        return contained

    def _on_connect(self, client: paho.Client, _data: object, _flags: object, reason: Any, _more: object) -> None:
        if reason.is_failure:
            self._note_loss(f"the broker refuses the connection: {reason}; the program keeps trying")
            return
        self._connected, self._connected_s = True, self._clocks.now().real_s
        client.subscribe(self._topics, qos=1)

    def _on_subscribe(self, _client: paho.Client, _data: object, _mid: int, reasons: list[Any], _more: object) -> None:
        if any(reason.is_failure for reason in reasons):
            why = "the broker refuses the subscription: use the program's user and password, see groundbox broker setup"
            self._note("connection_lost", None, why)

    def _on_connect_fail(self, _client: paho.Client, _data: object) -> None:
        self._note_loss(f"{why_not(sys.exception())}; the program keeps trying")

    def _on_disconnect(self, _client: paho.Client, _data: object, _flags: object, reason: Any, _more: object) -> None:
        if not self._stopping.is_set():
            soon = self._clocks.now().real_s - self._connected_s < SOON_S
            hint = (
                "; it was lost soon after it began: check that no other groundbox log uses this broker" if soon else ""
            )
            self._note_loss(f"the connection to the broker is lost ({reason}); the program keeps trying{hint}")

    def _on_message(self, client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        def receipt() -> None:
            client.ack(message.mid, message.qos)

        with self._ordering:
            now = self._clocks.now()
            try:
                items = self._items(message, now)
            except (ValueError, WireError):
                self._counter.corrupt += 1
                items = []
            for count in self._counter.due(None, now):
                self._arrivals.put(count, wait_s=0)
            if items:
                self._put(items, receipt)
            else:
                receipt()

    def _put(self, items: list[Item], receipt: Callable[[], None] | None) -> None:
        """Waits for room without limit: the broker waits too, and sends again what has no receipt."""
        for number, item in enumerate(items, 1):
            while not self._arrivals.put(item, receipt if number == len(items) else None, wait_s=CHECK_STOP_S):
                if self._stopping.is_set():
                    return

    def _items(self, message: paho.MQTTMessage, now: Moment) -> list[Item]:
        """The items of `message`; none when it is not from a board or not to be taken.

        Raises:
            ValueError, WireError: it does not fit the registry.
        """
        _, box, name = message.topic.split("/")
        if name not in BY_NAME:
            return []  # presence, commands, and other programs' topics
        if BY_NAME[name][1] != "board":
            return []
        values = json_form.decode(name, bytes(message.payload))
        if values[0] != box:
            raise ValueError(f"box {values[0]} on the topic of box {box}")
        frame = Frame(name, tuple(values))
        if self._boxes and self._boxes.has_key(box):
            return (
                [] if message.retain else self._boxes.receive(box, frame, now)
            )  # what the broker kept is requested again
        if name == "hello" and not self._accepts(box, frame):
            return []
        if box in self._refused:
            return []
        if self._boxes and not message.retain:
            self._note_unkeyed(box)
        uptime = _uptime_of(frame)
        start = self._memory.heard(*uptime, now) if uptime and not message.retain else None
        item = to_item(frame, **self._wall_fields(uptime, message.retain, now))
        return [one for one in (start, item) if one]

    def _note_unkeyed(self, box: str) -> None:
        """One note for each box, and at most MAX_UNKEYED in all: anybody can invent names."""
        if box not in self._unkeyed and len(self._unkeyed) < MAX_UNKEYED:
            self._unkeyed.add(box)
            why = "its key is not here; make one over its cable: groundbox board network"
            self._note("found", box, f"box {box} is heard and gets no commands: {why}")

    def _tick(self) -> None:
        """Sends what is due to the boxes, while the broker is connected."""
        while not self._stopping.wait(TICK_S):
            if self._boxes and self._connected:
                try:
                    with self._ordering:
                        items = self._boxes.tick(self._clocks.now())
                        if items:
                            self._put(items, None)
                except Exception as error:  # noqa: BLE001 (the thread must continue, and the error is reported)
                    self._note("program_fault", None, f"a fault of this program: {error!r}")

    def _publish(self, box: str, sealed: bytes) -> None:
        """At most once (QoS 0): a board that returns must not get a command from minutes ago."""
        if self._connected:
            self._client.publish(f"{ROOT}/{box}/{COMMAND}", sealed, qos=0)

    def _note_key(self, box: str, sentence: str) -> None:
        self._note("key_problem", box, sentence)

    def _accepts(self, box: str, frame: Frame) -> bool:
        """True when the board of this hello uses this program's registry."""
        registry = str(frame.fields["registry"])
        if registry == checksum():
            self._refused.pop(box, None)
            return True
        if self._refused.get(box) != registry:
            self._refused[box] = registry
            firmware = str(frame.fields["firmware"])
            note = report.version_mismatch(self._source, self._clocks.now(), box, firmware, registry)
            self._arrivals.put(note, wait_s=0)
        return False

    def _wall_fields(self, uptime: tuple[str, int, int] | None, retained: bool, now: Moment) -> WallFields:
        """The time of a message; the arrival of one that the broker kept shows no time."""
        if uptime:
            return self._memory.wall_fields(*uptime)
        return {} if retained else {"wall_s": now.wall_s, "wall_source": "arrival"}

    def _note_loss(self, sentence: str) -> None:
        """One note for one loss; at most one each REPEAT_S for a connection that comes and goes."""
        now_s = self._clocks.now().real_s
        again = sentence == self._last_note[0] and now_s - self._last_note[1] < REPEAT_S
        if self._connected is not False and not again:
            self._last_note = sentence, now_s
            self._note("connection_lost", None, sentence)
        self._connected = False

    def _note(self, kind: str, box: str | None, sentence: str) -> None:
        self._arrivals.put(report.note(self._source, self._clocks.now(), box, kind, sentence), wait_s=0)


def _uptime_of(frame: Frame) -> tuple[str, int, int] | None:
    """Box, start and uptime in milliseconds of a message; None for one without them."""
    at = _UPTIME_AT[frame.name]
    boot, uptime_ms = frame.values[1], None if at is None else frame.values[at]
    return (str(frame.values[0]), boot, uptime_ms) if isinstance(boot, int) and isinstance(uptime_ms, int) else None

"""Boards heard through an MQTT broker: the same messages as JSON on groundbox/<box>/<message>.

The broker is asked to keep what is not acknowledged (persistent session, QoS 1), and a record is acknowledged only when
it is on the disk: a broker's own acknowledgement to the board is no storage. A box whose key this host has is spoken
with as over a serial port, each line sealed, on groundbox/<box>/command; any other box is only listened to.
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
from groundbox.link.broker import Broker, why_not
from groundbox.link.decode import Frame
from groundbox.link.items import command_values, to_item
from groundbox.link.keys import Keys
from groundbox.link.known import Dated, Known
from groundbox.link.mqtt_boxes import Boxes
from groundbox.link.questions import Moment
from groundbox.link.rights import COMMAND, ROOT
from groundbox.link.serial_link import Clocks
from groundbox.link.source import Arrivals
from groundbox.link.tally import Tally
from groundbox.model import Answer, Item, LinkNote, Stored
from groundbox.wire import json_form
from groundbox.wire.messages import BY_NAME, MESSAGES, checksum

CLIENT_ID = "groundbox-program:host"
KEEPALIVE_S = 30
TICK_S = 0.2
MOST_UNKEYED = 100
SOON_S = 5.0
REPEAT_S = 60.0
LOOK_S = 1.0  # between two looks whether this is the end, while a message waits for room in the queue
_UPTIME_AT = {
    name: next((at for at, field in enumerate(fields) if field[0] == "uptime_ms"), None)
    for name, sender, _, fields in MESSAGES
    if sender == "board"
}


class MqttSource:
    """A Source: every box heard through one broker.

    Args:
        arrivals, clocks: see SerialPorts.
        broker: the broker.
        client_id: names this host's session at the broker; keep it the same from run to run.
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
        self._known = Known()
        self._boxes = Boxes(self._source, Keys(keys), self._say, self._complain_of_key) if keys else None
        self._ordering = Lock()  # what one message gives goes into the queue before what the next gives
        self._refused: dict[str, str] = {}
        self._unkeyed: set[str] = set()
        self._tally = Tally(self._source)
        self._stopping = Event()
        self._connected: bool | None = None
        self._let_in_s = float("-inf")
        self._complaint = "", float("-inf")
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

    def tell_stored(self, stored: Iterable[Stored]) -> None:
        """See Source."""
        if self._boxes:
            self._boxes.tell_stored(stored)

    def command(self, box: str, name: str, **fields: int | str | None) -> Future[Answer]:
        """See Source; only to a box whose key is here."""
        command_values(name, box, 0, fields)
        future: Future[Answer] = Future()
        if not self._boxes or not self._boxes.meet(box):
            why = "over a network only with its key; groundbox board network makes one"
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
        """`callback` without exceptions: one that escapes would end paho's thread in silence."""

        def contained(*arguments: Any) -> None:
            try:
                callback(*arguments)
            except Exception as error:  # noqa: BLE001 (the thread must live on, and the error is told)
                self._note("lost", None, f"this message could not be dealt with: {error!r}")

        return contained

    def _on_connect(self, client: paho.Client, _data: object, _flags: object, reason: Any, _more: object) -> None:
        if reason.is_failure:
            self._complain(f"the broker refuses: {reason}; it is tried again and again")
            return
        self._connected, self._let_in_s = True, self._clocks.now().real_s
        client.subscribe(self._topics, qos=1)

    def _on_subscribe(self, _client: paho.Client, _data: object, _mid: int, reasons: list[Any], _more: object) -> None:
        if any(reason.is_failure for reason in reasons):
            self._note("lost", None, "the broker lets this user in, but not hear boxes: give it the program's password")

    def _on_connect_fail(self, _client: paho.Client, _data: object) -> None:
        self._complain(f"{why_not(sys.exception())}; it is tried again and again")

    def _on_disconnect(self, _client: paho.Client, _data: object, _flags: object, reason: Any, _more: object) -> None:
        if not self._stopping.is_set():
            soon = self._clocks.now().real_s - self._let_in_s < SOON_S
            perhaps = ", soon after it let us in: does another groundbox log use it?" if soon else ""
            self._complain(f"the broker is gone ({reason}{perhaps}); it is tried again and again")

    def _on_message(self, client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        def receipt() -> None:
            client.ack(message.mid, message.qos)

        with self._ordering:
            now = self._clocks.now()
            try:
                items = self._items(message, now)
            except (ValueError, WireError):
                self._tally.corrupt += 1
                items = []
            for count in self._tally.due(None, now):
                self._arrivals.put(count, wait_s=0)
            if items:
                self._put(items, receipt)
            else:
                receipt()

    def _put(self, items: list[Item], receipt: Callable[[], None] | None) -> None:
        """Waits for room however long: the broker is held back, gives up, and sends again what has no receipt."""
        for number, item in enumerate(items, 1):
            while not self._arrivals.put(item, receipt if number == len(items) else None, wait_s=LOOK_S):
                if self._stopping.is_set():
                    return

    def _items(self, message: paho.MQTTMessage, now: Moment) -> list[Item]:
        """What `message` says; nothing when it is not a board's or not to be taken.

        Raises:
            ValueError, WireError: it is not of our form.
        """
        _, box, name = message.topic.split("/")
        if name not in BY_NAME:
            return []  # presence, commands, and what others say under our root
        if BY_NAME[name][1] != "board":
            return []
        values = json_form.decode(name, bytes(message.payload))
        if values[0] != box:
            raise ValueError(f"box {values[0]} on the topic of box {box}")
        frame = Frame(name, tuple(values))
        if self._boxes and self._boxes.meet(box):
            return [] if message.retain else self._boxes.receive(box, frame, now)  # what was kept is asked for anew
        if name == "hello" and not self._accepts(box, frame):
            return []
        if box in self._refused:
            return []
        if self._boxes and not message.retain:
            self._say_unkeyed(box)
        told = _uptime_of(frame)
        start = self._known.heard(*told, now) if told and not message.retain else None
        item = to_item(frame, **self._dated(told, message.retain, now))
        return [one for one in (start, item) if one]

    def _say_unkeyed(self, box: str) -> None:
        """Once for each box, and not for each of thousands of invented names."""
        if box not in self._unkeyed and len(self._unkeyed) < MOST_UNKEYED:
            self._unkeyed.add(box)
            why = "its key is not here; groundbox board network over its cable makes one"
            self._note("found", box, f"box {box} is heard and only listened to: {why}")

    def _tick(self) -> None:
        """Lets the sessions ask what they must, while the broker is there."""
        while not self._stopping.wait(TICK_S):
            if self._boxes and self._connected:
                try:
                    with self._ordering:
                        items = self._boxes.tick(self._clocks.now())
                        if items:
                            self._put(items, None)
                except Exception as error:  # noqa: BLE001 (the thread must live on, and the error is told)
                    self._note("lost", None, f"a fault of this program: {error!r}")

    def _say(self, box: str, sealed: bytes) -> None:
        """At most once: a board that comes back must not get what was asked of it long ago."""
        if self._connected:
            self._client.publish(f"{ROOT}/{box}/{COMMAND}", sealed, qos=0)

    def _complain_of_key(self, box: str, sentence: str) -> None:
        self._note("lost", box, sentence)

    def _accepts(self, box: str, frame: Frame) -> bool:
        """True when the board of this hello speaks our registry."""
        registry = str(frame.fields["registry"])
        if registry == checksum():
            self._refused.pop(box, None)
            return True
        if self._refused.get(box) != registry:
            self._refused[box] = registry
            self._note(
                "registry",
                box,
                f"box {box} speaks registry {registry}, this program {checksum()}; its data is not decoded: "
                "install the firmware and the program of one version",
            )
        return False

    def _dated(self, told: tuple[str, int, int] | None, retained: bool, now: Moment) -> Dated:
        """The time of a message; one that the broker kept says nothing by when it comes."""
        if told:
            return self._known.dated(*told)
        return {} if retained else {"wall_s": now.wall_s, "wall_source": "arrival"}

    def _complain(self, sentence: str) -> None:
        """Once for one trouble, and once in a while for one that ends and begins again each moment."""
        now_s = self._clocks.now().real_s
        again = sentence == self._complaint[0] and now_s - self._complaint[1] < REPEAT_S
        if self._connected is not False and not again:
            self._complaint = sentence, now_s
            self._note("lost", None, sentence)
        self._connected = False

    def _note(self, kind: str, box: str | None, sentence: str) -> None:
        note = LinkNote(
            source=self._source,
            box=box,
            kind=kind,
            sentence=f"{self._source}: {sentence}",
            wall_s=self._clocks.wall_s(),
        )
        self._arrivals.put(note, wait_s=0)


def _uptime_of(frame: Frame) -> tuple[str, int, int] | None:
    """Box, start and uptime in milliseconds that a message tells; None for one that does not."""
    at = _UPTIME_AT[frame.name]
    boot, uptime_ms = frame.values[1], None if at is None else frame.values[at]
    return (str(frame.values[0]), boot, uptime_ms) if isinstance(boot, int) and isinstance(uptime_ms, int) else None

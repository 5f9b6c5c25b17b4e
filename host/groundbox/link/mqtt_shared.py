"""One of several programs that divide the messages at a broker between them: MQTT 5's shared subscriptions.

Each message goes to any one of them, so only the store knows all that has arrived. Between messages this program keeps
only the clock of each box. One program holds a box: it alone sends to the box, and also gets the box's answers,
presence, and summaries, which a board repeats until they are acknowledged.
"""

from concurrent.futures import Future
from pathlib import Path
from random import Random
from threading import RLock
from typing import Any
from uuid import uuid4

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from groundbox.conversion import from_wire
from groundbox.errors import GroundboxError, LinkError
from groundbox.link.broker import PROGRAM, ROOT, Broker
from groundbox.link.clock import Clocks, Moment
from groundbox.link.commands import CommandQueue, command_values
from groundbox.link.mqtt import TICK_S, MqttSource
from groundbox.link.secret_files import Keys
from groundbox.link.source import Arrivals
from groundbox.model import Answer, Item
from groundbox.wire import json_form
from groundbox.wire import line as wire_line

_TO_HOLDER = ("summary", "answer", "presence")
_PRESENT = b'"present": true}'


class SharedSource(MqttSource):
    """A Source: a part of the messages of all boxes at one broker.

    The broker's session ends with the program. The boxes send again what was not acknowledged: they keep it until they
    get the acknowledgement. The broker must allow more than its default of 20 messages without acknowledgement
    (`max_inflight_messages`), since each is acknowledged only with the next commit.

    Args:
        arrivals, clocks, broker: see MqttSource.
        share: the common name of the programs that share.
        keys: folder of the boxes' command keys; None: boxes are only listened to.
    """

    def __init__(
        self, arrivals: Arrivals, clocks: Clocks, broker: Broker, share: str, keys: Path | None = None
    ) -> None:
        self._topics = f"$share/{share}/{ROOT}/+/+"
        self._keys = Keys(keys) if keys else None
        self._held: dict[str, CommandQueue] = {}
        self._present: set[str] = set()  # held boxes that are connected to this broker
        self._sending = RLock()  # a box refuses a lower counter after a higher one: one line at a time
        self._noted: dict[str, str] = {}
        super().__init__(arrivals, clocks, broker, client_id=f"{PROGRAM}:{share}-{uuid4().hex[:8]}")

    def hold(self, box: str) -> None:
        """This program sends to `box` from now on; others may have used higher counters before."""
        with self._sending:
            if self._keys:
                self._keys.reread_counter(box)
            self._held[box] = CommandQueue(Random().randrange(1 << 28))
        self._client.subscribe(_to_holder(box))

    def let_go(self) -> None:
        """This program sends to no box any more."""
        with self._sending:
            for box, queue in self._held.items():
                self._client.unsubscribe([topic for topic, _ in _to_holder(box)])
                queue.close(f"box {box}: this program holds it no longer")
            self._held.clear()
            self._present.clear()

    def may_send(self, box: str) -> bool:
        """True when the key of `box` is here, so that it takes commands."""
        try:
            return self._keys is not None and self._keys.has(box)
        except GroundboxError as error:
            self._note_once(box, error)
            return False

    def reaches(self, box: str) -> bool:
        """True when a command now would get to `box`."""
        with self._sending:
            return self._why_not(box) is None

    def send(self, box: str, name: str, **fields: int | str | None) -> None:
        """Sends message `name` of the registry to `box`, sealed; without an answer."""
        self._send(box, wire_line.encode(name, list(command_values(name, box, 0, fields))))

    def command(self, box: str, name: str, **fields: int | str | None) -> Future[Answer]:
        """See Source; only to a box that this program holds, whose key is here."""
        command_values(name, box, 0, fields)
        future: Future[Answer] = Future()
        with self._sending:
            if why := self._why_not(box):
                future.set_exception(LinkError(f"box {box}: {name}: {why}"))
                return future
            future.set_running_or_notify_cancel()
            self._held[box].command(box, name, fields, future, self._clocks.now())
            for line in self._held[box].lines():
                self._send(box, line)
        return future

    def _why_not(self, box: str) -> str | None:
        if box not in self._held:
            return "another of the sharing programs holds it, or none yet"
        if not self.may_send(box):
            return "its key is not here; make one over its cable: groundbox board network"
        if not self._connected or box not in self._present:
            return f"it is not connected to {self._source}"
        return None

    def _send(self, box: str, line: bytes) -> None:
        assert self._keys
        with self._sending:
            try:
                self._publish(box, self._keys.seal(box, line))
            except GroundboxError as error:
                self._note_once(box, error)

    def _items(self, message: paho.MQTTMessage, now: Moment) -> list[Item]:
        _, box, name = message.topic.split("/")
        with self._sending:
            if box in self._held and name == "presence":
                (self._present.add if message.payload.endswith(_PRESENT) else self._present.discard)(box)
                return []
            if box in self._held and name == "answer":
                answer = from_wire(Answer, tuple(json_form.decode(name, bytes(message.payload))))
                if answer.box == box:
                    self._held[box].answered(answer)
                return []
        return super()._items(message, now)

    def _tick(self) -> None:
        """Ends commands whose time budget is used up."""
        while not self._stopping.wait(TICK_S):
            with self._sending:
                for queue in self._held.values():
                    queue.expire(self._clocks.now())

    def _note_once(self, box: str, error: GroundboxError) -> None:
        if self._noted.get(box) != str(error):
            self._noted[box] = str(error)
            self._note_key(box, str(error))

    def _on_connect(self, client: paho.Client, data: object, flags: object, reason: Any, more: object) -> None:
        super()._on_connect(client, data, flags, reason, more)
        for box in list(self._held) if not reason.is_failure else ():
            client.subscribe(_to_holder(box))

    def _new_client(self, client_id: str) -> paho.Client:
        return paho.Client(
            CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True
        )


def _to_holder(box: str) -> list[tuple[str, SubscribeOptions]]:
    return [(f"{ROOT}/{box}/{name}", SubscribeOptions(qos=1)) for name in _TO_HOLDER]

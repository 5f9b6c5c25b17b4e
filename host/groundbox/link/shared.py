"""One of several programs that share what boxes say at a broker between them: MQTT 5's shared subscriptions.

Each message goes to one of them, whichever, so none of them knows alone what has come: the store does. Nothing is
kept here from message to message but how each box's clock stands to ours. What boxes that this program holds say to
who speaks to them comes to it besides: answers, presence, and summaries, each of which a board sends until it is told.
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
from groundbox.link.broker import Broker
from groundbox.link.items import command_values
from groundbox.link.keys import Keys
from groundbox.link.mqtt import TICK_S, MqttSource
from groundbox.link.questions import Moment, Questions
from groundbox.link.rights import PROGRAM, ROOT
from groundbox.link.serial_link import Clocks
from groundbox.link.source import Arrivals
from groundbox.model import Answer, Item
from groundbox.wire import json_form
from groundbox.wire import line as wire_line

_TO_HOLDER = ("summary", "answer", "presence")
_PRESENT = b'"present": true}'


class SharedSource(MqttSource):
    """A Source: a share of what all boxes say through one broker.

    The session ends with the program: what it had not acknowledged is for the boxes to send again, who keep it until
    they are told that it is stored. The broker must let more than its usual 20 messages be under way
    (`max_inflight_messages`), since each is acknowledged only with the next commit.

    Args:
        arrivals, clocks, broker: see MqttSource.
        share: the name that those have in common who share.
        keys: folder of the boxes' command keys; None: boxes are only listened to.
    """

    def __init__(
        self, arrivals: Arrivals, clocks: Clocks, broker: Broker, share: str, keys: Path | None = None
    ) -> None:
        self._topics = f"$share/{share}/{ROOT}/+/+"
        self._keys = Keys(keys) if keys else None
        self._held: dict[str, Questions] = {}
        self._present: set[str] = set()  # boxes held that are at this broker
        self._speaking = RLock()  # a box refuses a lower counter after a higher, so one line at a time
        self._complaints: dict[str, str] = {}
        super().__init__(arrivals, clocks, broker, client_id=f"{PROGRAM}:{share}-{uuid4().hex[:8]}")

    def hold(self, box: str) -> None:
        """This program speaks to `box` from now on; others may have spoken to it meanwhile, under higher counters."""
        with self._speaking:
            if self._keys:
                self._keys.begin_anew(box)
            self._held[box] = Questions(Random().randrange(1 << 28))
        self._client.subscribe(_to_holder(box))

    def let_go(self) -> None:
        """This program speaks to no box any more."""
        with self._speaking:
            for box, questions in self._held.items():
                self._client.unsubscribe([topic for topic, _ in _to_holder(box)])
                questions.close(f"box {box}: this program holds it no longer")
            self._held.clear()
            self._present.clear()

    def may_say(self, box: str) -> bool:
        """True when the key of `box` is here, so that it hears us."""
        try:
            return self._keys is not None and self._keys.has(box)
        except GroundboxError as error:
            self._complain_once(box, error)
            return False

    def reaches(self, box: str) -> bool:
        """True when `box` would get a command from us now."""
        with self._speaking:
            return self._why_not(box) is None

    def say(self, box: str, name: str, **fields: int | str | None) -> None:
        """Message `name` of the registry to `box`, sealed; without an answer."""
        self._send(box, wire_line.encode(name, list(command_values(name, box, 0, fields))))

    def command(self, box: str, name: str, **fields: int | str | None) -> Future[Answer]:
        """See Source; only to a box that this program holds, whose key is here."""
        command_values(name, box, 0, fields)
        future: Future[Answer] = Future()
        with self._speaking:
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
            return "it is held by another of the programs that share it, or by none yet"
        if not self.may_say(box):
            return "over a network only with its key; groundbox board network makes one"
        if not self._connected or box not in self._present:
            return f"it is not at {self._source}"
        return None

    def _send(self, box: str, line: bytes) -> None:
        assert self._keys
        with self._speaking:
            try:
                self._say(box, self._keys.seal(box, line))
            except GroundboxError as error:
                self._complain_once(box, error)

    def _items(self, message: paho.MQTTMessage, now: Moment) -> list[Item]:
        _, box, name = message.topic.split("/")
        with self._speaking:
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
        """Ends commands that were not answered in time."""
        while not self._stopping.wait(TICK_S):
            with self._speaking:
                for questions in self._held.values():
                    questions.expire(self._clocks.now())

    def _complain_once(self, box: str, error: GroundboxError) -> None:
        if self._complaints.get(box) != str(error):
            self._complaints[box] = str(error)
            self._complain_of_key(box, str(error))

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

"""One of several programs that share what boxes say at a broker between them: MQTT 5's shared subscriptions.

Each message goes to one of them, whichever, so none of them knows alone what has come: the store does. Nothing is
kept here from message to message but how each box's clock stands to ours. Summaries of the boxes that this program
holds come to it besides: a board drops each only once its number was told, and sends it again until then.
"""

from concurrent.futures import Future
from pathlib import Path
from typing import Any
from uuid import uuid4

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from groundbox.errors import GroundboxError, LinkError
from groundbox.link.items import command_values
from groundbox.link.keys import Keys
from groundbox.link.mqtt import Broker, MqttSource
from groundbox.link.rights import PROGRAM, ROOT
from groundbox.link.serial_link import Clocks
from groundbox.link.source import Arrivals
from groundbox.model import Answer
from groundbox.wire import line as wire_line


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
        self._held: frozenset[str] = frozenset()
        self._complaints: dict[str, str] = {}
        super().__init__(arrivals, clocks, broker, client_id=f"{PROGRAM}:{share}-{uuid4().hex[:8]}")

    def hold(self, box: str) -> None:
        """This program speaks to `box` from now on; others may have spoken to it meanwhile, under higher counters."""
        if self._keys:
            self._keys.begin_anew(box)
        self._held |= {box}
        self._client.subscribe(_summaries(box), qos=1)

    def let_go(self) -> None:
        """This program speaks to no box any more."""
        for box in self._held:
            self._client.unsubscribe(_summaries(box))
        self._held = frozenset()

    def may_say(self, box: str) -> bool:
        """True when the key of `box` is here, so that it hears us."""
        try:
            return self._keys is not None and self._keys.has(box)
        except GroundboxError as error:
            self._complain_once(box, error)
            return False

    def say(self, box: str, name: str, **fields: int | str | None) -> None:
        """Message `name` of the registry to `box`, sealed; without an answer."""
        assert self._keys
        line = wire_line.encode(name, list(command_values(name, box, 0, fields)))
        try:
            self._say(box, self._keys.seal(box, line))
        except GroundboxError as error:
            self._complain_once(box, error)

    def command(self, box: str, name: str, **fields: int | str | None) -> Future[Answer]:
        """None is passed on: of several programs none knows which box answers to whom."""
        future: Future[Answer] = Future()
        why = "programs that share boxes (--share) pass no commands on; use the button, or the box's cable"
        future.set_exception(LinkError(f"box {box}: {name}: {why}"))
        return future

    def _complain_once(self, box: str, error: GroundboxError) -> None:
        if self._complaints.get(box) != str(error):
            self._complaints[box] = str(error)
            self._complain_of_key(box, str(error))

    def _on_connect(self, client: paho.Client, data: object, flags: object, reason: Any, more: object) -> None:
        super()._on_connect(client, data, flags, reason, more)
        for box in self._held if not reason.is_failure else ():
            client.subscribe(_summaries(box), qos=1)

    def _new_client(self, client_id: str) -> paho.Client:
        return paho.Client(
            CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True
        )


def _summaries(box: str) -> str:
    return f"{ROOT}/{box}/summary"

"""Tells people's own automations through a broker which warnings are up: retained, for who comes later too."""

from collections import deque
from collections.abc import Sequence
from threading import Lock
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from groundbox.link.broker import Broker
from groundbox.link.mqtt import KEEPALIVE_S
from groundbox.link.questions import Moment
from groundbox.link.rights import OUT, PROGRAM, unfit_name
from groundbox.model import WarningChange
from groundbox.monitor.view import BoxView
from groundbox.ui.bridge.form import box_json

RECORDING = f"{OUT}/recording"
FRESH_S = 60.0  # sentences hold figures, so that they are told anew
YES, NO = b'{"recording": true}', b'{"recording": false}'


class WarningsTopic:
    """A Bridge: `groundbox_host/warnings/BOX` and `groundbox_host/recording`."""

    def __init__(self, broker: Broker) -> None:
        self.notes: deque[str] = deque(maxlen=20)
        self._broker = broker
        self._told: dict[str, tuple[object, float, str]] = {}  # box: what was up, when told, the very words
        self._lock = Lock()
        self._unfit: set[str] = set()
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"{PROGRAM}:warnings")
        if broker.username is not None:
            client.username_pw_set(broker.username, broker.password)
        if broker.ca_file is not None:
            client.tls_set(ca_certs=broker.ca_file)
        client.will_set(RECORDING, NO, qos=1, retain=True)
        client.reconnect_delay_set(min_delay=1, max_delay=30)
        client.on_connect = self._on_connect
        self._client = client

    def start(self) -> None:
        """See Bridge."""
        self._client.connect_async(self._broker.host, self._broker.port, keepalive=KEEPALIVE_S)
        self._client.loop_start()

    def warn(self, change: WarningChange) -> None:
        """See Bridge."""

    def show(self, views: Sequence[BoxView], moment: Moment) -> None:
        """See Bridge."""
        for view in views:
            box = view.state.box
            up = [(one.kind, one.severity, one.acknowledged) for one in view.warnings]
            before = self._told.get(box)
            if before and before[0] == up and not (up and moment.real_s - before[1] >= FRESH_S):
                continue
            if why := unfit_name(box):
                if box not in self._unfit:
                    self._unfit.add(box)
                    self.notes.append(f"{box}: its warnings are not told to automations, its name {why}")
                continue
            words = box_json(view, moment.wall_s)
            with self._lock:
                self._told[box] = (up, moment.real_s, words)
            self._publish(box, words)

    def stop(self) -> None:
        """See Bridge."""
        if self._client.is_connected():
            self._client.publish(RECORDING, NO, qos=1, retain=True).wait_for_publish(2.0)
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: paho.Client, _data: object, _flags: object, reason: Any, _more: object) -> None:
        if reason.is_failure:
            return  # MqttSource says so
        client.publish(RECORDING, YES, qos=1, retain=True)
        with self._lock:
            told = {box: words for box, (_, _, words) in self._told.items()}
        for box, words in told.items():
            self._publish(box, words)

    def _publish(self, box: str, words: str) -> None:
        """Nothing waits for a broker that is away: it is told all that is up when it comes back."""
        if self._client.is_connected():
            self._client.publish(f"{OUT}/warnings/{box}", words, qos=1, retain=True)

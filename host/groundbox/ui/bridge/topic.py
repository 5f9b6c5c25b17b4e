"""Publishes the active warnings at a broker for people's own automations: retained, for later subscribers too."""

from collections import deque
from threading import Lock
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from groundbox.advice.result import SessionAdvice
from groundbox.link.broker import OUT, PROGRAM, Broker, unfit_name
from groundbox.link.clock import Moment
from groundbox.link.mqtt import KEEPALIVE_S
from groundbox.model import WarningChange
from groundbox.ui.bridge.form import box_json

RECORDING = f"{OUT}/recording"
REPEAT_S = 60.0  # sentences hold figures, so they are published again
YES, NO = b'{"recording": true}', b'{"recording": false}'


class WarningsTopic:
    """A Bridge: `groundbox_host/warnings/BOX` and `groundbox_host/recording`."""

    def __init__(self, broker: Broker) -> None:
        self.notes: deque[str] = deque(maxlen=20)
        self._broker = broker
        self._published: dict[str, tuple[object, float, str]] = {}  # box: active warnings, when, the text
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

    def show(self, advice: SessionAdvice, moment: Moment) -> None:
        """See Bridge."""
        for shown in advice.boxes:
            box = shown.box
            active = [shown.verdict, *((one.kind, one.severity, one.acknowledged) for one in shown.warnings)]
            before = self._published.get(box)
            if before and before[0] == active and not (active and moment.real_s - before[1] >= REPEAT_S):
                continue
            if why := unfit_name(box):
                if box not in self._unfit:
                    self._unfit.add(box)
                    self.notes.append(f"{box}: its warnings are not published for automations: its name {why}")
                continue
            text = box_json(shown, moment.wall_s)
            with self._lock:
                self._published[box] = (active, moment.real_s, text)
            self._publish(box, text)

    def stop(self) -> None:
        """See Bridge."""
        if self._client.is_connected():
            self._client.publish(RECORDING, NO, qos=1, retain=True).wait_for_publish(2.0)
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: paho.Client, _data: object, _flags: object, reason: Any, _more: object) -> None:
        if reason.is_failure:
            return  # MqttSource reports it
        client.publish(RECORDING, YES, qos=1, retain=True)
        with self._lock:
            texts = {box: text for box, (_, _, text) in self._published.items()}
        for box, text in texts.items():
            self._publish(box, text)

    def _publish(self, box: str, text: str) -> None:
        """Never waits for the broker: it gets all active warnings when it connects again."""
        if self._client.is_connected():
            self._client.publish(f"{OUT}/warnings/{box}", text, qos=1, retain=True)

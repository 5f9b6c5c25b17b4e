"""Sends warnings to other programs: retained MQTT topics for automations, and HTTP POST to an address.

Nothing waits for a sender. A published JSON field keeps its name and meaning."""

import json
import ssl
import urllib.error
import urllib.request
from collections import deque
from datetime import UTC, datetime
from http.client import HTTPException
from threading import Condition, Lock, Thread
from typing import Any
from urllib.parse import urlsplit

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from groundbox.advice.result import SEVERITIES, BoxAdvice, SessionAdvice
from groundbox.link.broker import OUT, PROGRAM, Broker, unfit_name
from groundbox.link.clock import Moment
from groundbox.link.mqtt import KEEPALIVE_S
from groundbox.model import WarningChange
from groundbox.ui.bridge import Bridge


def change_json(change: WarningChange) -> str:
    """A warning that was raised, cleared or acknowledged; `id` is the same each time it is sent."""
    return json.dumps(
        {
            "id": f"{change.box}/{change.warning}/{change.severity}/{change.change}/{change.wall_s:.3f}",
            "box": change.box,
            "warning": change.warning,
            "severity": change.severity,
            "change": change.change,
            "sentence": change.sentence,
            "time": utc_text(change.wall_s),
        }
    )


def box_json(box: BoxAdvice, wall_s: float) -> str:
    """The verdict on one box and its active warnings, most severe first; an empty list when there is none."""
    return json.dumps(
        {
            "box": box.box,
            "time": utc_text(wall_s),
            "verdict": box.verdict,
            "severity": box.severity,
            "headline": box.headline,
            "action": box.action,
            "turn_back_at": box.turn_back_at,
            "warnings": [
                {
                    "warning": one.kind,
                    "severity": one.severity,
                    "sentence": one.sentence,
                    "acknowledged": one.acknowledged,
                }
                for one in box.warnings
            ],
        }
    )


def utc_text(wall_s: float) -> str:
    """ISO 8601, as 2026-05-01T10:20:30Z."""
    return datetime.fromtimestamp(wall_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


RECORDING = f"{OUT}/recording"
REPEAT_S = 60.0  # sentences hold figures, so they are published again
YES, NO = b'{"recording": true}', b'{"recording": false}'


class WarningsTopic(Bridge):
    """A Bridge: `groundbox_host/warnings/BOX` and `groundbox_host/recording`."""

    def __init__(self, broker: Broker) -> None:
        self.notes = deque(maxlen=20)
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


MAX_WAITING = 200
TIMEOUT_S = 10.0
FIRST_RETRY_S, MAX_RETRY_S = 1.0, 300.0
END_S = 2.0
RETRIED = (408, 425, 429)  # client errors that are temporary


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """The token goes to the address in the settings and to no other."""

    def redirect_request(self, *_: object) -> None:
        return None


class Webhook(Bridge):
    """A Bridge.

    Args:
        url: the address; notes name only its host.
        token: sent as a bearer token; None for none.
        severity: lowest severity that is sent.
        first_retry_s: delay before the first retry; doubled each time.
    """

    def __init__(self, url: str, token: str | None, severity: str, first_retry_s: float = FIRST_RETRY_S) -> None:
        self.notes = deque(maxlen=20)
        self._url, self._token, self._lowest = url, token, SEVERITIES.index(severity)
        self._name = f"webhook at {urlsplit(url).hostname}"
        self._first_retry_s = first_retry_s
        self._waiting: deque[str] = deque()
        self._dropped = 0
        self._failing = self._stopping = False
        self._changed = Condition()
        self._opener = urllib.request.build_opener(_NoRedirect)
        self._thread = Thread(target=self._run, name=self._name, daemon=True)

    def start(self) -> None:
        """See Bridge."""
        self._thread.start()

    def warn(self, change: WarningChange) -> None:
        """See Bridge."""
        if SEVERITIES.index(change.severity) < self._lowest:
            return
        with self._changed:
            self._waiting.append(change_json(change))
            if len(self._waiting) > MAX_WAITING:
                self._waiting.popleft()
                self._dropped += 1
            self._changed.notify()

    def stop(self) -> None:
        """See Bridge."""
        with self._changed:
            self._changed.wait_for(lambda: not self._waiting or self._failing, END_S)
            self._stopping = True
            self._changed.notify()
        self._thread.join(END_S)
        if unsent := len(self._waiting) + self._dropped:
            self.notes.append(f"{self._name}: {unsent} changes of warnings were not sent")

    def _run(self) -> None:
        wait_s = 0.0
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._stopping, wait_s)
                self._changed.wait_for(lambda: self._stopping or bool(self._waiting))
                if self._stopping:
                    return
                first = self._waiting[0]
            if self._sent(first):
                wait_s = 0.0
                with self._changed:
                    if self._waiting and self._waiting[0] is first:
                        self._waiting.popleft()
                    self._changed.notify()
            else:
                wait_s = min(max(2 * wait_s, self._first_retry_s), MAX_RETRY_S)

    def _sent(self, body: str) -> bool:
        """False when it must be sent again."""
        headers = {"Content-Type": "application/json", "User-Agent": "groundbox"}
        if self._token is not None:
            headers["Authorization"] = f"Bearer {self._token}"
        try:
            request = urllib.request.Request(self._url, body.encode(), headers, method="POST")
            with self._opener.open(request, timeout=TIMEOUT_S):
                pass
        except urllib.error.HTTPError as error:
            error.close()
            if error.code < 500 and error.code not in RETRIED:
                self.notes.append(f"{self._name}: refuses with status {error.code}; this change is not sent again")
                return True
            return self._note_failure(f"answers with status {error.code}")
        except (OSError, HTTPException, ValueError) as error:
            return self._note_failure(_why(error))
        if self._failing:
            self._failing = False
            self.notes.append(f"{self._name}: takes warnings again")
        return True

    def _note_failure(self, why: str) -> bool:
        if not self._failing:
            self.notes.append(f"{self._name}: {why}; the program keeps trying")
        self._failing = True
        with self._changed:
            self._changed.notify()
        return False


def _why(error: Exception) -> str:
    """The cause, without the address."""
    reason = error.reason if isinstance(error, urllib.error.URLError) else error
    if isinstance(reason, TimeoutError):
        return "does not answer in time"
    if isinstance(reason, ssl.SSLError):
        return "its certificate or TLS cannot be trusted"
    return "cannot be reached" if isinstance(reason, OSError) else "its answer cannot be read"

"""Many simulated boxes on a few connections to a broker; each keeps its records until the host has stored them."""

import random
import threading
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from groundbox.link.broker import Broker
from groundbox.link.secret_files import new_key
from groundbox.wire import auth, json_form, line
from groundbox.wire.messages import checksum, fields_of
from groundbox.wire.settings import SETTINGS

NAMES = [name for name, *_ in fields_of("reading")]
HIGHEST = {name: high for name, _, _, high in SETTINGS}
TYPICAL = {
    **dict.fromkeys(("battery_mv", "battery_min_mv", "battery_max_mv"), 12_500),
    **dict.fromkeys(("battery_ma", "battery_min_ma", "battery_max_ma"), 1500),
    **dict.fromkeys(("case_centi_c", "battery_centi_c", "intake_centi_c"), 2700),
    **dict.fromkeys(("fan1_state", "fan2_state"), "running"),
    **dict.fromkeys(("fan1_rpm", "fan2_rpm"), 2900),
    **dict.fromkeys(("voltage_sensor", "current_sensor", "case_sensor", "battery_sensor", "intake_sensor"), "ok"),
    "fan1_percent": 70,
    "fan2_percent": 70,
    "output1": "on",
    "charging": "no",
    "place": "ground",
}


class Boxes:
    """Boxes `names` behind one connection.

    Args:
        keys_folder: where their keys are made; None: they hear nobody, and keep nothing.

    Attributes:
        sequence: the newest record of each.
        confirmed: number of the last record that the host reported stored.
        summaries: (box, number) of the summaries that the host has not reported stored.
        places: where each box believes the aircraft is.
        done: (box, command) of what was commanded, marks by their kind.
    """

    def __init__(self, broker: Broker, names: list[str], keys_folder: Path | None = None) -> None:
        self.names = names
        self.sequence: dict[str, int] = dict.fromkeys(names, 0)
        self.confirmed: dict[str, int] = dict.fromkeys(names, 0)
        self.summaries: set[tuple[str, int]] = set()
        self.asked = 0
        self.places = dict.fromkeys(names, "ground")
        self.done: list[tuple[str, str]] = []
        self._counters: dict[str, bytes] = {}
        self._held: defaultdict[str, dict[int, bytes]] = defaultdict(dict)
        self._keys = {name: new_key(keys_folder, name) for name in names} if keys_folder else {}
        self._lock = threading.Lock()
        self._began_s = time.monotonic()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"boxes-{names[0]}-{random.random()}")
        self._client.max_inflight_messages_set(2000)
        self._client.max_queued_messages_set(0)
        self._client.on_message = self._on_message
        self._client.connect(broker.host, broker.port)
        if self._keys:
            self._client.subscribe("groundbox/+/command", qos=1)
        self._client.loop_start()
        for name in names:
            self._hello(name)

    def measure(self, names: list[str] | None = None) -> None:
        """One reading of each of `names` (None: all), sent at once."""
        for name in names or self.names:
            with self._lock:
                self.sequence[name] += 1
                number = self.sequence[name]
                known = {**TYPICAL, "box": name, "boot": 1, "sequence": number, "uptime_ms": self._uptime_ms()}
                known["place"] = self.places[name]
                known["battery_mv"] = 12_800 - number % 1500
                payload = json_form.encode("reading", [known.get(field) for field in NAMES])
                if self._keys:
                    self._held[name][number] = payload
            self._client.publish(f"groundbox/{name}/reading", payload, qos=1)

    def summarise(self) -> None:
        """Sends all summaries that wait."""
        for name, number in sorted(self.summaries):
            known = {**TYPICAL, "box": name, "boot": 1, "sequence": number}
            known |= {"uptime_ms": self._uptime_ms(), "number": number, "readings": 10}
            payload = json_form.encode("summary", [known.get(field) for field, *_ in fields_of("summary")])
            self._client.publish(f"groundbox/{name}/summary", payload, qos=1)

    def waiting(self) -> int:
        """Messages not yet taken by the broker."""
        return len(self._client._out_messages)

    def close(self) -> None:
        """Ends the connection."""
        self._client.disconnect()
        self._client.loop_stop()

    def _uptime_ms(self) -> int:
        return round(1000 * (time.monotonic() - self._began_s))

    def _hello(self, name: str) -> None:
        known = {"box": name, "boot": 1, "sequence": self.sequence[name], "firmware": "0.1.0", "registry": checksum()}
        known |= {"settings": "00000000", "board": "fake", "reset_cause": "power", "sample_hz": 500}
        known |= {"oldest_sequence": self.confirmed[name] + 1, "uptime_ms": self._uptime_ms()}
        values = [known.get(field) for field, *_ in fields_of("hello")]
        self._client.publish(f"groundbox/{name}/hello", json_form.encode("hello", values), qos=1)

        self._client.publish(f"groundbox/{name}/presence", f'{{"box": "{name}", "present": true}}', qos=1, retain=True)

    def _do(self, name: str, what: str, fields: dict[str, Any]) -> None:
        """A command that is to be answered; each setting asked for is as high as it may be."""
        if what == "mark":
            self.places[name] = "flight" if fields["kind"] == "launch" else "ground"
        if what != "get":
            self.done.append((name, fields.get("kind", what)))
        known = {"box": name, "boot": 1, "sequence": self.sequence[name], "command": fields["command"], "result": "ok"}
        known |= {"setting": fields["setting"], "value": str(HIGHEST[fields["setting"]])} if what == "get" else {}
        values = [known.get(field) for field, *_ in fields_of("answer")]
        self._client.publish(f"groundbox/{name}/answer", json_form.encode("answer", values), qos=1)

    def _on_message(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        name = message.topic.split("/")[1]
        if name not in self._keys or (unsealed := auth.unseal(self._keys[name], name, message.payload)) is None:
            return
        if unsealed[0] <= self._counters.get(name, b""):  # as a board does
            return
        self._counters[name] = unsealed[0]
        what, values = line.decode(unsealed[1].rstrip(b"\n"))
        fields = dict(zip((field for field, *_ in fields_of(what)), values, strict=True))
        if what == "who":
            self._hello(name)
        elif what == "stored":
            with self._lock:
                for number in range(self.confirmed[name] + 1, fields["stored_sequence"] + 1):
                    self._held[name].pop(number)
                self.confirmed[name] = max(self.confirmed[name], fields["stored_sequence"])
        elif what in ("get", "mark", "silence", "switch"):
            self._do(name, what, fields)
        elif what == "summary_stored":
            self.summaries.discard((name, fields["number"]))
        elif what == "resend":
            self.asked += 1
            with self._lock:
                numbers = range(fields["from_sequence"], fields["to_sequence"] + 1)
                again = [self._held[name][number] for number in numbers if number in self._held[name]]
            for payload in again:
                self._client.publish(f"groundbox/{name}/reading", payload, qos=1)

"""A stranger floods the broker inside `groundbox log`: he is refused, and what boxes measure still gets through."""

from dataclasses import replace
from pathlib import Path

import pytest
from tests.benchmarks import faults
from tests.field.hostile import Count, Flood, count, flooded, host, speaker
from tests.field.ports import free_port

from groundbox.link.broker import PROGRAM, Broker
from groundbox.link.embedded_broker import EmbeddedBroker

PASSWORDS = {PROGRAM: "still water", "mast": "quiet heron"}


def _flooded(folder: Path, seconds: float) -> tuple[Count, Flood]:
    pytest.importorskip("amqtt", reason="no broker inside: pip install groundbox[broker]")
    broker = Broker(host="127.0.0.1", port=free_port(), username=PROGRAM, password=PASSWORDS[PROGRAM])
    box = replace(broker, username="mast", password=PASSWORDS["mast"])
    inside = EmbeddedBroker(PASSWORDS, broker.host, broker.port)
    with inside, host(folder / "day.db", broker) as found, speaker(box, "groundbox-mast") as mast:
        flood = flooded(broker, found, mast, seconds)
    return count(folder / "day.db", flood.sent), flood


def test_a_stranger_at_the_broker_inside_displaces_nothing(tmp_path: Path) -> None:
    found, flood = _flooded(tmp_path, 3.0)
    assert flood.strange > 1000
    assert found.sent >= 2, "readings get through"
    assert found.whole
    assert flood.grown_kb < 100_000


@pytest.mark.endurance
def test_a_stranger_at_the_broker_inside_in_full(tmp_path: Path) -> None:
    found, flood = _flooded(tmp_path, 30.0)
    besides = (
        f"{flood.strange} of the stranger's, thrown out each time; memory +{flood.grown_kb // 1024} MB; "
        f"longest wait {flood.wait_s:.1f} s"
    )
    counts = (found.sent, found.once, found.lost, found.invented)
    faults.keep(faults.HOSTILE, [("the same at the embedded broker, 30 s", *counts, besides)])
    assert found.whole

"""Hostile input over MQTT: sent, stored once, lost and invented are counted. Full counts: `make endurance`."""

import json
import random
import time
from pathlib import Path

import pytest
from tests.benchmarks import faults
from tests.field.hostile import (
    Count,
    Flood,
    Key,
    count,
    flooded,
    good,
    host,
    millivolts,
    mosquitto,
    reading,
    said,
    speaker,
    until,
)

from groundbox.link.clock import Clocks

DAY_S, YEAR_S = 86_400.0, 365 * 86_400.0
TOPIC = "groundbox/mast/reading"
GOOD = said(reading("mast", 3, 1))


def _changed(**changes: object) -> bytes:
    return json.dumps(json.loads(GOOD) | changes).encode()


DIRT = {
    "1 MB payload": b"x" * 1_000_000,
    "1 MB of JSON": b'{"a": "' + b"y" * 1_000_000 + b'"}',
    "nothing": b"",
    "invalid JSON": GOOD[:-1],
    "two objects": GOOD + GOOD,
    "not UTF-8": b'{"box": "\xff\xfe"}',
    "deep nesting": b"[" * 4000,
    "deep objects": b'{"a":' * 600 + b"1" + b"}" * 600,
    "a list": b"[1, 2, 3]",
    "NaN": GOOD.replace(b'"sequence": 1', b'"sequence": NaN'),
    "infinity": GOOD.replace(b'"sequence": 1', b'"sequence": 1e999'),
    "a fraction": _changed(battery_mv=12000.5),
    "a whole float": _changed(sequence=1.0),
    "true for a number": _changed(sequence=True),
    "text for a number": _changed(battery_mv="12000"),
    "a number for text": _changed(box=7),
    "a list for a number": _changed(sequence=[1]),
    "out of range": _changed(battery_mv=99999),
    "a huge number": GOOD.replace(b'"sequence": 1', b'"sequence": ' + b"9" * 3000),
    "negative": _changed(boot=-1),
    "an unknown word": _changed(charging="perhaps"),
    "a field too many": _changed(extra=1),
    "a field missing": GOOD.replace(b'"uptime_ms": 1000, ', b""),
    "a field twice": GOOD[:-1] + b', "box": "table"}',
    "NUL bytes": b"\0" * 100,
    "NUL in the name": _changed(box="mast\0"),
    "half a surrogate": _changed(box="\ud800"),
    "another box's name": _changed(box="table"),
}


def _keep(fault: str, found: Count, besides: str) -> None:
    faults.keep(faults.HOSTILE, [(fault, found.sent, found.once, found.lost, found.invented, besides)])


def _dirt(folder: Path, rounds: int) -> tuple[Count, int]:
    sent: set[Key] = set()
    with mosquitto(folder) as broker, host(folder / "day.db", broker) as found, speaker(broker, "mast") as mast:
        for turn in range(rounds):
            for number, dirt in enumerate(DIRT.values()):
                mast.publish(TOPIC, dirt, qos=1)
                first = 10 * (turn * len(DIRT) + number) + 2  # 1 is in the dirt: it must not be stored
                good(mast, "mast", 3, range(first, first + 10), sent)
            mast.publish(f"groundbox/table/{'x' * 300}", b"1", qos=1)
            mast.publish("groundbox/table/who", b"{}", qos=1)
            mast.publish("groundbox//reading", GOOD, qos=1)
        until(lambda: found.taken >= len(sent) and found.refused >= rounds * (len(DIRT) + 1), 120)
        assert found.refused == rounds * (len(DIRT) + 1)  # the nameless topic besides
    return count(folder / "day.db", sent), found.refused


def test_malformed_messages_are_counted_and_good_ones_stored(tmp_path: Path) -> None:
    assert _dirt(tmp_path, 1)[0].whole


@pytest.mark.endurance
def test_many_malformed_messages(tmp_path: Path) -> None:
    found, refused = _dirt(tmp_path, 30)
    _keep(f"{len(DIRT)} kinds of wrong payload, 30 times each, among good readings", found, f"{refused} refused")
    assert found.whole


def _repeated(folder: Path, many: int) -> tuple[Count, int]:
    dice, sent = random.Random(7), set[Key]()
    deliveries = [sequence for sequence in range(1, many + 1) for _ in range(dice.randint(1, 5))]
    dice.shuffle(deliveries)
    with mosquitto(folder) as broker, host(folder / "day.db", broker) as found, speaker(broker, "mast") as mast:
        for number, sequence in enumerate(deliveries):
            mast.publish(TOPIC, said(reading("mast", 3, sequence)), qos=1)
            sent.add(("mast", 3, sequence, millivolts(sequence)))
            if number % 2000 == 1999:
                until(lambda: found.taken >= number - 2000, 120)  # noqa: B023
        until(lambda: found.taken >= len(deliveries), 120)
    return count(folder / "day.db", sent), len(deliveries)


def test_delivered_one_to_five_times_and_shuffled_each_is_stored_once(tmp_path: Path) -> None:
    found, deliveries = _repeated(tmp_path, 400)
    assert deliveries > 1000
    assert found.whole


@pytest.mark.endurance
def test_delivered_one_to_five_times_in_full(tmp_path: Path) -> None:
    found, deliveries = _repeated(tmp_path, 10_000)
    _keep("every message delivered 1 to 5 times, shuffled", found, f"{deliveries} deliveries")
    assert found.whole


def _flooded(folder: Path, seconds: float) -> tuple[Count, Flood]:
    with mosquitto(folder) as broker, host(folder / "day.db", broker) as found, speaker(broker, "mast") as mast:
        flood = flooded(broker, found, mast, seconds)
    return count(folder / "day.db", flood.sent), flood


def test_a_flood_by_an_unknown_client_displaces_no_record(tmp_path: Path) -> None:
    found, flood = _flooded(tmp_path, 3.0)
    assert flood.strange > 1000
    assert found.whole
    assert flood.grown_kb < 100_000


@pytest.mark.endurance
def test_a_flood_by_an_unknown_client_in_full(tmp_path: Path) -> None:
    found, flood = _flooded(tmp_path, 30.0)
    besides = (
        f"{flood.strange} of the unknown client, {flood.per_s:.0f} a second; memory +{flood.grown_kb // 1024} MB; "
        f"longest wait {flood.wait_s:.1f} s"
    )
    _keep("10,000 wrong messages a second from one unknown client, 30 s", found, besides)
    assert found.whole


def test_a_slow_disk_delays_the_broker_and_loses_nothing(tmp_path: Path) -> None:
    sent: set[Key] = set()
    with mosquitto(tmp_path) as broker, host(tmp_path / "day.db", broker, most=20) as found:
        found.slow_s = 0.02
        with speaker(broker, "mast") as mast:
            good(mast, "mast", 3, range(1, 501), sent)
            until(lambda: found.taken >= len(sent))
        assert len(found.arrivals._waiting) <= 20
    assert count(tmp_path / "day.db", sent).whole


def _clock_steps(folder: Path, each: int) -> Count:
    sent: set[Key] = set()
    step_s = [0.0]
    clocks = Clocks(wall_s=lambda: time.time() + step_s[0], monotonic_s=time.monotonic)
    with mosquitto(folder) as broker, host(folder / "day.db", broker, clocks) as found, speaker(broker, "mast") as mast:
        for number, step in enumerate((0.0, -DAY_S, 0.0, YEAR_S, -YEAR_S, 0.0)):
            step_s[0] = step
            good(mast, "mast", 3, range(1 + number * each, 1 + (number + 1) * each), sent)
            until(lambda: found.taken >= len(sent), 60)
    return count(folder / "day.db", sent)


def test_a_host_clock_that_jumps_loses_and_invents_nothing(tmp_path: Path) -> None:
    assert _clock_steps(tmp_path, 50).whole


@pytest.mark.endurance
def test_a_host_clock_that_jumps_in_full(tmp_path: Path) -> None:
    found = _clock_steps(tmp_path, 2000)
    _keep("host clock back a day and forward a year, five jumps", found, "order by start and sequence kept")
    assert found.whole


def test_the_count_finds_losses_and_inventions(tmp_path: Path) -> None:
    """The campaign finds a seeded loss and a seeded invention."""
    with mosquitto(tmp_path) as broker, host(tmp_path / "day.db", broker) as found, speaker(broker, "mast") as mast:
        good(mast, "mast", 3, range(1, 11), set())
        until(lambda: found.taken >= 10)
    sent: set[Key] = {("mast", 3, n, millivolts(n)) for n in range(2, 13)}
    assert count(tmp_path / "day.db", sent) == Count(sent=11, once=9, lost=2, invented=1)

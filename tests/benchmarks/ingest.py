"""Readings a second into the store, durable, roll-ups included, as a share of bare sqlite3 into the same table.

`python -m tests.benchmarks ingest [READINGS]`: both sides take turns batch by batch in one run, so that a busy machine
slows both; it prints the quickest round and the median.
"""

import sqlite3
import statistics
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from groundbox.conversion import from_wire, to_wire
from groundbox.model import Reading
from groundbox.store import Store, schema
from groundbox.wire.messages import fields_of

BASE_S = 1_800_000_000.0
BATCH, ROUNDS = 5000, 40
NAMES = [name for name, *_ in fields_of("reading")]
TYPICAL = {
    "battery_mv": 12_512,
    "battery_min_mv": 12_431,
    "battery_max_mv": 12_540,
    "check_mv": 12_508,
    "battery_ma": 1530,
    "battery_min_ma": 1490,
    "battery_max_ma": 3122,
    "case_centi_c": 3310,
    "battery_centi_c": 2712,
    "intake_centi_c": 2604,
    "humidity_centi_percent": 4120,
    "fan1_rpm": 2950,
    "fan2_rpm": 3010,
    "fan1_percent": 70,
    "fan2_percent": 70,
    "fan1_state": "running",
    "fan2_state": "running",
    "fan3_state": "absent",
    "fan4_state": "absent",
    "voltage_sensor": "ok",
    "check_sensor": "ok",
    "current_sensor": "ok",
    "case_sensor": "ok",
    "battery_sensor": "ok",
    "intake_sensor": "ok",
    "output1": "on",
    "output2": "absent",
    "low_voltage": "clear",
    "overvoltage": "clear",
    "case_heat": "clear",
    "charging": "no",
    "place": "ground",
    "worst_step_us": 2100,
}


def readings(box: str, first: int, count: int) -> Iterator[Reading]:
    """Readings number `first` and on of `box`, one a second, every field that two fan pairs know filled in."""
    for sequence in range(first, first + count):
        known = {**TYPICAL, "box": box, "boot": 1, "sequence": sequence, "uptime_ms": 1000 * sequence}
        known["battery_mv"] = 12_000 + sequence * 7 % 800
        yield from_wire(
            Reading,
            [known.get(name) for name in NAMES],
            wall_s=BASE_S + sequence,
            wall_uncertainty_s=0.05,
            wall_source="exchange",
        )


class Bare:
    """The same table, durable, filled by executemany and nothing else."""

    def __init__(self, path: Path) -> None:
        self._connection = sqlite3.connect(path, isolation_level=None)
        self._connection.execute("PRAGMA journal_mode = WAL")
        self._connection.execute("PRAGMA synchronous = FULL")
        self._connection.execute(schema.create("reading"))
        for statement in schema.INDEXES:
            if " ON reading " in statement:
                self._connection.execute(statement)
        self._insert = schema.insert("reading")

    def keep(self, rows: list[tuple[object, ...]]) -> None:
        """One batch in one transaction."""
        self._connection.execute("BEGIN IMMEDIATE")
        self._connection.executemany(self._insert, rows)
        self._connection.execute("COMMIT")


def main(arguments: list[str]) -> None:
    """Prints both rates and their ratio."""
    for batch in (1000, BATCH):
        compare(batch)


def compare(batch: int) -> None:
    """One line for batches of that many readings."""
    with tempfile.TemporaryDirectory() as folder, Store(Path(folder) / "ours.db") as store:
        bare = Bare(Path(folder) / "bare.db")
        times: list[tuple[float, float]] = []
        for number in range(ROUNDS):
            items = list(readings("mast", 1 + number * batch, batch))
            rows = [(*to_wire(item), round(1000 * (item.wall_s or 0)), 50, "exchange", 1) for item in items]
            began_s = time.perf_counter()
            bare.keep(rows)
            middle_s = time.perf_counter()
            store.add(items)
            done = store.commit()
            times.append((middle_s - began_s, time.perf_counter() - middle_s))
            assert done.inserted == batch
    best = [batch / min(side) for side in zip(*times, strict=True)]
    middle = [batch / statistics.median(side) for side in zip(*times, strict=True)]
    ratio = statistics.median(bare_s / ours_s for bare_s, ours_s in times)
    print(
        f"batches of {batch}: bare {middle[0]:,.0f}/s (best {best[0]:,.0f}), "
        f"ours {middle[1]:,.0f}/s (best {best[1]:,.0f}), ratio {ratio:.2f} (of the best {best[1] / best[0]:.2f})"
    )

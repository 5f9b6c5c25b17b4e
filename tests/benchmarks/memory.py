"""Is memory flat? `python -m tests.benchmarks memory [READINGS]`: 10 million into SQLite, committed as live."""

import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from tests.benchmarks.ingest import BASE_S, NAMES, TYPICAL

from groundbox.conversion import from_wire
from groundbox.model import Reading
from groundbox.store import Store

BATCH, STEPS = 2000, 10
_KNOWN = dict(TYPICAL)


def resident_mb() -> float:
    """Memory of this process in RAM."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 1e6


def readings(first: int) -> Iterator[Reading]:
    """A batch of two boxes' readings, made with as little work as can be."""
    for number in range(first, first + BATCH):
        box, sequence = ("mast", "table")[number % 2], number // 2 + 1
        head = (box, 1, sequence, 1000 * sequence, 12_000 + sequence % 700)
        values = (*head, *(_KNOWN.get(name) for name in NAMES[5:]))
        yield from_wire(Reading, values, wall_s=BASE_S + sequence, wall_source="exchange")


def main(arguments: list[str]) -> None:
    """Prints memory and rate along the way, and the growth over the second half."""
    count = int(arguments[0]) if arguments else 10_000_000
    step = count // STEPS // BATCH * BATCH
    with tempfile.TemporaryDirectory() as folder, Store(Path(folder) / "long.db") as store:
        found: list[float] = []
        for begin in range(0, STEPS * step, step):
            began_s = time.perf_counter()
            for first in range(begin, begin + step, BATCH):
                store.add(readings(first))
                assert store.commit().inserted == BATCH
            found.append(resident_mb())
            rate = step / (time.perf_counter() - began_s)
            size = sum(path.stat().st_size for path in Path(folder).iterdir()) / 1e6
            print(f"{begin + step:>11,} readings: {found[-1]:6.1f} MB, {rate:,.0f}/s, files {size:,.0f} MB", flush=True)
        growth = found[-1] - found[len(found) // 2]
        print(f"grown over the second half: {growth:+.1f} MB")
        if growth > 10:
            sys.exit("memory is not flat")

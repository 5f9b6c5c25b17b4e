"""How long from measuring to the disk, and what a reading costs on the line.

`python -m tests.benchmarks link_delay [SECONDS]`: the real firmware in two simulated boxes in real time, on ports,
kept as `groundbox log` keeps them (a commit each second). The delay runs from the moment at which the board closed the
reading, by the clock exchange, to the return of the commit that holds it.
"""

import statistics
import tempfile
import time
from pathlib import Path

from groundbox.conversion import to_wire
from groundbox.link.clock import Clocks
from groundbox.link.serial_link import SerialPorts
from groundbox.link.source import Arrivals
from groundbox.model import Reading
from groundbox.monitor.recorder import COMMIT_EVERY_S, TAKE_S
from groundbox.rig import demo_boxes
from groundbox.rig.bench import SimClock, SimulatedBoard
from groundbox.store import Store
from groundbox.wire import json_form, line

BAUD, BITS = 115_200, 10  # start, eight, stop


def main(arguments: list[str]) -> None:
    """Prints delays and sizes."""
    seconds = int(arguments[0]) if arguments else 120
    with tempfile.TemporaryDirectory() as name:
        clock = SimClock(1.0)
        boards = [
            SimulatedBoard(settings, clock, Path(name) / settings.name)
            for settings in (demo_boxes.TABLE, demo_boxes.MAST)
        ]
        for board in boards:
            board.start()
        try:
            with Store(Path(name) / "day.db") as store:
                kept = record(store, [board.port for board in boards], seconds)
        finally:
            for board in boards:
                board.stop()
    delays_ms = sorted(1000 * delay_s for _, delay_s in kept)
    share = [delays_ms[int(part * (len(delays_ms) - 1))] for part in (0.5, 0.99)]
    print(
        f"board to disk: p50 {share[0]:.0f} ms, p99 {share[1]:.0f} ms, of {len(kept)} readings, {boards[0].interpreter}"
    )
    lines = statistics.mean(len(line.encode("reading", list(to_wire(one)))) for one, _ in kept)
    objects = statistics.mean(len(json_form.encode("reading", list(to_wire(one)))) for one, _ in kept)
    capacity = BAUD / BITS
    print(f"line: {lines:.0f} bytes a reading, {100 * lines / capacity:.1f} % of a {BAUD} baud line at one a second;")
    print(f"  a backlog comes at {capacity / lines:.0f} readings a second at most; MQTT: {objects:.0f} bytes of JSON")


def record(store: Store, ports: list[str], seconds: int) -> list[tuple[Reading, float]]:
    """(reading, delay in seconds) of what boards sent in that time, but for the first seconds."""
    arrivals = Arrivals()
    links = SerialPorts(arrivals, Clocks(wall_s=time.time, monotonic_s=time.monotonic), ports)
    links.start()
    kept: list[tuple[Reading, float]] = []
    waiting: list[Reading] = []
    began_s = committed_s = time.monotonic()
    while time.monotonic() - began_s < seconds:
        items = arrivals.take(wait_s=TAKE_S)
        store.add(items)
        waiting += [item for item in items if isinstance(item, Reading)]
        if time.monotonic() - committed_s < COMMIT_EVERY_S:
            continue
        committed_s = time.monotonic()
        links.acknowledge_stored(store.commit().stored)
        arrivals.committed()
        now_s = time.time()
        dated = [one for one in waiting if one.wall_source == "exchange" and one.wall_s is not None]
        kept += [(one, now_s - (one.wall_s or 0.0)) for one in dated if committed_s - began_s > 5.0]
        waiting = []
    links.stop()
    return kept

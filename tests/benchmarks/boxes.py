"""How many boxes at 1 Hz two cores keep: simulated boxes, mosquitto, workers of `groundbox log --share`, PostgreSQL.

`python -m tests.benchmarks boxes [BOXES [SECONDS]]`, all on this machine. It tells what was sent, stored and lost, how
far the store lagged, and the processor time of each part per reading: the part that uses most is the limit.
"""

import os
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

import psycopg
from tests import postgres
from tests.benchmarks.many_boxes import Boxes
from tests.field.hostile import mosquitto

from groundbox.link.broker import Broker

WORKERS, SENDERS = 2, 2
DRAIN_S = 30.0
SETTINGS = 'database = "{url}"\nsound = "off"\n[[brokers]]\nhost = "{host}"\nport = {port}\n'
TICKS = os.sysconf("SC_CLK_TCK")


def send(port: int, first: int, count: int, seconds: int) -> None:
    """One sender: `count` boxes from number `first`, each once a second, spread over it."""
    boxes = Boxes(Broker(host="127.0.0.1", port=port), [f"box{number}" for number in range(first, first + count)])
    began_s, slices = time.monotonic(), 20
    for turn in range(seconds * slices):
        boxes.measure(boxes.names[turn % slices :: slices])
        time.sleep(max(0.0, began_s + (turn + 1) / slices - time.monotonic()))
    while boxes.waiting():
        time.sleep(0.05)
    late_s = time.monotonic() - began_s - seconds
    boxes.close()
    print(f"{sum(boxes.sequence.values())} {late_s:.1f} {time.process_time():.2f}")


def cpu_s(pid: int) -> float:
    """Processor seconds of a process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def children(pid: int) -> list[int]:
    """A process and those it has started itself."""
    return [pid, *(int(one) for one in Path(f"/proc/{pid}/task/{pid}/children").read_text().split())]


def main(arguments: list[str]) -> None:
    """Prints one run."""
    if arguments[:1] == ["send"]:
        send(*map(int, arguments[1:]))
        return
    count, seconds = (int(arguments[0]) if arguments else 5000), (int(arguments[1]) if arguments[1:] else 300)
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        url = stack.enter_context(postgres.cluster(durable=True))
        broker = stack.enter_context(mosquitto(folder))
        settings = folder / "groundbox.toml"
        settings.write_text(SETTINGS.format(url=url, host=broker.host, port=broker.port))
        words = [
            sys.executable,
            "-c",
            "from groundbox.cli import main; main()",
            "log",
            "--share",
            "club",
            "--settings",
            str(settings),
        ]
        log = (folder / "log").open("w")
        workers = [subprocess.Popen(words, stdout=log, stderr=log) for _ in range(WORKERS)]
        time.sleep(8.0)
        run(count, seconds, url, broker, [worker.pid for worker in workers])
        for worker in workers:
            worker.send_signal(signal.SIGINT)
        for worker in workers:
            worker.wait()
        log.close()


def run(count: int, seconds: int, url: str, broker: Broker, workers: list[int]) -> None:
    """One run of `count` boxes."""
    postmaster = int((Path(url.partition("host=")[2]) / "data" / "postmaster.pid").read_text().split()[0])
    each = count // SENDERS
    before = [cpu_s(pid) for pid in workers], sum(map(cpu_s, children(postmaster))), _mosquitto_s()
    words = [sys.executable, "-m", "tests.benchmarks", "boxes", "send", str(broker.port)]
    senders = [
        subprocess.Popen([*words, str(number * each), str(each), str(seconds)], stdout=subprocess.PIPE, text=True)
        for number in range(SENDERS)
    ]
    lags: list[float] = []
    with psycopg.connect(url, autocommit=True) as looking:
        began_s = time.monotonic()
        while any(sender.poll() is None for sender in senders):
            time.sleep(2.0)
            due = each * SENDERS * min(time.monotonic() - began_s, seconds)
            lags.append((due - _stored(looking)) / (each * SENDERS))
        said = [sender.communicate()[0].split() for sender in senders]
        sent = sum(int(one[0]) for one in said)
        ended_s = time.monotonic()
        while _stored(looking) < sent and time.monotonic() - ended_s < DRAIN_S:
            time.sleep(0.2)
        drained_s = time.monotonic() - ended_s
        stored = looking.execute("SELECT count(*), count(DISTINCT (box, sequence)) FROM groundbox.reading").fetchone()
        summed = looking.execute("SELECT sum(readings) FROM groundbox.reading_minute").fetchone()
    assert stored
    assert summed
    spent = {
        "senders": sum(float(one[2]) for one in said),
        "mosquitto": _mosquitto_s() - before[2],
        "workers": sum(map(cpu_s, workers)) - sum(before[0]),
        "PostgreSQL": sum(map(cpu_s, children(postmaster))) - before[1],
    }
    lags.sort()
    figures = ", ".join(f"{name} {1e6 * used / sent:.0f}" for name, used in spent.items())
    print(f"{count} boxes at 1 Hz for {seconds} s: sent {sent}, stored {stored[0]}, each once {stored[1]},")
    print(f"  in the minutes {summed[0]}, lost {sent - stored[1]}, senders late by {max(one[1] for one in said)} s")
    print(
        f"  behind by {lags[len(lags) // 2]:.1f} s in the middle, {lags[-1]:.1f} s at most, {drained_s:.1f} s at last"
    )
    print(f"  processor microseconds a reading: {figures}; all {1e6 * sum(spent.values()) / sent:.0f}", flush=True)


def _stored(looking: psycopg.Connection[tuple[int, ...]]) -> int:
    """By the hours' sums, which is quick."""
    found = looking.execute("SELECT coalesce(sum(readings), 0)::bigint FROM groundbox.reading_hour").fetchone()
    return found[0] if found else 0


def _mosquitto_s() -> float:
    own = [pid for pid in children(os.getpid())[1:] if "mosquitto" in Path(f"/proc/{pid}/comm").read_text()]
    return sum(map(cpu_s, own))

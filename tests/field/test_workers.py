"""Several programs share boxes over MQTT and one PostgreSQL: one is killed, and nothing confirmed is lost."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests import postgres
from tests.benchmarks.many_boxes import HIGHEST, Boxes
from tests.field.hostile import mosquitto, until

from groundbox.link.broker import Broker
from groundbox.model import Mark
from groundbox.monitor.board_settings import WANTED
from groundbox.monitor.follower import Follower
from groundbox.monitor.from_store import tracker_for
from groundbox.monitor.tracker import Tracker
from groundbox.settings import load
from groundbox.store import Reader, hand_over

NAMES = ["mast", "table", "mast2", "table2"]
LIMITS = {name: HIGHEST[name] for name in WANTED}  # as every one of Boxes answers
WORKER = """
import sys
from groundbox.monitor import recorder
recorder.SAVE_EVERY_S = 1.0
from groundbox.cli import main
sys.argv = ["groundbox", "log", "--share", "club", "--settings", sys.argv[1]]
main()
"""
SETTINGS = """
database = "{url}"
keys = "keys"
sound = "off"
[[brokers]]
host = "{host}"
port = {port}
[batteries.M9]
profile = "M9.toml"
[boxes.mast]
battery = "M9"
cutoff_volts = 11.0
[boxes.table]
battery = "M9"
cutoff_volts = 11.0
"""


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    if postgres.programs() is None:
        pytest.skip("PostgreSQL is not installed (apt-get install postgresql)")
    with postgres.cluster() as url:
        yield url


class _Worker:
    def __init__(self, settings: Path) -> None:
        self.held: set[str] = set()
        self.said: list[str] = []
        self.process = subprocess.Popen(
            [sys.executable, "-c", WORKER, str(settings)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env={**os.environ, "COLUMNS": "200"},
        )
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        assert self.process.stdout
        for text in self.process.stdout:
            self.said.append(text.rstrip())
            if "is held by this program" in text:
                self.held.add(text.split()[1])

    def end(self, how: int) -> None:
        self.process.send_signal(how)
        self.process.wait()
        self._thread.join()
        assert self.process.stdout
        self.process.stdout.close()


def _settings(folder: Path, url: str, broker: Broker) -> Path:
    (folder / "M9.toml").write_text("c20_ah = 9.0\n")
    file = folder / "groundbox.toml"
    file.write_text(SETTINGS.format(url=url, host=broker.host, port=broker.port))
    return file


def test_one_of_two_workers_is_killed(server: str, tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker:
        settings = _settings(tmp_path, server, broker)
        boxes = Boxes(broker, NAMES, tmp_path / "keys")
        workers = [_Worker(settings), _Worker(settings)]
        try:
            until(lambda: workers[0].held | workers[1].held == set(NAMES), 60.0)
            for number in range(400):
                boxes.measure()
                time.sleep(0.025)
                if number == 200:
                    victim, other = sorted(workers, key=lambda one: -len(one.held))
                    victim.end(signal.SIGKILL)
                    confirmed_then = dict(boxes.confirmed)
                if number in (150, 250):
                    _mark(server, "launch" if number == 150 else "landing")
                if number in (100, 300):
                    boxes.summaries |= {(name, number + few) for name in NAMES for few in range(8)}
                    boxes.summarise()
                if number == 199:
                    summaries_then = set(boxes.summaries)
            until(lambda: other.held == set(NAMES), 60.0)
            until(lambda: boxes.measure() or all(_limits(server, name) == LIMITS for name in NAMES), 60.0)
            until(lambda: boxes.measure() or len(boxes.done) == 2, 60.0)
            until(lambda: all(boxes.confirmed[name] == boxes.sequence[name] for name in NAMES), 60.0)
            until(lambda: boxes.summarise() or not boxes.summaries, 30.0)
            time.sleep(2.5)  # the estimators' states are saved each second
        finally:
            boxes.close()
            for worker in workers:
                if worker.process.poll() is None:
                    worker.end(signal.SIGINT)
        said = "\n".join([*victim.said, "---", *other.said])
        assert "Traceback" not in said, said
        assert any(confirmed_then.values()), said
        assert not summaries_then, said
        assert boxes.done == [("table2", "launch"), ("table2", "landing")], "and no other box receives it"
    with Reader(server) as reader:
        for name in NAMES:
            kept = [sequence for (sequence,) in reader.series(name, ["sequence"])]
            assert kept == list(range(1, boxes.sequence[name] + 1)), name
            numbers = sorted(one.number for one in reader.summaries(name))
            assert numbers == [*range(100, 108), *range(300, 308)], name
        for name in ("mast", "table"):
            _is_the_estimate_of_one_program(reader, settings, name)


def _mark(server: str, kind: str) -> None:
    hand_over(server, Mark(box="table2", kind=kind, name=None, wall_s=time.time()))


def _limits(server: str, name: str) -> dict[str, int]:
    time.sleep(0.05)
    with Reader(server) as reader:
        return dict(reader.board_settings(name))


def _is_the_estimate_of_one_program(reader: Reader, settings: Path, name: str) -> None:
    """What the workers between them made of the readings is what one program makes of them all."""
    chosen = load(settings)
    saved, latest = reader.estimator(name, "M9"), reader.latest(name)
    assert saved is not None
    assert latest is not None
    assert saved.sequence == latest.sequence
    alone = tracker_for(chosen, name, "M9")
    assert isinstance(alone, Tracker)
    assert isinstance(tracker_for(chosen, name, "M9", saved), Tracker), "it can be resumed"
    Follower(name, chosen.boxes[name], alone).prime(reader.readings(name))
    again = alone.saved()
    assert again is not None
    mine, theirs = (json.loads(json.dumps(dict(one.state)))["estimator"] for one in (again, saved))
    assert list(_numbers(theirs)) == pytest.approx(list(_numbers(mine)), rel=1e-3, abs=1e-9), "saved with fewer digits"


def _numbers(state: object) -> Iterator[float]:
    if isinstance(state, dict):
        state = [state[key] for key in sorted(state)]
    if isinstance(state, list):
        for one in state:
            yield from _numbers(one)
    elif isinstance(state, int | float):
        yield float(state)

"""A small simulated board for the host's side of a connection, and a broker on this computer."""

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from groundbox.link.broker import Broker
from groundbox.link.clock import BoardMemory, Moment
from groundbox.link.exchange import Exchange
from groundbox.model import Item
from groundbox.wire import line
from groundbox.wire.messages import checksum, fields_of

WALL_S = 1_760_000_000.0
MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")


def reading_values(box: str, boot: int, sequence: int, uptime_ms: int, **given: object) -> list[object]:
    """Values of a reading; what is not given is unknown."""
    values: dict[str, object] = {name: None for name, *_ in fields_of("reading")}
    values.update(box=box, boot=boot, sequence=sequence, uptime_ms=uptime_ms, battery_mv=12_000 + sequence % 500)
    values.update(given)
    return list(values.values())


@dataclass
class FakeBoard:
    """Answers as the firmware does; its time is set from outside."""

    box: str = "mast"
    boot: int = 3
    slots: int = 240
    registry: str = field(default_factory=checksum)
    sequence: int = 0
    started_s: float = 0.0
    now_s: float = 0.0
    records: dict[int, bytes] = field(default_factory=dict)
    heard: list[tuple[str, list[object]]] = field(default_factory=list)
    acknowledged: int = 0
    out: bytes = b""
    mute_clock: bool = False

    @property
    def uptime_ms(self) -> int:
        return round((self.now_s - self.started_s) * 1000)

    def restart(self, boot: int) -> None:
        self.boot, self.sequence, self.acknowledged, self.records = boot, 0, 0, {}
        self.started_s = self.now_s
        self.out = self.hello()

    def measure(self, say: bool = True) -> None:
        """One more record."""
        self.sequence += 1
        values = reading_values(self.box, self.boot, self.sequence, self.uptime_ms)
        self.records[self.sequence] = line.encode("reading", values)
        self.records.pop(self.sequence - self.slots, None)
        if say:
            self.out += self.records[self.sequence]

    def hello(self) -> bytes:
        oldest = min(self.records, default=self.sequence + 1)
        about = ["0.1.0", self.registry, "00000000", "fake", "power", 500, oldest, self.uptime_ms]
        return line.encode("hello", [self.box, self.boot, self.sequence, *about])

    def hear(self, data: bytes) -> None:
        for one in data.splitlines():
            name, values = line.decode(one)
            self.heard.append((name, values))
            head = [self.box, self.boot, self.sequence]
            if name == "who":
                self.out += self.hello()
            elif name == "ask_clock" and not self.mute_clock:
                self.out += line.encode("clock", [*head, values[1], self.uptime_ms])
            elif name == "resend":
                wanted = range(values[2], values[3] + 1)
                self.out += b"".join(self.records[n] for n in wanted if n in self.records)
            elif name == "stored" and values[2] == self.boot:
                self.acknowledged = max(self.acknowledged, values[3])
            elif name == "get":
                self.out += line.encode("answer", [*head, values[1], "ok", values[2], "42", 0, 100, None])

    def say(self) -> bytes:
        out, self.out = self.out, b""
        return out


class Desk:
    """An exchange and a board on one line, with clocks that only `run` moves."""

    def __init__(self, session: Exchange, board: FakeBoard) -> None:
        self.session, self.board = session, board
        self.wall_s, self.monotonic_s = WALL_S, 1000.0
        self.items: list[Item] = []
        self.damage: Callable[[bytes], bytes] = lambda data: data

    def now(self) -> Moment:
        return Moment(wall_s=self.wall_s, monotonic_s=self.monotonic_s, real_s=self.monotonic_s)

    def run(self, seconds: float, *, measure: bool = True, step_s: float = 0.05, delay_s: float = 0.0) -> list[Item]:
        """Lets time pass; the items that came."""
        before = len(self.items)
        for step in range(round(seconds / step_s)):
            self.wall_s += step_s
            self.monotonic_s += step_s
            self.board.now_s += step_s
            if measure and step % round(1 / step_s) == 0:
                self.board.measure()
            self.items += self.session.receive(self.damage(self.board.say()), self.now())
            self.items += self.session.tick(self.now())
            self.board.hear(self.session.output())
        return self.items[before:]


@pytest.fixture
def board() -> FakeBoard:
    return FakeBoard()


@pytest.fixture
def desk(board: FakeBoard) -> Desk:
    return Desk(Exchange("/dev/board", BoardMemory(), 1000), board)


@pytest.fixture
def make_desk() -> Callable[..., Desk]:
    return lambda session, board: Desk(session, board)


@pytest.fixture
def make_board() -> type[FakeBoard]:
    return FakeBoard


@pytest.fixture
def make_reading() -> Callable[..., list[object]]:
    return reading_values


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    if MOSQUITTO is None:
        pytest.skip("no mosquitto on this machine")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    settings = tmp_path / "broker.conf"
    settings.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
    process = subprocess.Popen([MOSQUITTO, "-c", str(settings)], stderr=subprocess.DEVNULL)
    end_s = time.monotonic() + 10.0
    while time.monotonic() < end_s:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                break
        time.sleep(0.02)
    yield Broker(host="127.0.0.1", port=port)
    process.terminate()
    process.wait()

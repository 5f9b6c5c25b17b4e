"""A board with a radio and a cable, a broker and a host, each to be broken by itself."""

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from tests.field.database import rows
from tests.field.ports import free_port

from groundbox.link.secret_files import network_file, new_key
from groundbox.rig.bench import SimClock, SimulatedBoard
from groundbox.rig.demo_boxes import MAST

MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
PATIENCE_S = 30.0
SPEED = 8.0


def wait(enough: Callable[[], object], what: str = "") -> None:
    end_s = time.monotonic() + PATIENCE_S
    while not enough():
        assert time.monotonic() < end_s, what
        time.sleep(0.05)


class Field:
    """A board with a radio, a broker and a host, each to be broken by itself."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.broker: subprocess.Popen[bytes] | None = None
        self.host: subprocess.Popen[str] | None = None
        self.board: SimulatedBoard | None = None
        self.key = new_key(folder / "keys", "mast")
        (folder / "broker.conf").write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\n")
        (self.folder / "groundbox.toml").write_text(
            f'database = "day.db"\nkeys = "keys"\nsound = "off"\n[[brokers]]\nhost = "127.0.0.1"\nport = {self.port}\n'
        )

    def start_broker(self) -> None:
        self.broker = subprocess.Popen([MOSQUITTO, "-c", "broker.conf"], cwd=self.folder, stderr=subprocess.DEVNULL)

    def start_host(self, port: str = "nothing") -> None:
        command = [sys.executable, "-c", "from groundbox.cli import main; main()", "log", "--port", port]
        with (self.folder / "said").open("a") as said:
            self.host = subprocess.Popen(command, cwd=self.folder, stdout=said, stderr=subprocess.STDOUT, text=True)

    def start_board(self, speed: float = SPEED, **values: str) -> None:
        settings = {"radio_allowed": 1, "radio_silent_in_flight": 1}
        self.board = SimulatedBoard(MAST, SimClock(speed), self.folder / "board", board_settings=settings)
        given = {"broker": "127.0.0.1", "port": str(self.port), "key": self.key.hex(), **values}
        (self.folder / "board" / "flash" / "network").write_bytes(network_file("test", given))
        self.board.start()

    def kill(self, process: subprocess.Popen) -> None:
        process.send_signal(signal.SIGCONT)
        process.kill()
        process.wait()

    def stored(self) -> list[int]:
        """Numbers of all stored records of the board's newest start, once each or more."""
        newest = "boot = (SELECT max(boot) FROM reading)"
        return [
            row[0]
            for row in self.rows(
                f"SELECT sequence FROM reading WHERE {newest} UNION ALL SELECT sequence FROM event WHERE {newest}"
                " ORDER BY sequence"
            )
        ]

    def summaries(self) -> list[tuple[int, ...]]:
        return self.rows("SELECT boot, sequence, uptime_ms, battery_mv FROM summary ORDER BY boot, sequence")

    def rows(self, query: str) -> list[tuple[int, ...]]:
        return rows(self.folder / "day.db", query)

    def end(self) -> None:
        if self.board:
            self.board.stop()
        for process in (self.host, self.broker):
            if process and process.poll() is None:
                self.kill(process)


def whole(field: Field) -> int:
    """How many records are stored; they must be all, once each."""
    stored = field.stored()
    assert len(set(stored)) == len(stored), "stored twice"
    return len(stored) if stored == list(range(1, len(stored) + 1)) else 0

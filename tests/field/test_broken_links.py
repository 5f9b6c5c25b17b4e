"""Links broken repeatedly between the real firmware, a real broker and `groundbox log`, and every record counted."""

import os
import random
import signal
import time
from collections.abc import Callable

import pytest
from tests.benchmarks import faults
from tests.field.breakable import MOSQUITTO, SPEED, Field, wait, whole

from groundbox.rig.process import interpreter_path

GROWS = 3  # a link has recovered when so many new records, and all before them, are stored
RECORDS = "SELECT sequence, uptime_ms FROM reading UNION ALL SELECT sequence, uptime_ms FROM event ORDER BY sequence, 2"

pytestmark = [
    pytest.mark.endurance,
    pytest.mark.skipif(os.name == "nt", reason="simulated boards need pseudo-terminals"),
    pytest.mark.skipif(MOSQUITTO is None, reason="no mosquitto on this machine"),
    pytest.mark.skipif(interpreter_path() is None, reason="no micropython command here"),
]


def _campaign(field: Field, fault: str, times: int, breaking: Callable[[float], None]) -> None:
    """Breaks and restores the link, each time until all records are stored again; reports the counts.

    Args:
        breaking: breaks the link for the given real seconds and restores it.
    """
    dice = random.Random(fault)
    wait(lambda: whole(field) > 5, "nothing is stored")
    recovered_s = []
    for number in range(times):
        breaking(dice.uniform(0.05, 1.0))
        restored_s, before = time.monotonic(), len(field.rows(RECORDS))
        wait(lambda: whole(field) >= before + GROWS, f"not after break {number + 1}")  # noqa: B023
        recovered_s.append(time.monotonic() - restored_s)
    health = "SELECT max(late_steps), max(link_restarts) FROM health"
    wait(lambda: field.rows(health)[0][0] is not None, "no health, although a connection was up for a minute")
    end_ms = 1000 * field.board.box.now_s
    wait(lambda: field.rows("SELECT max(uptime_ms) FROM reading")[0][0] >= end_ms, "the last are missing")
    records = field.rows(RECORDS)
    numbers, uptimes = [row[0] for row in records], [row[1] for row in records]
    sent, once = max(numbers), len(set(numbers))
    invented = len(numbers) - once + sum(b < a for a, b in zip(uptimes, uptimes[1:], strict=False))
    late, restarted = field.rows(health)[0]
    besides = f"recovered within {max(recovered_s):.1f} s, {sorted(recovered_s)[times // 2]:.1f} s as a rule"
    faults.keep("Links", [(fault, sent, once, sent - once, invented, besides)])
    assert (sent - once, invented, late, restarted, field.board.starts) == (0, 0, 0, 0, 1)


def test_unplugged_and_replugged_100_times(field: Field) -> None:
    field.start_board()
    field.start_host(field.board.port)

    def replug(seconds: float) -> None:
        field.board.plug(False)
        time.sleep(seconds)
        field.board.plug(True)

    _campaign(field, "cable unplugged and plugged in 100 times", 100, replug)


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_broker_ended_and_started_20_times(field: Field, how: signal.Signals) -> None:
    field.start_broker()
    field.start_host()
    field.start_board()

    def restart(seconds: float) -> None:
        field.broker.send_signal(how)
        field.broker.wait()
        time.sleep(seconds)
        field.start_broker()

    word = "killed" if how == signal.SIGKILL else "stopped"
    _campaign(field, f"broker {word} and started again 20 times", 20, restart)


def test_broker_half_open_10_times(field: Field) -> None:
    field.start_broker()
    field.start_host()
    field.start_board()

    def hang(seconds: float) -> None:
        field.broker.send_signal(signal.SIGSTOP)
        time.sleep((10 + 60 * seconds) / SPEED)
        field.broker.send_signal(signal.SIGCONT)

    _campaign(field, "broker hangs 10 times, 13 to 70 s of the board's time", 10, hang)


def test_host_killed_20_times_at_a_broker(field: Field) -> None:
    field.start_broker()
    field.start_host()
    field.start_board()

    def restart(seconds: float) -> None:
        field.kill(field.host)
        time.sleep(seconds)
        field.start_host()

    _campaign(field, "host killed and started again 20 times, at a broker", 20, restart)

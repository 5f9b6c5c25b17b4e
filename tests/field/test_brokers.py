"""Several brokers at once, by TLS and password, through their restarts; and a store that is slow for long."""

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from tests.benchmarks import faults
from tests.field.database import rows
from tests.field.hostile import CLOCKS, MOSQUITTO, count, host, millivolts, mosquitto, reading, said, speaker, until
from tests.field.ports import free_port

from groundbox import settings
from groundbox.link.secret_files import network_file, new_key
from groundbox.link.source import Arrivals
from groundbox.model import LinkNote, Reading
from groundbox.rig.bench import SimClock, SimulatedBoard
from groundbox.rig.demo_boxes import MAST
from groundbox.rig.process import interpreter_path
from groundbox.toml_file import read_toml
from groundbox.ui import cmd_board_install
from groundbox.ui.bridge.start import own_broker
from groundbox.ui.recording import broker_of, sources_of

COMMAND = [sys.executable, "-c", "from groundbox.cli import main; main()"]
pytestmark = pytest.mark.skipif(MOSQUITTO is None or shutil.which("openssl") is None, reason="no mosquitto or openssl")


@contextmanager
def _running(folder: Path) -> Iterator[None]:
    """mosquitto with the very files that `groundbox broker setup` wrote."""
    file = folder / "mosquitto.conf"
    if (
        os.geteuid() == 0 and "\nuser " not in file.read_text()
    ):  # it would become another user, who may not read the folder
        file.write_text(file.read_text() + "user root\n")
    process = subprocess.Popen([str(MOSQUITTO), "-c", str(file)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield
    finally:
        process.terminate()
        process.wait()


@contextmanager
def _board(port: int, folder: Path, box: str, ca_file: Path | None) -> Iterator[paho.Client]:
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"groundbox-{box}")
    client.username_pw_set(box, (folder / f"{box}.password").read_text().strip())
    if ca_file:
        client.tls_set(ca_certs=str(ca_file))
    client.connect("127.0.0.1", port)
    client.loop_start()
    until(client.is_connected)
    yield client
    client.disconnect()
    client.loop_stop()


def test_two_brokers_by_tls_and_password_and_one_that_restarts(tmp_path: Path) -> None:
    port, inside_port = free_port(), free_port()
    folder = tmp_path / "broker"
    setup = ["broker", "setup", "broker", "--box", "mast", "--port", str(port)]
    subprocess.run([*COMMAND, *setup], cwd=tmp_path, check=True, capture_output=True, timeout=120)
    (tmp_path / settings.FILE_NAME).write_text(
        f'database = "day.db"\nports = []\nkeys = "keys"\n[boxes.table]\ncutoff_volts = 11.0\n'
        f"[own_broker]\nport = {inside_port}\n"
        f'[[brokers]]\nhost = "127.0.0.1"\nport = {port}\nusername = "groundbox-program"\n'
        'password_file = "broker/groundbox-program.password"\nca_file = "broker/ca.pem"\n'
    )
    chosen = settings.load(tmp_path / settings.FILE_NAME)
    inside, way_in, _ = own_broker(chosen)
    arrivals, got = Arrivals(), list[object]()
    with inside:
        sources = sources_of(chosen, arrivals, CLOCKS, ("nothing*",), [broker_of(chosen, 0), way_in])
        for source in sources:
            source.start()

        def heard(box: str, many: int) -> bool:
            got.extend(arrivals.take())
            return sum(isinstance(one, Reading) and one.box == box for one in got) >= many

        for turn in range(2):  # the broker is started, and started again
            with _running(folder):
                until(lambda: all(source._connected for source in sources[1:]))
                time.sleep(0.3)
                with _board(port, folder, "mast", folder / "ca.pem") as mast:
                    mast.publish("groundbox/mast/reading", said(reading("mast", 3, turn + 1)), qos=1)
                    until(lambda: heard("mast", turn + 1))  # noqa: B023
                with _board(inside_port, tmp_path / "day.db.broker", "table", None) as table:
                    table.publish("groundbox/table/reading", said(reading("table", 3, turn + 1)), qos=1)
                    until(lambda: heard("table", turn + 1))  # noqa: B023
                arrivals.committed()
            until(lambda: not sources[1]._connected)
        for source in sources:
            source.stop()
    words = " ".join(one.sentence for one in got if isinstance(one, LinkNote))
    secrets = [path.read_text().strip() for path in (*folder.glob("*.password"), *tmp_path.glob("*.broker/*.password"))]
    assert len(secrets) == 6
    assert not any(secret in words for secret in secrets)


@pytest.mark.parametrize("key", ["password_file", "ca_file"])
@pytest.mark.parametrize("content", [None, b"", b"\xff\xfe"])
def test_a_missing_or_unusable_file_is_named(tmp_path: Path, key: str, content: bytes | None) -> None:
    if content is not None:
        (tmp_path / "word").write_bytes(content)
    path = tmp_path / settings.FILE_NAME
    path.write_text(f'[[brokers]]\nhost = "127.0.0.1"\n{key} = "word"\n')
    with pytest.raises(settings.BadInput, match="word"):
        broker_of(settings.load(path), 0)


@pytest.mark.skipif(interpreter_path() is None, reason="no micropython command here")
@pytest.mark.parametrize(
    "own", [pytest.param(False, id="mosquitto", marks=pytest.mark.endurance), pytest.param(True, id="inside")]
)
def test_from_setup_to_a_command_in_the_box(tmp_path: Path, own: bool) -> None:
    """As a person does: set up a broker, send its data to the board, record, mark a launch that reaches the board."""
    port = free_port()
    folder = tmp_path / "broker"
    setup = ["broker", "setup", "broker", "--box", "mast", "--port", str(port), "--name", "127.0.0.1"]
    subprocess.run([*COMMAND, *setup], cwd=tmp_path, check=True, capture_output=True, timeout=120)
    entry = (
        f'[own_broker]\nport = {port}\nfolder = "broker"\n'
        if own
        else f'[[brokers]]\nhost = "127.0.0.1"\nport = {port}\nusername = "groundbox-program"\n'
        'password_file = "broker/groundbox-program.password"\nca_file = "broker/ca.pem"\n'
    )
    (tmp_path / settings.FILE_NAME).write_text(f'database = "day.db"\nkeys = "keys"\nsound = "off"\n{entry}')
    file = folder / "mast.toml"
    values = cmd_board_install.values_of(file, read_toml(file, cmd_board_install.NetworkFile))
    values["key"] = new_key(tmp_path / "keys", "mast").hex()
    board = SimulatedBoard(MAST, SimClock(8.0), tmp_path / "board", board_settings={"radio_allowed": 1})
    (tmp_path / "board" / "flash" / "network").write_bytes(network_file(file, values))
    with ExitStack() as more:
        if not own:
            more.enter_context(_running(folder))
        said = more.enter_context((tmp_path / "said").open("w"))
        log = subprocess.Popen(
            [*COMMAND, "log", "--port", "nothing"], cwd=tmp_path, stdout=said, stderr=subprocess.STDOUT
        )
        more.callback(log.wait)
        more.callback(log.terminate)
        board.start()
        more.callback(board.stop)
        database = tmp_path / "day.db"
        until(lambda: len(rows(database, "SELECT 1 FROM reading")) > 5, 60)
        subprocess.run(
            [*COMMAND, "mark", "launch", "mast", "--confirm"], cwd=tmp_path, check=True, capture_output=True, timeout=60
        )
        until(lambda: rows(database, "SELECT 1 FROM event WHERE kind = 'launch'"), 60)
        time.sleep(1.0)
        sequences = [
            row[0] for row in rows(database, "SELECT sequence FROM reading UNION ALL SELECT sequence FROM event")
        ]
        assert len(sequences) == len(set(sequences))
    words = (tmp_path / "said").read_text()
    secrets = [values["key"], *(path.read_text().strip() for path in folder.glob("*.password"))]
    assert not any(secret in words for secret in secrets)


@pytest.mark.endurance
def test_a_store_that_is_blocked_longer_than_the_broker_waits(tmp_path: Path) -> None:
    """Twice a minute of a locked disk, room for ten items: the broker gives up, sends again, and nothing is lost."""
    sent = {("mast", 3, n, millivolts(n)) for n in range(1, 301)}
    with mosquitto(tmp_path) as broker, host(tmp_path / "day.db", broker, most=10) as found:
        found.slow_s = 60.0
        with speaker(broker, "mast") as mast:
            for n in range(1, 301):
                mast.publish("groundbox/mast/reading", said(reading("mast", 3, n)), qos=1)
            time.sleep(62)
            found.slow_s = 0.0
            until(lambda: found.taken >= len(sent), 150)
    result = count(tmp_path / "day.db", sent)
    counts = (result.sent, result.once, result.lost, result.invented)
    fault = "a store that is blocked for a minute, twice, with room for 10 items"
    faults.keep(faults.HOSTILE, [(fault, *counts, "the broker held the rest")])
    assert (result.once, result.lost, result.invented) == (300, 0, 0)

"""groundbox now, mark, acknowledge and log as typed: what they print, and their exit status."""

import io
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner
from tests.host.monitor.test_recorder import SETTINGS, Boards, Heard
from tests.host.ui.samples import IN_FLIGHT, READY, STALLED

from groundbox.advice.result import SessionAdvice
from groundbox.advice.words import CHARGE_CAUTIONS
from groundbox.cli import COMMANDS, commands, main
from groundbox.link.clock import Clocks
from groundbox.link.mqtt import MqttSource
from groundbox.link.serial_link import SerialPorts
from groundbox.link.source import Arrivals
from groundbox.model import Event, Mark, WarningChange, in_force
from groundbox.monitor.from_store import flights_flown
from groundbox.monitor.recorder import Recorder
from groundbox.settings import load
from groundbox.store import Reader, Store
from groundbox.ui.cmd_demo import fresh_folder
from groundbox.ui.recording import broker_of, sources_of

Run = Callable[..., tuple[int, str]]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "groundbox.toml").write_text(SETTINGS)
    (tmp_path / "sedge.toml").write_text("c20_ah = 9.0\n")
    (tmp_path / "heath.toml").write_text("c20_ah = 18.0\n")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Types a command; (exit status, all it printed)."""

    def typed(*words: str) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["groundbox", *words])
        status = 0
        try:
            main()
        except SystemExit as end:
            status = int(end.code or 0)
        out, err = capsys.readouterr()
        return status, out + err

    return typed


def test_every_command_has_help_with_an_example() -> None:
    for name in COMMANDS:
        result = CliRunner().invoke(commands, [name, "--help"])
        assert result.exit_code == 0, result.output
        assert "groundbox " + name in result.output.replace("Usage: commands", "groundbox"), name


def test_help_and_mark_do_not_load_numpy() -> None:
    """32-bit single-board computers have none."""
    program = (
        "import sys; sys.modules['numpy'] = None; from groundbox.cli import commands; "
        "commands(['log', '--help'], standalone_mode=False); commands(['mark', '--help'], standalone_mode=False)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert "groundbox log" in done.stdout


def test_mark_before_any_log(folder: Path, run: Run) -> None:
    status, text = run("mark", "charge", "mast", "bench")
    assert status == 0
    assert "mast: charge marked, bench" in text
    assert all(caution in text for caution in CHARGE_CAUTIONS)
    with Reader(folder / "day.db") as reader:
        (mark,) = reader.marks("mast")
    assert (mark.kind, mark.name) == ("charge", "bench")
    assert time.time() - mark.wall_s < 60


def test_mark_as_json_carries_the_cautions(folder: Path, run: Run) -> None:
    status, text = run("mark", "charge", "mast", "--json")
    assert status == 0
    answer = json.loads(text)
    assert answer["mark"] == "charge"
    assert answer["cautions"] == list(CHARGE_CAUTIONS)


@pytest.mark.parametrize(
    ("words", "what_to_type"),
    [
        (("mark", "launch", "mats"), "box: mats: no such box; did you mean mast?"),
        (("mark", "launch", "pond"), "known boxes: mast"),
        (
            ("mark", "swap", "mast", "hearth"),
            "battery: hearth: no such battery in the settings (known: sedge, heath)",
        ),
        (("mark", "launch", "mast", "x"), "a launch has no name"),
        (("mark", "swap"), "a swap concerns one box; type: groundbox mark swap BOX"),
        (
            ("mark", "launch"),
            "No recorder gives advice, so no runtime is known. Record the launch?",
        ),
        (("mark", "undo"), "no such database"),
        (("now",), "type --database FILE to name another, or make it: groundbox log"),
        (("acknowledge",), "no such database"),
        (("log", "--settings", "none.toml"), "none.toml: cannot be read"),
        (("log", "--database", "sedge.toml/x.db"), "sedge.toml: cannot be made, or is not a folder"),
        (("mark", "launch", "mast", "--database", "sedge.toml/x.db"), "sedge.toml: cannot be made, or is not a folder"),
    ],
)
def test_mistakes_are_one_line(folder: Path, run: Run, words: tuple[str, ...], what_to_type: str) -> None:
    status, text = run(*words)
    assert status == 2
    assert text.startswith("groundbox: ")
    assert text.count("\n") == 1
    assert what_to_type in text


def test_settings_mistakes_reach_the_person(folder: Path, run: Run) -> None:
    (folder / "groundbox.toml").write_text(SETTINGS.replace("cutoff_volts = 11.0", "cutoff_mv = 11000"))
    status, text = run("log")
    assert status == 2
    assert text.startswith(
        "groundbox: groundbox.toml: boxes.mast.cutoff_mv: is not known here; did you mean cutoff_volts"
    )
    assert text.count("\n") == 1


def test_a_database_of_another_kind(folder: Path, run: Run) -> None:
    (folder / "day.db").write_text("this is no database at all, but a text long enough to be looked at " * 20)
    status, text = run("log")
    assert status == 2
    assert text.count("\n") == 1
    assert "day.db" in text


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="POSIX permissions")
def test_a_read_only_database(folder: Path, run: Run) -> None:
    with Store(folder / "day.db"):
        pass
    if os.geteuid() == 0:
        pytest.skip("root may write everywhere")
    (folder / "day.db").chmod(0o444)
    folder.chmod(0o555)
    try:
        status, text = run("log")
    finally:
        folder.chmod(0o755)
    assert status == 2
    assert text.count("\n") == 1


def _warn(folder: Path, **changes: str) -> None:
    with Store(folder / "day.db") as store:
        values = {
            "box": "mast",
            "warning": "heat",
            "severity": "urgent",
            "change": "raised",
            "sentence": "56 °C: open it",
        }
        store.add_warning(WarningChange(**{**values, **changes}, wall_s=time.time()))  # type: ignore[arg-type]
        store.commit()


def test_acknowledge(folder: Path, run: Run) -> None:
    _warn(folder)
    assert run("acknowledge", "mast", "silent") == (
        2,
        "groundbox: warning: silent: is not open at mast; open warnings: heat\n",
    )
    assert run("acknowledge") == (0, "acknowledged: URGENT mast: 56 °C: open it\n")
    with Reader(folder / "day.db") as reader:
        (one,) = reader.open_warnings()
    assert one.change == "acknowledged"
    assert run("acknowledge", "mast") == (0, "no warning is open\n")


def _advise(folder: Path, advice: SessionAdvice) -> None:
    with Store(folder / "day.db") as store:
        store.save_advice(time.time(), msgspec.json.encode(advice).decode())
        store.commit()


def _marks(folder: Path) -> list[tuple[str, str, bool]]:
    with Reader(folder / "day.db") as reader:
        return [(mark.box, mark.kind, mark.confirmed) for mark in reader.marks()]


def test_a_launch_with_a_good_verdict_is_not_asked_about(folder: Path, run: Run) -> None:
    _advise(folder, READY)
    assert run("mark", "launch")[0] == 0
    assert _marks(folder) == [("*", "launch", False)]


def test_a_launch_against_advice_is_asked_about_once_and_recorded_as_confirmed(folder: Path, run: Run) -> None:
    _advise(folder, STALLED)
    status, text = run("mark", "launch")
    assert status == 2
    assert "Do not launch: table, fan 2 is driven and does not turn, case 33 °C. Record the launch?" in text
    assert _marks(folder) == []
    assert run("mark", "launch", "--confirm")[0] == 0
    assert _marks(folder) == [("*", "launch", True)]


def test_a_swap_in_flight_and_a_battery_of_another_box_are_asked_about(folder: Path, run: Run) -> None:
    text = SETTINGS + '[boxes.table]\nbattery = "heath"\ncutoff_volts = 11.0\n'
    (folder / "groundbox.toml").write_text(text)
    _advise(folder, READY)
    status, text = run("mark", "swap", "mast", "heath")
    assert status == 2
    assert "Battery heath is in box table. Is it in mast now?" in text
    _advise(folder, IN_FLIGHT)
    status, text = run("mark", "swap", "mast", "sedge")
    assert status == 2
    assert "Was the battery of mast swapped in flight?" in text


def test_undo_takes_the_last_mark_back(folder: Path, run: Run) -> None:
    _advise(folder, READY)
    run("mark", "charge", "mast")
    run("mark", "launch")
    assert "all boxes: launch is undone" in run("mark", "undo")[1]
    with Reader(folder / "day.db") as reader:
        assert [mark.kind for mark in in_force(reader.marks())] == ["charge"]
    run("mark", "undo")
    assert run("mark", "undo") == (2, "groundbox: undo: there is no mark to undo\n")


def test_undo_takes_back_the_press_of_a_button_that_is_newer_than_every_mark(folder: Path, run: Run) -> None:
    _advise(folder, READY)
    run("mark", "launch")
    with Store(folder / "day.db") as store:
        pressed = Event(box="mast", boot=1, sequence=1, uptime_ms=9000, kind="landing", wall_s=READY.made_at_s + 5)
        store.add([pressed])
        store.commit()
    with Reader(folder / "day.db") as reader:
        assert flights_flown(reader, READY.made_at_s + 9)[0][1] is not None
    assert "mast: landing is undone" in run("mark", "undo")[1]
    with Reader(folder / "day.db") as reader:
        assert [landed_s for _, landed_s in flights_flown(reader, READY.made_at_s + 9)] == [None], (
            "in the air, as before"
        )
    assert "all boxes: launch is undone" in run("mark", "undo")[1]
    assert "no mark to undo" in run("mark", "undo")[1]


def test_shared_boxes_are_named_or_in_a_group(folder: Path, run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    handed: list[Mark] = []
    monkeypatch.setattr("groundbox.ui.cmd_mark.hand_over", lambda where, mark: handed.append(mark))
    monkeypatch.setattr("groundbox.ui.cmd_mark.Reader", lambda where: Reader(folder / "day.db"))
    monkeypatch.setattr("groundbox.ui.cmd_mark.known_box", lambda chosen, box: box)
    _advise(folder, READY)
    groups = '[groups]\nwren = ["mast", "table"]\n'
    shared = SETTINGS.replace('"day.db"', '"postgresql://pilot@club/boxes"')
    (folder / "groundbox.toml").write_text(shared + groups)
    status, text = run("mark", "launch")
    assert status == 2
    assert "boxes are shared here; type: groundbox mark launch BOX" in text
    assert run("mark", "launch", "wren")[0] == 0
    assert [(mark.box, mark.kind) for mark in handed] == [("mast", "launch"), ("table", "launch")]


def test_a_swap_marked_while_nothing_records_counts_at_the_next_start(folder: Path, run: Run) -> None:
    assert run("mark", "swap", "mast", "heath")[0] == 0
    settings = load(folder / "groundbox.toml")
    with Store(settings.database_path) as store:
        clocks = Clocks(wall_s=time.time, monotonic_s=time.monotonic)
        recorder = Recorder(settings, store, Arrivals(), [Boards()], clocks, Heard())
        tracker = recorder.followers["mast"].tracker
        assert tracker is not None
        assert tracker.battery == "heath"


def test_a_brokers_password_is_read_from_its_file(folder: Path, run: Run) -> None:
    broker = '\n[[brokers]]\nhost = "127.0.0.1"\nusername = "host"\npassword_file = "secret"\n'
    (folder / "groundbox.toml").write_text(SETTINGS + broker)
    status, text = run("log")
    assert status == 2
    assert (
        text
        == "groundbox: groundbox.toml: brokers 1.password_file: secret cannot be read (No such file or directory)\n"
    )
    (folder / "secret").write_text("open sesame\n")
    clocks = Clocks(wall_s=time.time, monotonic_s=time.monotonic)
    settings = load(folder / "groundbox.toml")
    serial, mqtt = sources_of(settings, Arrivals(), clocks, ("/dev/none",), [broker_of(settings, 0)])
    assert isinstance(serial, SerialPorts)
    assert isinstance(mqtt, MqttSource)
    assert mqtt._broker.password == "open sesame"


def test_a_demo_folder_may_be_named_from_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert fresh_folder(Path("bog")) == tmp_path / "bog"


@pytest.mark.parametrize("page", ["ascii", "cp1252"])
def test_no_command_ends_at_a_letter_that_the_output_lacks(
    folder: Path, monkeypatch: pytest.MonkeyPatch, page: str
) -> None:
    """A load, a battery, a charger and a file with letters that the code page of the output lacks."""
    place = fresh_folder(folder / "demo")
    for file in place.glob("*.toml"):
        text = file.read_text("utf-8").replace("servos", "głośnik").replace("M9.toml", "żółw.toml")
        file.with_stem(file.stem.replace("M9", "żółw")).write_text(text, "utf-8")
    monkeypatch.chdir(place)
    advice = msgspec.structs.replace(STALLED, headline="głośnik", sentence="głośnik", action="głośnik")
    with Store(place / "session.db") as store:
        store.save_advice(time.time(), msgspec.json.encode(advice).decode())
        store.commit()
    (place / "day.csv").write_text("t_s,volts,głośnik\n" + "".join(f"{10 * n},12.4,1\n" for n in range(20)), "utf-8")
    typed = [
        ("now",),
        ("now", "--json"),
        ("mark", "swap", "mast", "M9"),
        ("mark", "swap", "mast", "łabędź"),
        ("acknowledge", "głośnik"),
        ("battery", "show", "żółw.toml"),
        ("battery", "show", "łabędź.toml"),
        ("plan", "bog_day.toml"),
        ("plan", "bog_day.toml", "--json"),
        ("replay", "day.csv", "--battery", "żółw.toml", "--cutoff", "11"),
        ("report", "--out", "głośnik.html"),
        ("size", "głośnik.toml"),
        ("size", "bog_mast_box.toml"),
        ("case", "show", "głośnik.toml"),
        ("log", "--settings", "głośnik.toml"),
        ("rig", "głośnik.toml"),
        ("board", "głośnik"),
        ("broker", "głośnik"),
    ]
    for words in typed:
        out, err = (io.TextIOWrapper(io.BytesIO(), page, write_through=True) for _ in range(2))
        monkeypatch.setattr(sys, "stdout", out)
        monkeypatch.setattr(sys, "stderr", err)
        monkeypatch.setattr(sys, "argv", ["groundbox", *words])
        with suppress(SystemExit):
            main()
        said = out.buffer.getvalue() + err.buffer.getvalue()  # type: ignore[attr-defined]
        assert said, words
        assert b"Traceback" not in said, words
        if words == ("now",):
            assert b"g?o?nik" in said or "głośnik".encode() in said, "the rest of the word is there"

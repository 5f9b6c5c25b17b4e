"""`groundbox now`: shows the stored advice, counts its age, and its exit status is the answer."""

import io
import json
import time
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner
from msgspec import structs
from rich.console import Console
from tests.host.ui.samples import IN_FLIGHT, READY, STALLED

from groundbox.advice.result import SessionAdvice
from groundbox.cli import commands
from groundbox.errors import BadInput
from groundbox.monitor.from_store import aged
from groundbox.store import Store
from groundbox.ui import cmd_now
from groundbox.ui.cmd_now import exit_status
from groundbox.ui.screen import drawn


def _now(folder: Path, advice: SessionAdvice | None, age_s: float, *options: str) -> tuple[int, str]:
    database = folder / "now.db"
    with Store(database) as store:
        if advice is not None:
            store.save_advice(time.time() - age_s, msgspec.json.encode(advice).decode())
        store.commit()
    done = CliRunner().invoke(commands, ["now", "--database", str(database), *options], catch_exceptions=False)
    return done.exit_code, done.output


def test_the_answer_is_the_exit_status(tmp_path: Path) -> None:
    status, text = _now(tmp_path, READY, 0.5)
    assert status == 0
    assert text.startswith(
        "Clear to launch: mast, runtime 2 h 30 min, a flight with its reserve needs 50 min. Launch when"
    )
    status, text = _now(tmp_path, STALLED, 0.5)
    assert status == 1
    assert text.startswith(
        "Do not launch: table, fan 2 is driven and does not turn, case 33 °C. Unplug the battery first"
    )


def test_json_is_the_stored_object(tmp_path: Path) -> None:
    status, text = _now(tmp_path, IN_FLIGHT, 0.5, "--json")
    assert status == 0
    assert json.loads(text) == json.loads(msgspec.json.encode(IN_FLIGHT))


def test_without_a_recorder_the_verdict_is_unknown(tmp_path: Path) -> None:
    status, text = _now(tmp_path, READY, 120.0)
    assert status == 1
    assert text.startswith("Unknown: no data. Check that `groundbox log` is running.")
    assert "the recorder's last row is 2 min old" in text
    assert "Clear" not in text


def test_without_a_recorder_in_flight_the_last_turn_back_time_stays(tmp_path: Path) -> None:
    status, text = _now(tmp_path, IN_FLIGHT, 20.0, "--json")
    plain = json.loads(text)
    assert status == 1
    assert (plain["verdict"], plain["turn_back_at"], plain["turn_back_stale"]) == (
        "unknown",
        IN_FLIGHT.turn_back_at,
        True,
    )
    assert plain["action"].startswith("Turn back by ")


def test_no_advice_at_all_is_no_recorder(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="start a recorder: groundbox log"):  # which ends with exit status 2
        _now(tmp_path, None, 0.0)


@pytest.mark.parametrize("sample", [READY, IN_FLIGHT, STALLED])
def test_an_aged_verdict_is_never_good(sample: SessionAdvice) -> None:
    for age_s in (25.0, 600.0, 40000.0):
        late = aged(sample, age_s)
        assert late.verdict in ("unknown", "return_now", "do_not_launch")
        assert exit_status(late) == 1
        for box in late.boxes:
            assert box.verdict in ("unknown", "return_now", "do_not_launch")
    assert aged(sample, 0.0) == sample
    assert aged(IN_FLIGHT, 5000.0).verdict == "return_now"


@pytest.mark.parametrize("width", [36, 80])
def test_it_fits_the_width_and_shows_all(width: int) -> None:
    file = io.StringIO()
    Console(file=file, width=width, force_terminal=False).print(drawn(STALLED, "Ctrl-C ends"))
    shown = file.getvalue()
    assert max(map(len, shown.splitlines())) <= width
    words = " ".join(shown.split())
    for one in ("mast", "table", "12.4 V", "runtime 150 / 180", "fan_stalled"):
        assert one in words


def test_no_box_is_unknown() -> None:
    file = io.StringIO()
    Console(file=file, width=80).print(
        drawn(structs.replace(READY, boxes=(), headline="Unknown: no box heard yet"), "")
    )
    assert "Unknown: no box heard yet" in file.getvalue()


def test_piped_it_prints_plain_lines_until_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    looks: list[int] = []
    file = io.StringIO()

    def look() -> tuple[SessionAdvice, float]:
        looks.append(1)
        if len(looks) == 3:
            raise KeyboardInterrupt
        return READY, 0.5

    monkeypatch.setattr(cmd_now, "PLAIN_EVERY_S", 0.0)
    with pytest.raises(KeyboardInterrupt):
        cmd_now._follow(look, Console(file=file, highlight=False))
    assert "\x1b" not in file.getvalue()
    assert file.getvalue().count("mast: Clear to launch") == 2

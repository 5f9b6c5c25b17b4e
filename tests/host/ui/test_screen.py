"""The screen: 80 columns on a terminal, plain lines when piped; and what is heard."""

import io
import os
import stat
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from msgspec import structs
from rich.console import Console
from tests.host.ui.samples import READY, STALLED, WALL_S

from groundbox.advice.result import Cue, SessionAdvice
from groundbox.link.clock import Moment
from groundbox.model import WarningChange
from groundbox.ui import sound
from groundbox.ui.screen import Screen
from groundbox.ui.sound import Sounder

NOW = Moment(wall_s=WALL_S, monotonic_s=0.0, real_s=100.0)
CHANGE = WarningChange(
    box="mast",
    warning="fan_stalled",
    severity="urgent",
    change="raised",
    sentence="Fan 2 is driven and does not turn.",
    wall_s=WALL_S,
)


def _shown(terminal: bool) -> str:
    file, kept = io.StringIO(), io.StringIO()
    console = Console(file=file, width=80, force_terminal=terminal, highlight=False, color_system=None)
    with Screen(console, Sounder("off"), "Ctrl-C ends", kept) as screen:
        screen.say(WALL_S, "recording to somewhere")
        screen.warn(CHANGE)
        screen.warn(replace(CHANGE, change="cleared"))
        screen.show(STALLED, NOW)
        screen.show(READY, NOW)
    assert kept.getvalue().count("\n") == 3
    return file.getvalue()


def test_piped_lines_are_plain_and_whole() -> None:
    text = _shown(terminal=False)
    assert "\x1b" not in text
    said, raised, cleared, table, mast = text.splitlines()
    assert said.endswith(" recording to somewhere")
    assert raised.endswith(" URGENT mast: Fan 2 is driven and does not turn.")
    assert cleared.endswith(" cleared mast: fan_stalled")
    assert "mast: Clear to launch: runtime" in mast
    assert table.endswith("; URGENT fan_stalled")


def test_on_a_terminal_it_fits_80_columns() -> None:
    text = _shown(terminal=True)
    last = text[text.rindex("recording to") :]
    rows = [row.rstrip() for row in last.splitlines() if "\x1b" not in row]
    assert any(row.startswith("mast       Clear to launch") for row in rows)
    assert all(len(row) <= 80 for row in rows)
    assert "           URGENT: Fan 2 is driven" in text


@pytest.mark.skipif(os.name == "nt", reason="makes a shell script")
def test_a_speech_program_says_the_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = tmp_path / "espeak-ng"
    program.write_text(f'#!/bin/sh\necho "$1" >> {tmp_path}/said\n')
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("PATH", f"{tmp_path}:/bin:/usr/bin")
    sounder = Sounder("auto")
    assert sounder.means == "bell and espeak-ng"
    sounder.sound("mast: open lid, fan stalled", "urgent")
    assert sounder._running is not None
    sounder._running.wait()
    sounder.close()
    assert (tmp_path / "said").read_text() == "mast: open lid, fan stalled\n"


@pytest.mark.skipif(os.name == "nt", reason="makes a shell script")
def test_a_player_gets_a_tone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = tmp_path / "aplay"
    program.write_text(f'#!/bin/sh\nhead -c 4 "$2" > {tmp_path}/heard\n')
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setattr(sound, "SPEAKERS", ())
    monkeypatch.setattr(sound, "PLAYERS", (("aplay", "-q"),))
    monkeypatch.setenv("PATH", f"{tmp_path}:/bin:/usr/bin")
    sounder = Sounder("auto")
    sounder.sound("mast: open lid, fan stalled", "urgent")
    assert sounder._running is not None
    sounder._running.wait()
    sounder.close()
    assert (tmp_path / "heard").read_bytes() == b"RIFF"


def test_the_bell_rings_on_a_terminal_only_and_can_be_off(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    for setting, stream, rung in (("bell", Terminal(), 1), ("off", Terminal(), 0), ("bell", io.StringIO(), 0)):
        with monkeypatch.context() as now:
            now.setattr(sys, "stdout", stream)
            Sounder(setting).sound("mast: open lid, fan stalled", "urgent")
            assert stream.getvalue().count("\a") == rung


class Written(Sounder):
    """Writes down what it would speak."""

    def __init__(self) -> None:
        super().__init__("off")
        self.spoken: list[str] = []

    def sound(self, spoken: str, severity: str) -> None:
        self.spoken.append(f"{severity} {spoken}")


def _cues(*numbers: int, at_s: float = WALL_S) -> SessionAdvice:
    cues = tuple(Cue(number=n, at_s=at_s, box="mast", severity="stop", spoken=f"word {n}") for n in numbers)
    return structs.replace(READY, made_at_s=WALL_S, cues=cues)


def test_each_cue_is_spoken_once_and_an_old_one_never() -> None:
    sounder = Written()
    with Screen(Console(file=io.StringIO()), sounder) as screen:
        screen.show(_cues(), NOW)
        screen.show(_cues(1, 2), NOW)
        screen.show(_cues(1, 2), NOW)
        screen.show(_cues(2, 3), NOW)
        screen.show(_cues(3, 4, at_s=WALL_S - 60.0), NOW)
    assert sounder.spoken == ["stop word 1", "stop word 2", "stop word 3"]

"""The screen: 80 columns on a terminal, plain lines when piped; and what is heard."""

import io
import os
import stat
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console
from tests.host.ui.test_lines import STALLED, VIEW, WALL_S

from groundbox.advice.warner import Active
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
    sentence="fan 2 stands: free it",
    wall_s=WALL_S,
)
LONG = replace(
    STALLED, sentence="fan 2 is driven but does not turn, case at 38 C: open the lid and let the spotter free it"
)


def _shown(terminal: bool) -> str:
    file, kept = io.StringIO(), io.StringIO()
    console = Console(file=file, width=80, force_terminal=terminal, highlight=False, color_system=None)
    with Screen(console, Sounder("off"), "Ctrl-C ends", kept) as screen:
        screen.say(WALL_S, "recording to somewhere")
        screen.warn(CHANGE)
        screen.warn(replace(CHANGE, change="cleared"))
        screen.show([replace(VIEW, warnings=(LONG,)), VIEW], NOW)
        screen.show([], NOW)
    assert kept.getvalue().count("\n") == 3
    return file.getvalue()


def test_piped_lines_are_plain_and_whole() -> None:
    text = _shown(terminal=False)
    assert "\x1b" not in text
    said, raised, cleared, box, _ = text.splitlines()
    assert said.endswith(" recording to somewhere")
    assert raised.endswith(" URGENT mast: fan 2 stands: free it")
    assert cleared.endswith(" cleared mast: fan_stalled")
    assert box.endswith("fans off; URGENT fan_stalled")


def test_on_a_terminal_it_fits_80_columns() -> None:
    text = _shown(terminal=True)
    last = text[text.rindex("recording to") :]
    rows = [row.rstrip() for row in last.splitlines() if "\x1b" not in row]
    assert any(row.startswith("mast") and "lasts 61 / 75 / 99 min" in row and "12.0 V" in row for row in rows)
    assert all(len(row) <= 80 for row in rows)
    assert "           URGENT: fan 2 is driven" in text


@pytest.mark.skipif(os.name == "nt", reason="makes a shell script")
def test_a_speech_program_says_the_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = tmp_path / "espeak-ng"
    program.write_text(f'#!/bin/sh\necho "$1" >> {tmp_path}/said\n')
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("PATH", f"{tmp_path}:/bin:/usr/bin")
    sounder = Sounder("auto")
    assert sounder.means == "bell and espeak-ng"
    sounder.sound(STALLED)
    assert sounder._running is not None
    sounder._running.wait()
    sounder.close()
    assert (tmp_path / "said").read_text() == "mast: fan 2 stands: free it\n"


@pytest.mark.skipif(os.name == "nt", reason="makes a shell script")
def test_a_player_gets_a_tone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = tmp_path / "aplay"
    program.write_text(f'#!/bin/sh\nhead -c 4 "$2" > {tmp_path}/heard\n')
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setattr(sound, "SPEAKERS", ())
    monkeypatch.setattr(sound, "PLAYERS", (("aplay", "-q"),))
    monkeypatch.setenv("PATH", f"{tmp_path}:/bin:/usr/bin")
    sounder = Sounder("auto")
    sounder.sound(STALLED)
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
            Sounder(setting).sound(STALLED)
            assert stream.getvalue().count("\a") == rung


class Told(Sounder):
    """Writes down what it would sound."""

    def __init__(self) -> None:
        super().__init__("off")
        self.told: list[str] = []

    def sound(self, active: Active) -> None:
        self.told.append(f"{active.box}: {active.sentence}")


def test_it_sounds_short_sentences_and_the_step_of_the_countdown_that_is_no_warning() -> None:
    sounder = Told()
    with Screen(Console(file=io.StringIO()), sounder) as screen:
        screen.sound(LONG)
        assert sounder.told == []  # not before it is known how things stand
        fans = replace(VIEW, state=replace(VIEW.state, fans=("running", "stalled")))
        screen.show([fans], NOW)
        assert sounder.told == ["mast: Fan 2 stopped: open the lid"]
        for left_s in range(700, -10, -10):
            flying = replace(VIEW, state=replace(VIEW.state, in_flight=True), turn_back_s=WALL_S + left_s)
            screen.show([flying], NOW)
    assert sounder.told[1:] == ["mast: Turn back in 2 minutes, for box mast."]

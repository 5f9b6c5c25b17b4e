"""Makes advice heard: the terminal's bell, and speech or a tone where the platform has a program for it."""

import math
import shutil
import struct
import subprocess
import sys
import tempfile
import wave
from collections.abc import Callable
from pathlib import Path
from typing import TextIO

from groundbox.advice.result import SEVERITY_RANK

SPEAKERS = (("espeak-ng",), ("espeak",), ("spd-say", "--wait"), ("say",))
PLAYERS = (("paplay",), ("aplay", "-q"), ("afplay",))
TONES_HZ = {"notice": (660,), "urgent": (880, 660), "stop": (990, 660, 990, 660)}
RATE_HZ = 16000
TONE_S = 0.18


class Sounder:
    """Speaks one thing at a time, the most severe first.

    While it speaks, only a severity of "stop" cuts in; what it cuts short is spoken again after it.

    Args:
        setting: settings.Settings.sound.
        terminal: whose bell rings; None for standard output.

    Attributes:
        elsewhere: True while another program on this computer speaks the same words: here only the bell sounds.
    """

    def __init__(self, setting: str, terminal: TextIO | None = None) -> None:
        self._terminal = terminal or sys.stdout
        self._bell = setting != "off"
        programs = setting == "auto"
        self._speaker = _found(SPEAKERS) if programs else None
        self._player = _found(PLAYERS) if programs and self._speaker is None else None
        self._folder = tempfile.TemporaryDirectory(prefix="groundbox-") if self._player else None
        self._running: subprocess.Popen[bytes] | None = None
        self._now = ("", "none")  # what sounds
        self._waiting: list[tuple[str, str]] = []  # spoken words and severity
        self.elsewhere: Callable[[], bool] = lambda: False

    @property
    def means(self) -> str:
        """What a person will hear."""
        program = self._speaker or self._player
        if not self._bell:
            return "off"
        return f"bell and {program[0]}" if program else "bell"

    def sound(self, spoken: str, severity: str) -> None:
        """Speaks, or sounds the tone of `severity`, as soon as it is its turn. Does nothing without a program."""
        if self._bell and self._terminal.isatty():
            self._terminal.write("\a")
            self._terminal.flush()
        if self.elsewhere() or not (self._speaker or self._player):
            return
        self._queue(spoken, severity)
        self.turn()

    def _queue(self, spoken: str, severity: str) -> None:
        self._waiting.append((spoken, severity))
        self._waiting.sort(key=lambda one: -SEVERITY_RANK[one[1]])

    def turn(self) -> None:
        """Starts what waits once nothing sounds; returns at once. Call it often."""
        busy = self._busy()
        if not self._waiting:
            return
        cuts_in = self._waiting[0][1] == "stop" and self._now[1] != "stop"
        if busy and not cuts_in:
            return
        cut, self._now = self._now, self._waiting.pop(0)
        if busy:
            self._queue(*cut)
        spoken, severity = self._now
        if self._speaker:
            self._run([*self._speaker, spoken])
        elif self._player:
            self._run([*self._player, str(self._tone(severity))])

    def close(self) -> None:
        """Stops what still sounds."""
        if self._busy() and self._running:
            self._running.terminate()
        if self._running:
            self._running.wait()
        if self._folder:
            self._folder.cleanup()

    def _busy(self) -> bool:
        return self._running is not None and self._running.poll() is None

    def _run(self, command: list[str]) -> None:
        if self._running and self._busy():
            self._running.terminate()
            self._running.wait()
        try:
            self._running = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
        except OSError:  # removed since it was found: the bell remains
            self._speaker = self._player = None

    def _tone(self, severity: str) -> Path:
        assert self._folder
        path = Path(self._folder.name) / f"{severity}.wav"
        if not path.exists():
            with wave.open(str(path), "wb") as file:
                file.setnchannels(1)
                file.setsampwidth(2)
                file.setframerate(RATE_HZ)
                file.writeframes(b"".join(_sine(hz) for hz in TONES_HZ[severity]))
        return path


def _sine(hz: float) -> bytes:
    count = int(RATE_HZ * TONE_S)
    ramp = count // 10
    return b"".join(
        struct.pack(
            "<h", int(12000 * min(1.0, i / ramp, (count - i) / ramp) * math.sin(2 * math.pi * hz * i / RATE_HZ))
        )
        for i in range(count)
    )


def _found(programs: tuple[tuple[str, ...], ...]) -> list[str] | None:
    return next((list(program) for program in programs if shutil.which(program[0])), None)

"""What the host sounds where it can only play a file: the tones are there, as loud, as high and as long as meant."""

import sys
import time
import wave
from pathlib import Path

import numpy as np
import pytest

from groundbox.ui import sound
from groundbox.ui.sound import TONE_S, TONES_HZ, Sounder

PLAYER = """
import pathlib, sys
pathlib.Path({kept!r}).write_bytes(pathlib.Path(sys.argv[1]).read_bytes())
"""


def _played(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, severity: str) -> tuple[np.ndarray, int]:
    """The samples, -1 to 1, that reached the player, and their rate."""
    kept = tmp_path / "kept.wav"
    player = tmp_path / "player.py"
    player.write_text(PLAYER.format(kept=str(kept)))
    monkeypatch.setattr(sound, "SPEAKERS", ())
    monkeypatch.setattr(sound, "PLAYERS", ((sys.executable, str(player)),))
    sounder = Sounder("auto")
    assert sounder.means.startswith("bell and")
    sounder.sound("mast: hot", severity)
    assert sounder._running is not None
    assert sounder._running.wait(timeout=30) == 0
    sounder.close()
    with wave.open(str(kept), "rb") as file:
        assert (file.getnchannels(), file.getsampwidth()) == (1, 2)
        return np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32768, file.getframerate()


@pytest.mark.parametrize("severity", TONES_HZ)
def test_tones_are_heard_as_meant(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, severity: str) -> None:
    samples, rate = _played(tmp_path, monkeypatch, severity)
    tones = TONES_HZ[severity]
    assert len(samples) / rate == pytest.approx(TONE_S * len(tones), abs=0.01)
    assert 0.3 < np.abs(samples).max() < 0.9  # loud, and not clipped
    for part, hertz in zip(np.split(samples, len(tones)), tones, strict=True):
        power = np.abs(np.fft.rfft(part * np.hanning(len(part)))) ** 2
        assert np.fft.rfftfreq(len(part), 1 / rate)[power.argmax()] == pytest.approx(hertz, abs=10)
        assert abs(part[0]) < 0.02  # begins and ends without a click
        assert abs(part[-1]) < 0.02
        assert np.sqrt(np.mean(part**2)) > 0.2


def test_a_program_that_speaks_gets_the_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = tmp_path / "said.txt"
    speaker = tmp_path / "speak.py"
    speaker.write_text(f"import pathlib, sys\npathlib.Path({str(kept)!r}).write_text(sys.argv[1])\n")
    monkeypatch.setattr(sound, "SPEAKERS", ((sys.executable, str(speaker)),))
    sounder = Sounder("auto")
    sounder.sound("mast: 61 C in the case", "stop")
    assert sounder._running is not None
    sounder._running.wait(timeout=30)
    sounder.close()
    assert kept.read_text() == "mast: 61 C in the case"


def test_off_is_silent(capsys: pytest.CaptureFixture[str]) -> None:
    sounder = Sounder("off")
    sounder.sound("mast: hot", "stop")
    assert sounder.means == "off"
    assert sounder._running is None
    assert capsys.readouterr().out == ""


def test_what_is_raised_during_speech_is_spoken_after_it_the_most_severe_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = tmp_path / "said.txt"
    speaker = tmp_path / "speak.py"
    speaker.write_text(f"import sys, time\ntime.sleep(0.3)\nopen({str(kept)!r}, 'a').write(sys.argv[1] + '\\n')\n")
    monkeypatch.setattr(sound, "SPEAKERS", ((sys.executable, str(speaker)),))
    sounder = Sounder("auto")
    for words, severity in (("first", "urgent"), ("second", "notice"), ("third", "urgent"), ("fourth", "stop")):
        sounder.sound(words, severity)
    until_s = time.monotonic() + 30.0
    while sounder._waiting and time.monotonic() < until_s:
        sounder.turn()
        time.sleep(0.02)
    assert sounder._running is not None
    sounder._running.wait(timeout=30)
    sounder.close()
    assert kept.read_text().split() == ["fourth", "third", "first", "second"], "a stop cuts in, nothing is lost"


def test_it_does_not_speak_what_a_page_here_speaks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sound, "SPEAKERS", ((sys.executable, "-c", "pass"),))
    sounder = Sounder("auto")
    sounder.elsewhere = lambda: True
    sounder.sound("mast: hot", "stop")
    assert sounder._running is None

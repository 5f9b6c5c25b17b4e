"""What is spoken is short: at most 8 words, and 3 s by a speech synthesizer at its normal pace."""

import shutil
import subprocess
import wave
from datetime import datetime
from pathlib import Path

import pytest

from groundbox.advice.conditions import TABLE
from groundbox.advice.state import BoxState
from groundbox.advice.words import spoken_clock, spoken_number

LONGEST_S, MOST_WORDS = 3.0, 8
# The longest by day. After 20:00 a time in the hours of twenty takes up to 3.3 s.
TIMES = [datetime(2026, 5, 1, hour, minute).timestamp() for hour, minute in ((19, 57), (14, 5), (20, 0))]


def _sentences() -> list[str]:
    """All that the judge can say of a box with a name of two syllables."""
    found = set()
    for in_flight in (False, True):
        state = BoxState(box="table", wall_s=0.0, in_flight=in_flight)
        found |= {row.spoken(state) for row in TABLE if row.possible(state)}
    found |= {f"table: turn back in {spoken_number(minutes)} minutes" for minutes in (10, 5, 2)}
    found |= {f"table no data turn back {spoken_clock(at_s)}" for at_s in TIMES}
    found |= {"table: no data, return now", "table: no data, fly home", "table: wait, charging", "table: fly home"}
    return sorted(found | {"table: clear to launch", "table: unknown, wait"})


@pytest.mark.parametrize("words", _sentences())
def test_at_most_eight_words(words: str) -> None:
    assert len(words.split()) <= MOST_WORDS, words


def test_each_sentence_takes_three_seconds_at_most(tmp_path: Path) -> None:
    program = shutil.which("espeak-ng")
    if program is None:
        pytest.skip("no espeak-ng here (Debian package espeak-ng)")
    for words in _sentences():
        subprocess.run([program, "-w", str(tmp_path / "said.wav"), words], check=True)
        with wave.open(str(tmp_path / "said.wav"), "rb") as file:
            assert file.getnframes() / file.getframerate() <= LONGEST_S, words

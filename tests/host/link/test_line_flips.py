"""The short form of the benchmark line_flips, and a check that it finds a wrong message."""

import pytest
from tests.benchmarks.line_flips import RATES, campaign

from groundbox.wire import line


@pytest.mark.parametrize("rate", RATES)
def test_no_wrong_message_is_accepted(rate: float) -> None:
    sent, accepted, wrong = campaign(20_000, rate, seed=7)
    assert sent == 20_000
    assert 0.1 * sent < accepted < sent
    assert wrong == 0


def test_the_campaign_finds_wrong_messages(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the checksum many are accepted."""
    monkeypatch.setattr(line, "words_of", lambda text: text.strip()[1:-9].decode().split("|"))
    _, _, wrong = campaign(4000, 1e-3, seed=7)
    assert wrong > 100

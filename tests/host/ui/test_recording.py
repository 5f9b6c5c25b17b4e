"""Ctrl-C ends a recording once, however often it is passed on."""

import os
import signal
from collections.abc import Iterator

import pytest

from groundbox.ui import recording
from groundbox.ui.recording import stop_signals


@pytest.fixture
def handler() -> Iterator[None]:
    before = signal.getsignal(signal.SIGINT)
    yield
    signal.signal(signal.SIGINT, before)


def test_a_doubled_interrupt_is_one(handler: None) -> None:
    with stop_signals() as stop:
        os.kill(os.getpid(), signal.SIGINT)
        os.kill(os.getpid(), signal.SIGINT)
        assert stop.asked
    os.kill(os.getpid(), signal.SIGINT)  # one that comes as late as this spoils nothing either


def test_a_second_one_later_ends_at_once(handler: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recording, "ONE_PRESS_S", -1.0)
    with stop_signals() as stop:
        stop.ask(signal.SIGINT)
        with pytest.raises(KeyboardInterrupt):
            stop.ask(signal.SIGINT)


def test_without_a_signal_everything_is_as_before() -> None:
    before = signal.getsignal(signal.SIGINT)
    with stop_signals():
        pass
    assert signal.getsignal(signal.SIGINT) is before

"""Runs the recorder until it is asked to stop: for `groundbox log` and `groundbox demo`."""

import io
import os
import signal
import ssl
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import TextIO, cast

from groundbox.errors import BadInput
from groundbox.link.broker import Broker
from groundbox.link.clock import Clocks
from groundbox.link.mqtt import MqttSource
from groundbox.link.mqtt_shared import SharedSource
from groundbox.link.secret_files import read_password
from groundbox.link.serial_link import SerialPorts
from groundbox.link.source import Arrivals, Source
from groundbox.monitor.recorder import Recorder
from groundbox.settings import Settings

ONE_PRESS_S = 2.0  # a terminal and the program that started this one may each pass on the same Ctrl-C


class Stop:
    """Set by Ctrl-C or a termination signal; `terminal_closed` by SIGHUP where the recording continues after it."""

    def __init__(self) -> None:
        self.asked = self.terminal_closed = False
        self._asked_s = 0.0

    def ask(self, number: int = 0, frame: FrameType | None = None) -> None:
        """Asks to stop; a second Ctrl-C ends at once."""
        if not self.asked:
            self.asked, self._asked_s = True, time.monotonic()
        elif number == signal.SIGINT and time.monotonic() - self._asked_s > ONE_PRESS_S:
            raise KeyboardInterrupt

    def hang_up(self, number: int, frame: FrameType | None) -> None:
        """Notes that the terminal was closed."""
        self.terminal_closed = True


@contextmanager
def stop_signals(keep: bool = False) -> Iterator[Stop]:
    """Ctrl-C, SIGTERM and a closed terminal set the Stop within, and end nothing in the middle of a step.

    With `keep` a closed terminal does not stop. After the first signal the program is ending: the Stop keeps all of
    them, so that a repeated one cannot break the end.
    """
    stop = Stop()
    before = {number: signal.signal(number, stop.ask) for number in (signal.SIGINT, signal.SIGTERM)}
    if sys.platform != "win32" and signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:  # else nohup started it
        before[signal.SIGHUP] = signal.signal(signal.SIGHUP, stop.hang_up if keep else stop.ask)
    try:
        yield stop
    finally:
        if not stop.asked:
            for number, handler in before.items():
                signal.signal(number, handler)


class Terminal(io.TextIOBase):
    """A text stream whose `write` never waits: a thread passes the text on to `stream`.

    A terminal that is not read must not stop the recording: the oldest text that waits is dropped then. An error of
    `stream` (closed pipe, full disk) ends the output only. Leaving a `with` waits LAST_WORDS_S for what is left.
    """

    KEPT = 200
    LAST_WORDS_S = 2.0

    def __init__(self, stream: TextIO | None) -> None:
        self._stream, self._waiting = stream, deque[str](maxlen=self.KEPT)
        self._more, self._busy, self._ended = threading.Condition(), False, stream is None
        self._descriptor: int | None = None  # the stream's own lock would be held while a write waits
        if stream is not None and os.name == "posix":
            with suppress(OSError):  # a stream in memory has none
                self._descriptor = stream.fileno()
        threading.Thread(target=self._run, name="terminal", daemon=True).start()

    @property
    def file(self) -> TextIO:
        """Itself, by the type that others ask for."""
        return cast(TextIO, self)

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """See TextIO."""
        return getattr(self._stream, "encoding", None) or "utf-8"

    def isatty(self) -> bool:
        """See TextIO."""
        return self._stream is not None and self._stream.isatty()

    def fileno(self) -> int:
        """See TextIO."""
        if self._stream is None:
            raise io.UnsupportedOperation("fileno")
        return self._stream.fileno()

    def write(self, text: str) -> int:
        """Returns at once."""
        with self._more:
            if not self._ended:
                self._waiting.append(text)
                self._more.notify_all()
        return len(text)

    def __exit__(self, *error: object) -> None:
        end_s = time.monotonic() + self.LAST_WORDS_S
        with self._more:
            while (self._waiting or self._busy) and not self._ended and time.monotonic() < end_s:
                self._more.wait(0.1)
            self._ended = True
            self._more.notify_all()

    def _run(self) -> None:
        while True:
            with self._more:
                self._busy = False
                self._more.notify_all()
                while not self._waiting and not self._ended:
                    self._more.wait()
                if self._ended:
                    return
                text, self._busy = self._waiting.popleft(), True
            try:
                self._pass_on(text)
            except (OSError, ValueError):  # ValueError: the stream was closed
                with self._more:
                    self._ended = True
                    self._waiting.clear()

    def _pass_on(self, text: str) -> None:
        assert self._stream is not None
        if self._descriptor is None:
            self._stream.write(text)
            self._stream.flush()
            return
        data = text.encode(self.encoding, "replace")
        while data:
            data = data[os.write(self._descriptor, data) :]


def sources_of(
    settings: Settings,
    arrivals: Arrivals,
    clocks: Clocks,
    ports: tuple[str, ...] = (),
    brokers: Sequence[Broker] = (),
) -> list[Source]:
    """Serial ports (those given, else the settings', else all USB ones) and `brokers`."""
    found: list[Source] = [SerialPorts(arrivals, clocks, list(ports) or settings.ports)]
    return found + [MqttSource(arrivals, clocks, broker, keys=settings.keys_path) for broker in brokers]


def shared_sources(
    settings: Settings, arrivals: Arrivals, clocks: Clocks, share: str, brokers: Sequence[Broker]
) -> list[SharedSource]:
    """The sources of a program that divides the messages at `brokers` with others of the same `share`.

    Raises:
        BadInput: there is no broker.
    """
    if not brokers:
        raise BadInput(
            settings.file or "groundbox.toml", "brokers", "is missing; --share needs a broker: add [[brokers]]"
        )
    return [SharedSource(arrivals, clocks, broker, share, settings.keys_path) for broker in brokers]


def broker_of(settings: Settings, number: int) -> Broker:
    """The settings' broker `number` (from 0), with its password.

    Raises:
        BadInput: a file it names cannot be read, or is none.
    """
    entry, place = settings.brokers[number], f"brokers {number + 1}"
    password = secret_in(settings, entry.password_file, f"{place}.password_file")
    ca_file = None if entry.ca_file is None else str(settings.folder / entry.ca_file)
    if ca_file is not None:
        try:
            ssl.create_default_context(cafile=ca_file)
        except (OSError, ValueError) as error:
            why = (error.strerror if isinstance(error, OSError) else None) or "holds no certificate"
            raise BadInput(settings.file, f"{place}.ca_file", f"{ca_file} cannot be used ({why})") from error
    return Broker(host=entry.host, port=entry.port, username=entry.username, password=password, ca_file=ca_file)


def secret_in(settings: Settings, file: str | None, place: str) -> str | None:
    """The first line of a file that the settings name at `place`; None where they name none."""
    if file is None:
        return None
    path = settings.folder / Path(file).expanduser()
    try:
        return read_password(path)
    except OSError as error:
        raise BadInput(settings.file, place, f"{path} cannot be read ({error.strerror})") from error


def record(recorder: Recorder, stop: Stop, each_turn: Callable[[], None] = lambda: None) -> None:
    """Turns the recorder until stopped; what arrived is stored, also after an error."""
    recorder.start()
    try:
        while not stop.asked:
            recorder.turn()
            each_turn()
    finally:
        recorder.stop()

"""Runs the recorder until it is asked to stop: for `groundbox log` and `groundbox demo`."""

import signal
import ssl
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

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
    """Set by Ctrl-C or a termination signal."""

    def __init__(self) -> None:
        self.asked = False
        self._asked_s = 0.0

    def ask(self, number: int = 0, frame: FrameType | None = None) -> None:
        """Asks to stop; a second Ctrl-C ends at once."""
        if not self.asked:
            self.asked, self._asked_s = True, time.monotonic()
        elif number == signal.SIGINT and time.monotonic() - self._asked_s > ONE_PRESS_S:
            raise KeyboardInterrupt


@contextmanager
def stop_signals() -> Iterator[Stop]:
    """Ctrl-C and SIGTERM set the Stop within, and end nothing in the middle of a step.

    After the first one the program is ending: the Stop keeps both signals, so that a repeated one cannot break the end.
    """
    stop = Stop()
    before = {number: signal.signal(number, stop.ask) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        if not stop.asked:
            for number, handler in before.items():
                signal.signal(number, handler)


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

"""Runs the service until told to stop: what `groundbox log` and `groundbox demo` share."""

import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

from groundbox.errors import BadInput
from groundbox.link.mqtt import Broker, MqttSource
from groundbox.link.serial_link import Clocks, SerialPorts
from groundbox.link.source import Arrivals, Source
from groundbox.service.service import Service
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

    Once one came the program is ending: they stay with the Stop, so that the same one doubled cannot spoil the end.
    """
    stop = Stop()
    before = {number: signal.signal(number, stop.ask) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        if not stop.asked:
            for number, handler in before.items():
                signal.signal(number, handler)


def sources_of(settings: Settings, arrivals: Arrivals, clocks: Clocks, ports: tuple[str, ...] = ()) -> list[Source]:
    """Serial ports (those given, else the settings', else all USB ones) and the settings' brokers.

    Raises:
        BadInput: a password file cannot be read.
    """
    patterns = list(ports) or settings.ports
    found: list[Source] = [SerialPorts(arrivals, clocks, patterns)]
    for number, broker in enumerate(settings.brokers, 1):
        password = None
        if broker.password_file is not None:
            path = settings.folder / broker.password_file
            try:
                password = path.read_text(encoding="utf-8").split("\n")[0].strip()
            except OSError as error:
                place = f"brokers {number}.password_file"
                raise BadInput(settings.file, place, f"{path} cannot be read ({error.strerror})") from error
        ca_file = None if broker.ca_file is None else str(settings.folder / broker.ca_file)
        entry = Broker(host=broker.host, port=broker.port, username=broker.username, password=password, ca_file=ca_file)
        found.append(MqttSource(arrivals, clocks, entry, keys=settings.keys_path))
    return found


def record(service: Service, stop: Stop, each_turn: Callable[[], None] = lambda: None) -> None:
    """Turns the service until stopped; what came is kept whatever ends it."""
    service.start()
    try:
        while not stop.asked:
            service.turn()
            each_turn()
    finally:
        service.stop()

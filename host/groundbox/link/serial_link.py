"""Boards on serial ports: found by themselves, one thread a port."""

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from glob import glob
from random import Random
from threading import Event, Lock, Thread

from serial.tools import list_ports

from groundbox.errors import LinkError
from groundbox.link.exchange import Exchange
from groundbox.link.items import command_values
from groundbox.link.port import Request, SerialLink
from groundbox.link.questions import COMMAND_S, Moment
from groundbox.link.source import Arrivals
from groundbox.model import Answer, Stored

SCAN_S = 2.0
READ_CLOCKS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Clocks:
    """The host's clocks, injected: wall seconds since 1970, and one that never steps. Both at the demo's speed."""

    wall_s: Callable[[], float]
    monotonic_s: Callable[[], float]

    def now(self) -> Moment:
        """This moment; waiting is measured in real seconds whatever the speed.

        Read again when something came between the two clocks: at a demo's speed a moment of it is long.
        """
        readings = [(self.monotonic_s(), self.wall_s(), self.monotonic_s()) for _ in range(READ_CLOCKS)]
        before, wall_s, after = min(readings, key=lambda reading: reading[2] - reading[0])
        return Moment(wall_s=wall_s, monotonic_s=(before + after) / 2, real_s=time.monotonic())


class SerialPorts:
    """A Source: every board on the given ports, or on any USB serial port.

    Args:
        arrivals: where items go.
        clocks: the host's clocks.
        patterns: ports, or glob patterns of ports; None: USB serial ports as the system lists them.
        random: for jitter and command numbers.
    """

    def __init__(
        self,
        arrivals: Arrivals,
        clocks: Clocks,
        patterns: Sequence[str] | None = None,
        random: Random | None = None,
    ) -> None:
        self._arrivals, self._clocks, self._patterns = arrivals, clocks, patterns
        self._random = random or Random()
        self._links: dict[str, SerialLink] = {}
        self._speakers: dict[str, SerialLink] = {}
        self._claiming = Lock()
        self._stopping = Event()
        self._thread = Thread(target=self._scan, name="serial ports", daemon=True)

    def start(self) -> None:
        """See Source."""
        self._thread.start()

    def stop(self) -> None:
        """See Source."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join()
        for link in self._links.values():
            link.stop()

    def tell_stored(self, stored: Iterable[Stored]) -> None:
        """See Source."""
        for one in stored:
            for link in self._speaking_for(one.box):
                link.request(_telling(one))

    def command(self, box: str, name: str, **fields: int | str | None) -> Future[Answer]:
        """See Source."""
        command_values(name, box, 0, fields)
        future: Future[Answer] = Future()
        link = next(self._speaking_for(box), None)
        if link is None:
            future.set_exception(LinkError(f"box {box}: no board of that name answers on a serial port"))
        else:
            link.request(_commanding(box, name, fields, future, self._clocks.now().real_s + COMMAND_S))
        return future

    def ports(self) -> list[str]:
        """The ports there are now."""
        if self._patterns is None:
            return sorted(port.device for port in list_ports.comports() if port.vid is not None)
        found = [name for pattern in self._patterns for name in (sorted(glob(pattern)) or _literal(pattern))]
        return list(dict.fromkeys(found))

    def _scan(self) -> None:
        while not self._stopping.is_set():
            for port in self.ports():
                if port not in self._links:
                    link = SerialLink(
                        port, self._arrivals, self._clocks.now, self._claim, Random(self._random.random())
                    )
                    self._links[port] = link
                    link.start()
            self._stopping.wait(SCAN_S)

    def _claim(self, box: str, link: SerialLink) -> bool:
        """One link speaks for a box: two boards of one name would fill each other's gaps."""
        with self._claiming:
            speaker = self._speakers.get(box)
            if speaker is None or speaker is link or speaker.box != box:
                self._speakers[box] = link
                return True
            return False

    def _speaking_for(self, box: str) -> Iterator[SerialLink]:
        return (link for link in list(self._links.values()) if link.box == box)


def _telling(stored: Stored) -> Request:
    def request(session: Exchange | None, now: Moment) -> None:
        if session:
            session.tell_stored(stored)

    return request


def _commanding(
    box: str, name: str, fields: dict[str, int | str | None], future: Future[Answer], until_s: float
) -> Request:
    """Sends a command, but never late: a board that comes back must not get what a person asked for minutes ago."""

    def request(session: Exchange | None, now: Moment) -> None:
        if not future.set_running_or_notify_cancel():
            return
        if session is None or now.real_s > until_s:
            future.set_exception(LinkError(f"box {box}: {name}: the connection was lost"))
        else:
            session.command(box, name, fields, future, now)

    return request


def _literal(pattern: str) -> list[str]:
    """A port that is not there yet is waited for; a pattern that fits nothing is not."""
    return [] if any(sign in pattern for sign in "*?[") else [pattern]

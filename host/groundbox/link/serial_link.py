"""Boards on serial ports: one thread a port, which finds, asks, reads, and comes back by itself."""

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future
from contextlib import closing
from dataclasses import dataclass
from glob import glob
from queue import Empty, SimpleQueue
from random import Random
from threading import Event, Lock, Thread

import serial
from serial.tools import list_ports

from groundbox.errors import LinkError
from groundbox.link.clock import BoardClock
from groundbox.link.items import command_values
from groundbox.link.questions import COMMAND_S, Moment
from groundbox.link.session import Session
from groundbox.link.source import Arrivals
from groundbox.link.waits import Waits
from groundbox.model import Answer, Item, LinkNote, Stored

READ_S = 0.05  # how long one read waits; commands go out that late at most
STRANGER_S = 8.0  # a board answers within this, even when opening the port has restarted it
STRANGER_WAIT_S, STRANGER_LONGEST_S = 60.0, 600.0
LOST_WAIT_S, LOST_LONGEST_S = 0.5, 10.0
HUNG_S = 30.0  # a board silent this long: close the port and open it again
SCAN_S = 2.0
READ_CLOCKS = 3
LONGEST_READ = 4096


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


Request = Callable[[Session | None, Moment], None]  # the session is None when there is no connection


class _Stranger(Exception):
    """Whatever is at the port does not answer in our form."""


class SerialLink:
    """The thread of one port.

    Args:
        port: device path.
        arrivals, clocks: see SerialPorts.
        claim: (box, this link) -> may this link speak for the box.
        random: for jitter and command numbers.
    """

    def __init__(
        self,
        port: str,
        arrivals: Arrivals,
        clocks: Clocks,
        claim: Callable[[str, "SerialLink"], bool],
        random: Random,
    ) -> None:
        self.port = port
        self.box: str | None = None
        self._arrivals, self._clocks, self._claim, self._random = arrivals, clocks, claim, random
        self._board_clocks: dict[str, BoardClock] = {}
        self._requests: SimpleQueue[Request] = SimpleQueue()
        self._stopping = Event()
        self._lost = Waits(LOST_WAIT_S, LOST_LONGEST_S, random)
        self._strange = Waits(STRANGER_WAIT_S, STRANGER_LONGEST_S, random)
        self._complaint: str | None = None
        self._thread = Thread(target=self._run, name=f"link {port}", daemon=True)

    def start(self) -> None:
        """Begins; returns at once."""
        self._thread.start()

    def stop(self) -> None:
        """Ends and waits for the thread."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join()

    def request(self, request: Request) -> None:
        """Lets the thread do `request` with its session."""
        self._requests.put(request)

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                with closing(self._open()) as device:
                    self._converse(device)
            except _Stranger:
                self._complain("stranger", "does not answer in our form; it is left alone")
                wait_s = self._strange.next_s()
            except (OSError, LinkError) as error:  # pyserial's errors are OSErrors
                self._complain("lost", f"{_plain(error)}; it is tried again and again")
                wait_s = self._lost.next_s()
            else:
                return
            self._serve_requests(None)
            self._stopping.wait(wait_s)

    def _open(self) -> serial.Serial:
        return serial.Serial(self.port, 115200, timeout=READ_S, write_timeout=1.0, exclusive=True)

    def _converse(self, device: serial.Serial) -> None:
        """Talks until stopped; raises when the port is lost, hung or a stranger's."""
        session = Session(
            self.port, self._board_clocks, self._random.randrange(1 << 28), lambda box: self._claim(box, self)
        )
        opened_s = self._clocks.now().real_s
        try:
            while not self._stopping.is_set():
                data = device.read(1)
                data += device.read(min(device.in_waiting, LONGEST_READ)) if data else b""
                now = self._clocks.now()
                self._put(session.receive(data, now))
                self._put(session.tick(now))
                self._known(session, now, opened_s)
                self._serve_requests(session)
                if out := session.output():
                    device.write(out)
        finally:
            self.box = None
            self._put(session.close())

    def _known(self, session: Session, now: Moment, opened_s: float) -> None:
        """Keeps `box` up to date and judges a port that says nothing."""
        self.box = session.hello.box if session.hello else None
        if session.heard_s is None:
            if now.real_s - opened_s > STRANGER_S:
                raise _Stranger
        elif now.real_s - session.heard_s > HUNG_S:
            raise LinkError(f"nothing heard for {HUNG_S:.0f} s")
        elif self.box:
            self._lost.reset()
            self._strange.reset()
            self._complaint = None

    def _serve_requests(self, session: Session | None) -> None:
        while True:
            try:
                request = self._requests.get_nowait()
            except Empty:
                return
            request(session, self._clocks.now())

    def _put(self, items: list[Item]) -> None:
        for item in items:
            while not self._arrivals.put(item, wait_s=0.2):
                if self._stopping.is_set():
                    return

    def _complain(self, kind: str, sentence: str) -> None:
        """One note for one trouble, however often it is tried."""
        if self._complaint == kind or self._stopping.is_set():
            return
        self._complaint = kind
        note = LinkNote(
            source=self.port,
            box=None,
            kind=kind,
            sentence=f"{self.port}: {sentence}",
            wall_s=self._clocks.wall_s(),
        )
        self._put([note])


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
                    link = SerialLink(port, self._arrivals, self._clocks, self._claim, Random(self._random.random()))
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
    def request(session: Session | None, now: Moment) -> None:
        if session:
            session.tell_stored(stored)

    return request


def _commanding(
    box: str, name: str, fields: dict[str, int | str | None], future: Future[Answer], until_s: float
) -> Request:
    """Sends a command, but never late: a board that comes back must not get what a person asked for minutes ago."""

    def request(session: Session | None, now: Moment) -> None:
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


def _plain(error: Exception) -> str:
    """One line about a port's error."""
    if isinstance(error, serial.SerialException) and error.errno == 13:
        return "not allowed to open the port: add yourself to the group that owns it (often dialout)"
    return " ".join(str(error).split()) or type(error).__name__

"""Boards on serial ports, found by themselves; one thread for each port opens it and opens it again after a loss."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future
from contextlib import closing
from errno import EACCES, EBUSY, EIO, ENOENT
from glob import glob
from queue import Empty, SimpleQueue
from random import Random
from threading import Event, Lock, Thread

import serial
from serial.tools import list_ports

from groundbox.errors import LinkError
from groundbox.link import report
from groundbox.link.clock import BoardMemory, Clocks, Moment
from groundbox.link.commands import COMMAND_S, RetryDelay, command_values
from groundbox.link.exchange import Exchange
from groundbox.link.source import Arrivals
from groundbox.model import Answer, Item, Stored

SCAN_S = 2.0
READ_S = 0.05  # how long one read waits; a command is sent at most so much later
UNKNOWN_S = 8.0  # a board answers within this, even when opening the port has restarted it
UNKNOWN_RETRY_S, UNKNOWN_MAX_RETRY_S = 60.0, 600.0
LOST_RETRY_S, LOST_MAX_RETRY_S = 0.5, 10.0
HUNG_S = 30.0  # after so long without a message from a board the port is closed and opened again
MAX_READ_BYTES = 4096

_CAUSES = {
    EACCES: "no permission to open the port: add yourself to the group that owns it (often dialout)",
    ENOENT: "there is no such port",
    EBUSY: "another program has the port open",
    EIO: "unplugged",
}

Request = Callable[[Exchange | None, Moment], None]  # the exchange is None when there is no connection


class _UnknownDevice(Exception):
    """The device at the port does not send groundbox messages."""


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
        self._link_of: dict[str, SerialLink] = {}  # by box
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

    def acknowledge_stored(self, stored: Iterable[Stored]) -> None:
        """See Source."""
        for one in stored:
            for link in self._links_to(one.box):
                link.request(_acknowledgement(one))

    def command(self, box: str, name: str, **fields: int | str | None) -> Future[Answer]:
        """See Source."""
        command_values(name, box, 0, fields)
        future: Future[Answer] = Future()
        link = next(self._links_to(box), None)
        if link is None:
            future.set_exception(LinkError(f"box {box}: no board of that name answers on a serial port"))
        else:
            link.request(_command(box, name, fields, future, self._clocks.now().real_s + COMMAND_S))
        return future

    def ports(self) -> list[str]:
        """The ports that exist now."""
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

    def _claim(self, box: str, link: "SerialLink") -> bool:
        """One link represents a box: two boards of one name would fill each other's gaps."""
        with self._claiming:
            holder = self._link_of.get(box)
            if holder is None or holder is link or holder.box != box:
                self._link_of[box] = link
                return True
            return False

    def _links_to(self, box: str) -> Iterator["SerialLink"]:
        return (link for link in list(self._links.values()) if link.box == box)


class SerialLink:
    """The thread of one port.

    Args:
        port: device path.
        arrivals: where items go.
        now: the host's clocks.
        claim: (box, this link) -> True when this link may represent the box.
        random: for jitter and command numbers.
    """

    def __init__(
        self,
        port: str,
        arrivals: Arrivals,
        now: Callable[[], Moment],
        claim: Callable[[str, "SerialLink"], bool],
        random: Random,
    ) -> None:
        self.port = port
        self.box: str | None = None
        self._arrivals, self._now, self._claim, self._random = arrivals, now, claim, random
        self._memory = BoardMemory()
        self._requests: SimpleQueue[Request] = SimpleQueue()
        self._is_board = False  # a board has answered at this port
        self._stopping = Event()
        self._lost_delay = RetryDelay(LOST_RETRY_S, LOST_MAX_RETRY_S, random)
        self._unknown_delay = RetryDelay(UNKNOWN_RETRY_S, UNKNOWN_MAX_RETRY_S, random)
        self._noted: str | None = None
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
        """Lets the thread run `request` with its exchange."""
        self._requests.put(request)

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                with closing(self._open()) as device:
                    self._converse(device)
            except _UnknownDevice:
                self._note("unknown_device", "the device does not send groundbox messages; the port is left alone")
                wait_s = self._unknown_delay.next_s()
            except (OSError, LinkError) as error:  # pyserial's errors are OSErrors
                self._note("connection_lost", f"{_cause(error)}; the program keeps trying")
                wait_s = self._lost_delay.next_s()
            except Exception as error:  # noqa: BLE001 (a fault of this program must not end the recording of a box)
                self._note("program_fault", f"a fault of this program: {error!r}; the port is opened again")
                wait_s = LOST_MAX_RETRY_S
            else:
                return
            self._serve_requests(None)
            self._stopping.wait(wait_s)

    def _open(self) -> serial.Serial:
        return serial.Serial(self.port, 115200, timeout=READ_S, write_timeout=1.0, exclusive=True)

    def _converse(self, device: serial.Serial) -> None:
        """Exchanges messages until stopped; raises when the port is lost or hung, or its device is unknown."""
        exchange = Exchange(
            self.port, self._memory, self._random.randrange(1 << 28), lambda box: self._claim(box, self)
        )
        opened_s = self._now().real_s
        try:
            while not self._stopping.is_set():
                data = device.read(1)
                data += device.read(min(device.in_waiting, MAX_READ_BYTES)) if data else b""
                now = self._now()
                self._put(exchange.receive(data, now))
                self._put(exchange.tick(now))
                self._check(exchange, now, opened_s)
                self._serve_requests(exchange)
                if out := exchange.output():
                    device.write(out)
        finally:
            self.box = None
            self._put(exchange.close())

    def _check(self, exchange: Exchange, now: Moment, opened_s: float) -> None:
        """Keeps `box` up to date; raises when nothing is heard for too long."""
        self.box = exchange.hello.box if exchange.hello else None
        self._is_board = self._is_board or exchange.heard_s is not None
        if not self._is_board:
            if now.real_s - opened_s > UNKNOWN_S:
                raise _UnknownDevice
        elif now.real_s - (opened_s if exchange.heard_s is None else exchange.heard_s) > HUNG_S:
            raise LinkError(f"nothing heard for {HUNG_S:.0f} s")
        elif self.box:
            self._lost_delay.reset()
            self._unknown_delay.reset()
            self._noted = None

    def _serve_requests(self, exchange: Exchange | None) -> None:
        while True:
            try:
                request = self._requests.get_nowait()
            except Empty:
                return
            request(exchange, self._now())

    def _put(self, items: list[Item]) -> None:
        for item in items:
            while not self._arrivals.put(item, wait_s=0.2):
                if self._stopping.is_set():
                    return

    def _note(self, kind: str, sentence: str) -> None:
        """One note for one cause, however often the port is tried."""
        if self._noted == kind or self._stopping.is_set():
            return
        self._noted = kind
        self._put([report.note(self.port, self._now(), None, kind, sentence)])


def _acknowledgement(stored: Stored) -> Request:
    def request(exchange: Exchange | None, now: Moment) -> None:
        if exchange:
            exchange.acknowledge_stored(stored)

    return request


def _command(
    box: str, name: str, fields: dict[str, int | str | None], future: Future[Answer], until_s: float
) -> Request:
    """Sends a command, but never late: a board that returns must not get a command from minutes ago."""

    def request(exchange: Exchange | None, now: Moment) -> None:
        if not future.set_running_or_notify_cancel():
            return
        if exchange is None or now.real_s > until_s:
            future.set_exception(LinkError(f"box {box}: {name}: the connection was lost"))
        else:
            exchange.command(box, name, fields, future, now)

    return request


def _literal(pattern: str) -> list[str]:
    """`pattern` where it names one port, which may appear later; nothing for a glob pattern."""
    return [] if any(sign in pattern for sign in "*?[") else [pattern]


def _cause(error: Exception) -> str:
    """One line on a port's error."""
    if isinstance(error, LinkError):
        return str(error)
    code = getattr(error, "errno", None)
    if code in _CAUSES:
        return _CAUSES[code]
    if "exclusively lock" in str(error):
        return _CAUSES[EBUSY]
    if isinstance(error, serial.SerialTimeoutException):
        return "the port takes no more data"
    return _CAUSES[EIO] if code is None else str(error)

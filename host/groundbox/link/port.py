"""The thread at one serial port: opens it, lets a session talk with what is there, and comes back by itself."""

from collections.abc import Callable
from contextlib import closing
from errno import EACCES, EBUSY, EIO, ENOENT
from queue import Empty, SimpleQueue
from random import Random
from threading import Event, Thread

import serial

from groundbox.errors import LinkError
from groundbox.link.exchange import Exchange
from groundbox.link.known import Known
from groundbox.link.questions import Moment
from groundbox.link.source import Arrivals
from groundbox.link.waits import Waits
from groundbox.model import Item, LinkNote

READ_S = 0.05  # how long one read waits; commands go out that late at most
STRANGER_S = 8.0  # a board answers within this, even when opening the port has restarted it
STRANGER_WAIT_S, STRANGER_LONGEST_S = 60.0, 600.0
LOST_WAIT_S, LOST_LONGEST_S = 0.5, 10.0
HUNG_S = 30.0  # a board silent this long: close the port and open it again
LONGEST_READ = 4096

_PLAIN = {
    EACCES: "not allowed to open the port: add yourself to the group that owns it (often dialout)",
    ENOENT: "there is no such port",
    EBUSY: "another program has the port open",
    EIO: "unplugged",
}

Request = Callable[[Exchange | None, Moment], None]  # the session is None when there is no connection


class _Stranger(Exception):
    """Whatever is at the port does not answer in our form."""


class SerialLink:
    """The thread of one port.

    Args:
        port: device path.
        arrivals: where items go.
        now: the host's clocks.
        claim: (box, this link) -> may this link speak for the box.
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
        self._known = Known()
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
            except Exception as error:  # noqa: BLE001 (a fault of ours must not end the logging of a box)
                self._complain("lost", f"a fault of this program: {error!r}; the port is opened again")
                wait_s = LOST_LONGEST_S
            else:
                return
            self._serve_requests(None)
            self._stopping.wait(wait_s)

    def _open(self) -> serial.Serial:
        return serial.Serial(self.port, 115200, timeout=READ_S, write_timeout=1.0, exclusive=True)

    def _converse(self, device: serial.Serial) -> None:
        """Talks until stopped; raises when the port is lost, hung or a stranger's."""
        session = Exchange(self.port, self._known, self._random.randrange(1 << 28), lambda box: self._claim(box, self))
        opened_s = self._now().real_s
        try:
            while not self._stopping.is_set():
                data = device.read(1)
                data += device.read(min(device.in_waiting, LONGEST_READ)) if data else b""
                now = self._now()
                self._put(session.receive(data, now))
                self._put(session.tick(now))
                self._judge(session, now, opened_s)
                self._serve_requests(session)
                if out := session.output():
                    device.write(out)
        finally:
            self.box = None
            self._put(session.close())

    def _judge(self, session: Exchange, now: Moment, opened_s: float) -> None:
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

    def _serve_requests(self, session: Exchange | None) -> None:
        while True:
            try:
                request = self._requests.get_nowait()
            except Empty:
                return
            request(session, self._now())

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
            wall_s=self._now().wall_s,
        )
        self._put([note])


def _plain(error: Exception) -> str:
    """One line about a port's error."""
    if isinstance(error, LinkError):
        return str(error)
    code = getattr(error, "errno", None)
    if code in _PLAIN:
        return _PLAIN[code]
    if "exclusively lock" in str(error):
        return _PLAIN[EBUSY]
    if isinstance(error, serial.SerialTimeoutException):
        return "nothing more can be written to it"
    return _PLAIN[EIO] if code is None else str(error)

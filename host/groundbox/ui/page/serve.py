"""Serves the page from a thread of its own: it takes the advice each second and keeps the newest for viewers."""

import asyncio
import logging
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import segno
import uvicorn
from serial.tools import list_ports

from groundbox.advice.limits import DATA_WITHDRAWN_S
from groundbox.advice.result import NO_GLANCE, Glance, SessionAdvice
from groundbox.errors import BadInput
from groundbox.link.clock import Moment
from groundbox.model import WarningChange
from groundbox.monitor.from_store import aged, flights_flown
from groundbox.settings import Settings
from groundbox.store import Reader
from groundbox.ui.options import PAGE_PORT
from groundbox.ui.page import past
from groundbox.ui.page.app import Access, Step, application, kept_passphrases
from groundbox.ui.page.connections import BACKLOG, Connections, Faults
from groundbox.ui.page.viewer_requests import ViewerRequests

if TYPE_CHECKING:
    from groundbox.ui.page.plan import DayPlan


HERE = "127.0.0.1"


class Said(msgspec.Struct, frozen=True, kw_only=True):
    """A line of what the recorder reported."""

    wall_s: float
    text: str


class Published(msgspec.Struct, frozen=True, kw_only=True):
    """What a viewer gets: the advice as of `now --json`, and what is not advice.

    Attributes:
        batteries: names in the settings, for a swap.
        shared, groups: boxes are shared, so a launch names its box or one of these groups of the settings.
        said: the newest lines, oldest first.
        speak: numbers of the cues in the advice of the last seconds.
    """

    advice: SessionAdvice
    batteries: tuple[str, ...] = ()
    shared: bool = False
    groups: tuple[str, ...] = ()
    said: tuple[Said, ...] = ()
    speak: tuple[int, ...] = ()


class Page(ViewerRequests):
    """The page of one recording.

    Args:
        settings: of the recording.
        wall_s: its clock.
        port: to listen on; 0 for any that is free.
        lan: also for other computers on the network, by passphrase.
        day: the day file of its plan; None for none.
        metrics: gives the metrics in OpenMetrics text.

    Raises:
        BadInput: the port is busy, or there is no network.
    """

    def __init__(
        self,
        settings: Settings,
        wall_s: Callable[[], float],
        *,
        port: int = PAGE_PORT,
        lan: bool = False,
        day: Path | None = None,
        metrics: Callable[[], bytes] = bytes,
    ) -> None:
        super().__init__(settings, wall_s)
        self.metrics = metrics
        self.faults: deque[str] = deque(maxlen=BACKLOG)  # sentences that nobody has seen yet
        self._connections = Connections(self.faults.append)
        self._logged = Faults(self._connections)
        beside = settings.database_path
        passphrases = kept_passphrases(beside.with_name(beside.name + ".page")) if lan else {}
        self.access = Access(passphrases)
        address = own_address() if lan else HERE
        self._socket = _listening("0.0.0.0" if lan else HERE, port)
        port = self._socket.getsockname()[1]
        self.url = f"http://{HERE}:{port}/"
        self.lan_urls = {role: f"http://{address}:{port}/enter#{word}" for role, word in passphrases.items()}
        self._newest: str | None = None
        self._planner = _planner(day) if day else None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._next: asyncio.Event | None = None
        self._closing = False
        self._listening = 0
        names = [HERE, "localhost", address, socket.gethostname(), f"{socket.gethostname()}.local"]
        app = application(self, self.access, names)
        self._server = uvicorn.Server(
            uvicorn.Config(
                app,
                http=self._connections.make,  # type: ignore[arg-type]
                backlog=BACKLOG,
                log_config=None,
                access_log=False,
                ws="none",
                lifespan="off",
                timeout_graceful_shutdown=1,
            )
        )
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)

    def __enter__(self) -> "Page":
        logging.getLogger("uvicorn.error").addHandler(self._logged)
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._closing = True
        self._server.should_exit = True
        self._wake()
        self._thread.join(timeout=5.0)
        self._socket.close()
        logging.getLogger("uvicorn.error").removeHandler(self._logged)

    def opening(self) -> list[str]:
        """What a person should know: addresses and, on a network, QR codes."""
        lines = [f"live page: {self.url}"]
        for role, words in (("mark", "may mark and acknowledge"), ("look", "may only look")):
            if role in self.lan_urls:
                lines += [f"on this network, {words}: {self.lan_urls[role]}", *qr_lines(self.lan_urls[role])]
        if self.lan_urls:
            lines.append("the page is not encrypted: use it on your own network only")
        return lines

    def publish(self, advice: SessionAdvice, said: Sequence[Said] = (), speak: Sequence[int] = ()) -> None:
        """Takes the newest advice; called by the recording's thread. See Published."""
        settings = self.settings
        published = Published(
            advice=advice,
            batteries=tuple(settings.batteries),
            shared=self.shared,
            groups=tuple(settings.groups),
            said=tuple(said),
            speak=tuple(speak),
        )
        self.advice, self.published_s = advice, time.monotonic()
        self._newest = msgspec.json.encode(published).decode()  # NaN and infinity become null
        self._wake()

    # --- asked by the application ---

    def newest(self) -> str | None:
        return self._newest

    def glance(self) -> Glance:
        return aged(self.advice, self.age_s()).glance if self.advice else NO_GLANCE

    def steps(self) -> list[Step]:
        if self.advice and self.advice.boxes:
            return []
        declared = [name for name, box in self.settings.boxes.items() if box.cutoff_volts is not None]
        where = self.settings.file or "groundbox.toml"
        return [
            Step("Plug in the USB cable of a box", bool(list_ports.comports()) or bool(self.settings.brokers)),
            Step("Wait for its board, at most 20 s; else type: groundbox board", False),
            Step(f"Write the battery and the cutoff voltage of each box into {where}", bool(declared)),
        ]

    def listens(self, change: int) -> None:
        self._listening += change

    def has_sound(self) -> bool:
        """True while a page on this computer has its sound on: the terminal then only rings its bell."""
        return self._listening > 0

    async def wait(self, known: str | None) -> str | None:
        while self._newest is known and not self._closing:
            if self._next is None:
                self._next = asyncio.Event()
            await self._next.wait()
        return None if self._closing else self._newest

    def past(self, asked: dict[str, str]) -> dict[str, object]:
        return past.answer(self.database, asked, self.wall_s(), self.advice)

    def plan(self, body: dict[str, object]) -> dict[str, object]:
        if self._planner is None:
            return {"none": "no day file was given: groundbox log --page --day DAY.toml"}
        wall_s = self.wall_s()
        with Reader(self.database) as reader:
            flights = flights_flown(reader, wall_s, self.advice)
        return self._planner.answer(
            body,
            wall_s=wall_s,
            charges=self._charges(),
            flights=flights,
            advice=self.advice,
        )

    # --- inside ---

    def _charges(self) -> dict[str, float]:
        """Battery -> state of charge, of the boxes whose readings are not stale."""
        found = {}
        for box in self.advice.boxes if self.advice else ():
            age_s = box.readings.age_s
            if box.battery is not None and box.soc is not None and age_s is not None and age_s <= DATA_WITHDRAWN_S:
                found[box.battery] = box.soc
        return found

    def _run(self) -> None:
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._loop.set_exception_handler(self._connections.on_loop_fault)
        await self._server.serve(sockets=[self._socket])

    def _wake(self) -> None:
        loop = self._loop
        if loop is not None:
            with suppress(RuntimeError):  # the loop has ended
                loop.call_soon_threadsafe(self._turn_over)

    def _turn_over(self) -> None:
        if self._next is not None:
            self._next.set()
            self._next = None


def _planner(day: Path) -> "DayPlan":
    try:
        from groundbox.ui.page.plan import DayPlan
    except ImportError as error:
        raise BadInput("--day", str(day), "the plan needs NumPy, which this computer lacks; leave --day out") from error
    return DayPlan(day)


def _listening(address: str, port: int) -> socket.socket:
    listening = socket.socket()
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((address, port))
        listening.listen(BACKLOG)
    except OSError as error:
        listening.close()
        raise BadInput("--page-port", str(port), f"cannot be used ({error.strerror}); choose another") from error
    return listening


def own_address() -> str:
    """This computer's address on its network; nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("10.255.255.255", 1))
        except OSError as error:
            raise BadInput("--lan", "", "this computer is on no network; leave --lan out") from error
        return str(probe.getsockname()[0])


def qr_lines(text: str) -> Sequence[str]:
    """A QR code in half blocks, light on dark as terminals are."""
    rows = [[bool(cell) for cell in row] for row in segno.make(text, error="m", micro=False).matrix_iter(border=2)]
    if len(rows) % 2:
        rows.append([False] * len(rows[0]))
    shapes = {(False, False): "█", (False, True): "▀", (True, False): "▄", (True, True): " "}
    return ["".join(shapes[pair] for pair in zip(*two, strict=True)) for two in zip(rows[::2], rows[1::2], strict=True)]


PUBLISH_S = 1.0
SPEAK_WITHIN_S = 10.0
KEPT_SAID = 30


class PageOutput:
    """An Output that publishes to a page.

    Args:
        tell: shows a fault of the page to the person elsewhere.
    """

    def __init__(self, page: Page, tell: Callable[[float, str], None] = lambda wall_s, text: None) -> None:
        self._page, self._tell = page, tell
        self._said: deque[Said] = deque(maxlen=KEPT_SAID)
        self._cues: dict[
            tuple[int, float], float
        ] = {}  # number and time of a cue: real time at which it was first published
        self._published_s = float("-inf")

    def say(self, wall_s: float, text: str) -> None:
        """One line that stays."""
        self._said.append(Said(wall_s=wall_s, text=text))

    def warn(self, change: WarningChange) -> None:
        """A warning was raised, cleared or acknowledged."""
        words = change.sentence if change.change == "raised" else change.warning.replace("_", " ")
        self.say(change.wall_s, f"{change.box}: {change.change}, {words}")

    def show(self, advice: SessionAdvice, moment: Moment) -> None:
        """The newest advice. A cue is spoken within 10 s of real time, whatever the pace of a simulated clock."""
        while self._page.faults:
            self._tell(moment.wall_s, self._page.faults.popleft())
        keys = [(cue.number, cue.at_s) for cue in advice.cues]
        self._cues = {key: self._cues.get(key, moment.real_s) for key in keys}
        if moment.real_s - self._published_s < PUBLISH_S:
            return
        self._published_s = moment.real_s
        speak = [number for (number, _), first_s in self._cues.items() if moment.real_s - first_s <= SPEAK_WITHIN_S]
        self._page.publish(advice, said=tuple(self._said), speak=speak)

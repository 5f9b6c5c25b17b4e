"""Serves the page from a thread of its own: told how things stand each second, it keeps the newest for viewers."""

import asyncio
import json
import math
import socket
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, as_completed
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import segno
import uvicorn

from groundbox.errors import BadInput, LinkError
from groundbox.link.commands import COMMAND_S
from groundbox.model import Acknowledge, Answer, Mark
from groundbox.plan.day import Day
from groundbox.settings import Settings
from groundbox.store import Reader, leave
from groundbox.ui.cmd_plan_live import flights_flown
from groundbox.ui.options import PAGE_PORT
from groundbox.ui.page import past
from groundbox.ui.page.access import Access, kept_passphrases
from groundbox.ui.page.app import application
from groundbox.ui.page.state import finite
from groundbox.wire.messages import MARKS

if TYPE_CHECKING:
    from groundbox.ui.page.plan import DayPlan

HERE = "127.0.0.1"


class Send(Protocol):
    """Sends a command to a box: service.Recorder.command."""

    def __call__(self, box: str, name: str, **fields: int | str | None) -> Sequence[Future[Answer]]: ...


def _nobody(box: str, name: str, **fields: int | str | None) -> Sequence[Future[Answer]]:
    raise LinkError(f"box {box}: nothing here speaks to boards")


def first_answer(futures: Sequence[Future[Answer]]) -> Answer:
    """The first answer that comes.

    Raises:
        LinkError: none does.
    """
    wrong = LinkError("nothing here speaks to boards")
    try:
        for future in as_completed(futures, timeout=COMMAND_S + 2.0):
            try:
                return future.result()
            except LinkError as error:
                wrong = error
    except TimeoutError:
        wrong = LinkError("no answer from the board")
    raise wrong


class Page:
    """The page of one recording.

    Args:
        settings: of the recording.
        wall_s: its clock.
        port: to listen on; 0 for any that is free.
        lan: also for other computers on the network, by passphrase.
        day: the day file of its plan; None for none.
        metrics: gives how things stand as OpenMetrics.

    Raises:
        BadInput: the port is taken, or there is no network.
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
        self._settings, self._wall_s = settings, wall_s
        self.metrics = metrics
        self._database = settings.store
        beside = settings.database_path
        passphrases = kept_passphrases(beside.with_name(beside.name + ".page")) if lan else {}
        self.access = Access(passphrases)
        address = own_address() if lan else HERE
        self._socket = _listening("0.0.0.0" if lan else HERE, port)
        port = self._socket.getsockname()[1]
        self.url = f"http://{HERE}:{port}/"
        self.lan_urls = {role: f"http://{address}:{port}/enter#{word}" for role, word in passphrases.items()}
        self._newest: str | None = None
        self._boxes: set[str] = set()
        self._charges: Mapping[str, float] = {}
        self._sheddable: Mapping[str, Sequence[int]] = {}
        self.send: Send = _nobody
        self._planner = _planner(day) if day else None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._next: asyncio.Event | None = None
        self._closing = False
        names = [HERE, "localhost", address, socket.gethostname(), f"{socket.gethostname()}.local"]
        app = application(self, self.access, names)
        self._server = uvicorn.Server(
            uvicorn.Config(
                app, log_config=None, access_log=False, ws="none", lifespan="off", timeout_graceful_shutdown=1
            )
        )
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)

    def __enter__(self) -> "Page":
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._closing = True
        self._server.should_exit = True
        self._wake()
        self._thread.join(timeout=5.0)
        self._socket.close()

    def opening(self) -> list[str]:
        """What a person should know: addresses and, on a network, QR codes."""
        lines = [f"live page: {self.url}"]
        for role, words in (("mark", "may mark and acknowledge"), ("look", "may only look")):
            if role in self.lan_urls:
                lines += [f"on this network, {words}: {self.lan_urls[role]}", *qr_lines(self.lan_urls[role])]
        if self.lan_urls:
            lines.append("plain http: who listens on this network can read it; use it on your own network only")
        return lines

    def day_now(self, wall_s: float) -> tuple[Day | None, float | None]:
        """The day file's day and the minute of it."""
        return self._planner.day_now(wall_s) if self._planner else (None, None)

    def publish(
        self,
        state: dict[str, object],
        boxes: set[str],
        charges: Mapping[str, float],
        sheddable: Mapping[str, Sequence[int]] | None = None,
    ) -> None:
        """Takes how things stand; called by the recording's thread.

        Args:
            charges: battery -> state of charge.
            sheddable: box -> its outputs that may be switched from here.
        """
        self._boxes, self._charges, self._sheddable = boxes, charges, sheddable or {}
        self._newest = json.dumps(finite(state), separators=(",", ":"), allow_nan=False)
        self._wake()

    # --- asked by the application ---

    def newest(self) -> str | None:
        return self._newest

    async def wait(self, seen: str | None) -> str | None:
        while self._newest is seen and not self._closing:
            if self._next is None:
                self._next = asyncio.Event()
            await self._next.wait()
        return None if self._closing else self._newest

    def mark(self, body: dict[str, object]) -> None:
        kind, box, name = body.get("kind"), self._box(body), body.get("name") or None
        if kind not in MARKS:
            raise BadInput("mark", str(kind), f"wants one of {', '.join(MARKS)}")
        if name is not None and (kind != "swap" or name not in self._settings.batteries):
            raise BadInput("mark", str(name), "wants the name of a battery in the settings, with a swap only")
        self._leave(Mark(box=box, kind=str(kind), wall_s=self._wall_s(), name=None if name is None else str(name)))

    def acknowledge(self, body: dict[str, object]) -> None:
        warning = body.get("warning")
        self._leave(
            Acknowledge(box=self._box(body), warning=None if warning is None else str(warning), wall_s=self._wall_s())
        )

    def command(self, body: dict[str, object]) -> dict[str, object]:
        """Switches an output that may be dropped, or quiets a buzzer; told once the board has answered."""
        box, what = self._box(body), body.get("command")
        fields: dict[str, int | str | None] = {}
        if what == "switch":
            output, want = body.get("output"), body.get("want")
            if output not in self._sheddable.get(box, ()) or want not in ("on", "off"):
                raise BadInput("switch", f"{output} {want}"[:40], "wants an output that may be dropped, on or off")
            fields = {"output": int(str(output)), "want": str(want)}
        elif what != "silence":
            raise BadInput("command", str(what)[:40], "wants switch or silence")
        answered = first_answer(self.send(box, str(what), **fields))
        if answered.result != "ok":
            raise LinkError(f"box {box} refused: {(answered.reason or answered.result).replace('_', ' ')}")
        return {"told": f"{box}: {answered.setting} {answered.value}"}

    def past(self, asked: dict[str, str]) -> dict[str, object]:
        return past.answer(self._database, asked, self._wall_s())

    def plan(self, body: dict[str, object]) -> dict[str, object]:
        if self._planner is None:
            return {"none": "no day file was given: groundbox log --page --day DAY.toml"}
        wall_s = self._wall_s()
        with Reader(self._database) as reader:
            flown = flights_flown(reader, self._planner.flights_since_s(wall_s), wall_s)
        return self._planner.answer(
            body,
            wall_s=wall_s,
            charges=self._charges,
            landed=sum(landed_s is not None for _, landed_s in flown),
            launched_s=flown[-1][0] if flown and flown[-1][1] is None else None,
        )

    # --- inside ---

    def _box(self, body: dict[str, object]) -> str:
        box = body.get("box")
        if not isinstance(box, str) or box not in self._boxes:
            raise BadInput("box", str(box), f"no such box; there are: {', '.join(sorted(self._boxes)) or 'none yet'}")
        return box

    def _leave(self, request: Mark | Acknowledge) -> None:
        if not math.isfinite(request.wall_s):
            raise BadInput("mark", "", "the clock is not known yet")
        leave(self._database, request)

    def _run(self) -> None:
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
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
        listening.listen(128)
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

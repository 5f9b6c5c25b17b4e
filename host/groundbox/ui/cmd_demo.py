"""`groundbox demo`: the invented session, real firmware in simulated boxes, recorded and warned about as outdoors."""

import shutil
import sys
import time
from collections.abc import Sequence
from contextlib import ExitStack
from importlib import resources
from pathlib import Path

import click
import platformdirs
from rich.console import Console

from groundbox import settings
from groundbox.advice.state import SILENT_AFTER_S
from groundbox.advice.words import clock, span
from groundbox.errors import BadInput, LinkError
from groundbox.link.clock import Clocks
from groundbox.link.serial_link import SerialPorts
from groundbox.link.source import Arrivals
from groundbox.model import WarningChange
from groundbox.monitor.output import Output
from groundbox.monitor.recorder import Recorder
from groundbox.rig.process import MICROPYTHON
from groundbox.settings import Settings
from groundbox.store import Reader, Store
from groundbox.ui.demo_day import (
    FLIGHT_S,
    FLIGHTS,
    GAP_S,
    LAST_LANDING_S,
    Session,
    SessionClock,
    Standing,
)
from groundbox.ui.lines import LASTS_MEANS
from groundbox.ui.options import PAGE_PORT, Number
from groundbox.ui.recording import Stop, record, stop_signals
from groundbox.ui.screen import Screen
from groundbox.ui.sound import Sounder

FILES = ("groundbox.toml", "T18.toml", "M9.toml", "bog_day.toml")
MARKER = "made-by-groundbox-demo"
MADE = ("log.txt", "session.db*", "table", "mast")
SPEED, ONCE_SPEED = 60.0, 150.0
ONCE_REAL_S = 100.0
HICCUP_REAL_S = 0.4  # a pause of this computer that shall not look like a silent box
EXAMPLE = """
\b
Examples:
  groundbox demo            the afternoon in 5 minutes, then on until Ctrl-C
  groundbox demo --once     ends by itself within two minutes
  groundbox demo --speed 1  as slow as life
"""


@click.command(epilog=EXAMPLE)
@click.option("--once", is_flag=True, help="End by itself within two minutes and print where things are.")
@click.option("--speed", type=Number(1, 300), help=f"Times real time; {SPEED:g}, with --once {ONCE_SPEED:g}.")
@click.option(
    "--page-port", type=click.IntRange(0, 65535), default=PAGE_PORT, show_default=True, help="Port of the page."
)
@click.option("--folder", type=click.Path(path_type=Path, file_okay=False), help="Where to keep database and log.")
def command(once: bool, speed: float | None, page_port: int, folder: Path | None) -> None:
    """Two simulated boxes running the real firmware, logged, estimated and warned about."""
    place = fresh_folder(folder)
    chosen = settings.load(place / settings.FILE_NAME)
    speed = speed or (ONCE_SPEED if once else SPEED)
    demo = Demo(chosen, place, speed, ONCE_REAL_S if once else None, None if once else page_port)
    demo.run()


class Demo:
    """One run of the demo.

    Args:
        chosen: the settings of the invented session.
        place: the folder of database and log.
        speed: times real time.
        limit_s: real seconds after which it ends; None: at Ctrl-C.
        page_port: of the live page; None for none.
    """

    def __init__(
        self, chosen: Settings, place: Path, speed: float, limit_s: float | None, page_port: int | None = None
    ) -> None:
        self._page_port = page_port
        self._chosen, self._place, self._limit_s = chosen, place, limit_s
        reach_s = LAST_LANDING_S if limit_s is None else min(LAST_LANDING_S, speed * limit_s)
        self._clock = SessionClock(speed, time.time() - reach_s)
        self._ends_s = None if limit_s is None else time.monotonic() + limit_s
        self._fan_warned_s: float | None = None
        self._turn_back_told: float | None = None
        self._over_told = False

    def run(self) -> None:
        """Runs it."""
        with (self._place / "log.txt").open("w", buffering=1, encoding="utf-8") as kept, stop_signals() as stop:
            self._screen = Watching(Console(highlight=False), Sounder(self._chosen.sound), kept, self)
            arrivals = Arrivals()
            clocks = Clocks(wall_s=self._clock.wall_s, monotonic_s=self._clock.monotonic_s)
            with Store(self._chosen.database_path) as store, self._screen, ExitStack() as more:
                self._output = self._with_page(more)
                self._session = Session(self._clock, self._place, self._clock.speed, self._say)
                ports = SerialPorts(arrivals, clocks, [board.port for board in self._session.boards])
                self._service = Recorder(
                    self._chosen, store, arrivals, [ports], clocks, self._output, commit_every_s=0.2
                )
                if self._page:
                    self._page.send = self._service.command
                self._session.start()
                self._open()
                try:
                    record(self._service, stop, lambda: self._turn(stop))
                finally:
                    self._session.stop()
            for line in self._closing():
                click.echo(line)

    def fan_warned(self, wall_s: float) -> None:
        """The stalled fan was warned about."""
        if self._fan_warned_s is None:
            self._fan_warned_s = wall_s

    def _with_page(self, more: ExitStack) -> Output:
        """The screen, and the page with it where one is wanted."""
        self._page = None
        if self._page_port is None:
            return self._screen
        from groundbox.ui.page.output import ScreenAndPage
        from groundbox.ui.page.serve import Page

        day = self._place / "bog_day.toml"
        self._page = more.enter_context(Page(self._chosen, self._clock.wall_s, port=self._page_port, day=day))
        for line in self._page.opening():
            self._screen.say(self._clock.wall_s(), line)
        return ScreenAndPage(self._screen, self._page, self._chosen)

    def _say(self, text: str) -> None:
        self._output.say(self._clock.wall_s(), text)

    def _open(self) -> None:
        runs = {board.interpreter for board in self._session.boards}
        what = "MicroPython" if runs == {MICROPYTHON} else "CPython (there is no MicroPython here)"
        ends = self._session.wall_s(LAST_LANDING_S)
        self._say(f"two simulated boxes, their real firmware on {what}")
        self._say(f"{self._clock.speed:g} times real time; all of it is invented, the time of day too")
        flights = f"{FLIGHTS} flights of {span(FLIGHT_S)}, {span(GAP_S)} between"
        self._say(f"{flights}; last landing planned for {clock(ends)}")

    def _turn(self, stop: Stop) -> None:
        standing = self._standing()
        session = self._session
        session.act(standing)
        self._service.silent_after_s = max(SILENT_AFTER_S, HICCUP_REAL_S * self._clock.speed)
        self._tell_turn_back(standing)
        for board in session.boards:
            if not board.alive:
                raise LinkError(f"the simulation of box {board.box.settings.name} ended by itself")
        if session.over and not self._over_told:
            self._over_told = True
            self._say("the session is over; the boxes stay on at real speed, Ctrl-C ends")
            stop.asked = self._limit_s is not None
        if self._ends_s is not None and time.monotonic() >= self._ends_s:
            stop.ask()

    def _standing(self) -> Standing:
        views = self._service.views
        return Standing(
            in_flight=self._service.flight.launched_s is not None,
            turn_back_s={view.state.box: view.turn_back_s for view in views},
            not_enough=tuple(
                f"{one.box}: {one.sentence}" for view in views for one in view.warnings if one.kind == "reserve"
            ),
            fan_runs=any(
                view.reading.fans[2].state == "running" for view in views if view.reading and view.state.box == "table"
            ),
            fan_warned_s=self._fan_warned_s,
        )

    def _tell_turn_back(self, standing: Standing) -> None:
        """Once, in flight: the mast does not last the day."""
        at_s, last_s = standing.turn_back_s.get("mast"), self._session.wall_s(LAST_LANDING_S)
        if at_s is None or not standing.in_flight or at_s >= last_s:
            return
        if self._turn_back_told is None:
            self._say(f"mast: turn-back time {clock(at_s)} comes before the last planned landing {clock(last_s)}")
        self._turn_back_told = at_s

    def _closing(self) -> Sequence[str]:
        session, place = self._session, self._place
        last = clock(session.wall_s(LAST_LANDING_S))
        told = self._turn_back_told
        mast = (
            "mast: no turn-back time before the last planned landing was found"
            if told is None
            else (f"mast: turn-back time {clock(told)}, before the last planned landing {last}")
        )
        with Reader(self._chosen.database_path) as reader:
            kept = sum(1 for box in reader.boxes() for _ in reader.series(box, ["sequence"]))
            lost = reader.counts().lost_records
            raised = sum(1 for one in reader.warnings() if one.change == "raised")
        minutes = int(session.now_s // 60)
        groundbox = "groundbox" if shutil.which("groundbox") else sys.argv[0]  # as `make demo` runs it
        return [
            "",
            f"{minutes} min simulated, {session.flight - len(session.skipped)} flights begun, {kept} readings kept, "
            f"{lost} lost, {raised} warnings raised",
            session.told_of_fan(self._standing()),
            mast,
            "",
            f"database  {self._chosen.database_path}",
            f"log       {place / 'log.txt'}",
            f"settings  {place / settings.FILE_NAME}",
            "",
            "Type next:",
            f"  {groundbox} now --settings {place / settings.FILE_NAME}",
            f"  {groundbox} battery show {place / 'M9.toml'}",
            f"  {groundbox} log --help",
        ]


class Watching(Screen):
    """The screen, which also tells the demo when the fan is warned about."""

    def __init__(self, console: Console, sounder: Sounder, kept: object, demo: Demo) -> None:
        super().__init__(console, sounder, f"{LASTS_MEANS}; Ctrl-C ends", kept)  # type: ignore[arg-type]
        self._demo = demo

    def warn(self, change: WarningChange) -> None:
        """See Screen."""
        super().warn(change)
        if change.warning == "fan_stalled" and change.change == "raised":
            self._demo.fan_warned(change.wall_s)


def fresh_folder(folder: Path | None) -> Path:
    """A folder with the session's settings and profile; what an earlier demo left in it is deleted, nothing else.

    Raises:
        BadInput: it holds something else, or cannot be written.
    """
    place = folder.absolute() if folder else platformdirs.user_data_path("groundbox", appauthor=False) / "demo"
    try:
        place.mkdir(parents=True, exist_ok=True)
        if any(place.iterdir()) and not (place / MARKER).exists():
            raise BadInput(place, "", "is not an earlier demo's folder; name another with --folder")
        (place / MARKER).touch()
        for old in [path for pattern in (*FILES, *MADE) for path in place.glob(pattern)]:
            shutil.rmtree(old) if old.is_dir() else old.unlink()
        for name in FILES:
            (place / name).write_text((resources.files("groundbox") / "examples" / name).read_text(encoding="utf-8"))
    except OSError as error:
        raise BadInput(place, "", f"cannot be written ({error.strerror})") from error
    return place

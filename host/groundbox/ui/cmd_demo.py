"""`groundbox demo`: the invented session: real firmware in simulated boxes, recorded, estimated and warned about."""

import shutil
import sys
import time
from collections.abc import Sequence
from contextlib import ExitStack
from datetime import datetime
from importlib import resources
from pathlib import Path

import click
import platformdirs
from rich.console import Console

from groundbox import settings
from groundbox.advice.limits import SILENT_AFTER_S
from groundbox.advice.words import clock, needed
from groundbox.errors import BadInput, LinkError
from groundbox.link.clock import Clocks
from groundbox.link.serial_link import SerialPorts
from groundbox.link.source import Arrivals
from groundbox.model import WarningChange
from groundbox.monitor.recorder import Recorder
from groundbox.monitor.shown import Output, OutputList
from groundbox.rig.process import MICROPYTHON
from groundbox.settings import Settings
from groundbox.store import Reader, Store
from groundbox.ui.demo_day import (
    FLIGHT_S,
    FLIGHTS,
    GAP_S,
    LAST_LANDING_S,
    DemoSession,
    DemoState,
    SessionClock,
    day_text,
)
from groundbox.ui.options import PAGE_PORT, Number
from groundbox.ui.recording import Stop, Terminal, record, stop_signals
from groundbox.ui.screen import RUNTIME_MEANS, Screen
from groundbox.ui.sound import Sounder

FILES, DAY_FILE = ("groundbox.toml", "T18.toml", "M9.toml"), "bog_day.toml"
MARKER = "made-by-groundbox-demo"
MADE = (DAY_FILE, "log.txt", "session.db*", "table", "mast")
SPEED, ONCE_SPEED = 60.0, 160.0
ONCE_REAL_S = 900.0  # maximum on a busy machine; a quiet one needs less than two minutes
HICCUP_REAL_S = 0.4  # a pause of this computer that must not count as a silent box
EXAMPLE = """
\b
Examples:
  groundbox demo            the day in 5 minutes, then at real speed until Ctrl-C
  groundbox demo --once     the day in two minutes, then ends by itself
  groundbox demo --speed 1  at real speed
"""


@click.command(epilog=EXAMPLE)
@click.option("--once", is_flag=True, help="Show the day, within two minutes on a quiet machine, then end.")
@click.option("--speed", type=Number(1, 300), help=f"Times real time; {SPEED:g}, with --once {ONCE_SPEED:g}.")
@click.option(
    "--page-port", type=click.IntRange(0, 65535), default=PAGE_PORT, show_default=True, help="Port of the page."
)
@click.option("--folder", type=click.Path(path_type=Path, file_okay=False), help="Folder for database and log.")
def command(once: bool, speed: float | None, page_port: int, folder: Path | None) -> None:
    """Two simulated boxes that run the real firmware, logged, estimated and warned about."""
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
        limit_s: real seconds after which it ends, when the day is not over before; None: at Ctrl-C.
        page_port: of the live page; None for none.
    """

    def __init__(
        self, chosen: Settings, place: Path, speed: float, limit_s: float | None, page_port: int | None = None
    ) -> None:
        self._page_port = page_port
        self._chosen, self._place, self._limit_s = chosen, place, limit_s
        # The clock reaches the real one when the day is over, so that no row is ever in the future.
        self._clock = SessionClock(speed, time.time() - LAST_LANDING_S * (1 - 1 / speed))
        self._clock.held = True  # until the boxes are switched on: the day begins with them
        self._ends_s = None if limit_s is None else time.monotonic() + limit_s
        self._fan_warned_s: float | None = None
        self._turn_back_s: float | None = None
        self._over_said = False

    def run(self) -> None:
        """Runs it."""
        with (self._place / "log.txt").open("w", buffering=1, encoding="utf-8") as kept, stop_signals() as stop:
            terminal = Terminal(sys.stdout)
            console = Console(file=terminal.file, highlight=False)
            self._screen = DemoScreen(console, Sounder(self._chosen.sound, terminal.file), kept, self)
            arrivals = Arrivals()
            clocks = Clocks(wall_s=self._clock.wall_s, monotonic_s=self._clock.monotonic_s)
            with terminal, Store(self._chosen.database_path) as store, self._screen, ExitStack() as more:
                self._output = self._with_page(more)
                self._session = DemoSession(self._clock, self._place, self._clock.speed, self._say)
                ports = SerialPorts(arrivals, clocks, [board.port for board in self._session.boards])
                self._service = Recorder(
                    self._chosen, store, arrivals, [ports], clocks, self._output, commit_every_s=0.2
                )
                if self._page:
                    self._page.send = self._service.command
                self._session.start()
                self._open()
                try:
                    record(self._service, stop, lambda: self._step(stop))
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
        self._page, day = None, self._write_day()
        if self._page_port is None:
            return self._screen
        from groundbox.ui.page.serve import Page, PageOutput

        self._page = more.enter_context(Page(self._chosen, self._clock.wall_s, port=self._page_port, day=day))
        for line in self._page.opening():
            self._screen.say(self._clock.wall_s(), line)
        return OutputList([self._screen, PageOutput(self._page, self._screen.say)])

    def _write_day(self) -> Path:
        """The day file of this run: the example's day, begun when the demo's clock began."""
        example = (resources.files("groundbox") / "examples" / DAY_FILE).read_text(encoding="utf-8")
        path = self._place / DAY_FILE
        path.write_text(day_text(example, datetime.fromtimestamp(self._clock.wall_s())), encoding="utf-8")
        return path

    def _say(self, text: str) -> None:
        self._output.say(self._clock.wall_s(), text)

    def _open(self) -> None:
        runs = {board.interpreter for board in self._session.boards}
        what = "MicroPython" if runs == {MICROPYTHON} else "CPython (MicroPython is not installed)"
        ends = self._session.wall_s(LAST_LANDING_S)
        self._say(f"two simulated boxes, their real firmware on {what}")
        self._say(f"{self._clock.speed:g} times real time; all numbers are invented")
        flights = f"{FLIGHTS} flights of {needed(FLIGHT_S)}, gaps of {needed(GAP_S)}"
        self._say(f"{flights}; last landing planned for {clock(ends)}")

    def _step(self, stop: Stop) -> None:
        state = self._state()
        session = self._session
        session.act(state)
        self._service.silent_after_s = max(SILENT_AFTER_S, HICCUP_REAL_S * self._clock.speed)
        self._show_turn_back(state)
        for board in session.boards:
            if not board.alive:
                raise LinkError(f"the simulation of box {board.box.settings.name} ended by itself")
        if session.over and not self._over_said:
            self._over_said = True
            self._say(
                "the session is over" + ("" if self._limit_s else "; the boxes stay on at real speed, Ctrl-C ends")
            )
            if self._limit_s is not None:
                stop.ask()
        if self._ends_s is not None and time.monotonic() >= self._ends_s:
            stop.ask()

    def _state(self) -> DemoState:
        advice = self._service.advice
        boxes = advice.boxes if advice else ()
        return DemoState(
            in_flight=self._service.flight.in_flight,
            turn_back_s={box.box: box.turn_back_at_s for box in boxes},
            not_enough=tuple(box.sentence for box in boxes if box.verdict == "do_not_launch"),
            fan_runs=any(
                fan.fan == 2 and fan.state == "running"
                for box in boxes
                if box.box == "table"
                for fan in box.readings.fans
            ),
            fan_warned_s=self._fan_warned_s,
        )

    def _show_turn_back(self, state: DemoState) -> None:
        """Once, in flight: the mast does not last the day without charging."""
        at_s, last_s = state.turn_back_s.get("mast"), self._session.wall_s(LAST_LANDING_S)
        if at_s is None or not state.in_flight or at_s >= last_s:
            return
        if self._turn_back_s is None:
            self._say(
                f"mast: turn-back time {clock(at_s)} comes before the last planned landing {clock(last_s)}; without "
                "charging it does not last the day"
            )
        self._turn_back_s = at_s

    def _closing(self) -> Sequence[str]:
        session, place = self._session, self._place
        last = clock(session.wall_s(LAST_LANDING_S))
        turn_back_s = self._turn_back_s
        mast = (
            "mast: no turn-back time before the last planned landing was found"
            if turn_back_s is None
            else (f"mast: turn-back time {clock(turn_back_s)}, before the last planned landing {last}")
        )
        with Reader(self._chosen.database_path) as reader:
            kept = sum(1 for box in reader.boxes() for _ in reader.series(box, ["sequence"]))
            lost = reader.counts().lost_records
            raised = sum(1 for one in reader.warnings() if one.change == "raised")
        minutes = int(session.now_s // 60)
        groundbox = started_as(sys.argv[0])
        return [
            "",
            f"{minutes} min simulated, {session.flight - len(session.not_flown)} flights, {kept} readings stored, "
            f"{lost} lost, {raised} warnings raised",
            session.fan_line(self._state()),
            mast,
            "",
            f"database  {self._chosen.database_path}",
            f"log       {place / 'log.txt'}",
            f"settings  {place / settings.FILE_NAME}",
            "",
            "Type next:",
            f"  {groundbox} now --settings {place / settings.FILE_NAME}",
            f"  {groundbox} plan {place / DAY_FILE}",
            f"  {groundbox} battery show {place / 'M9.toml'}",
            f"  {groundbox} log --help",
        ]


class DemoScreen(Screen):
    """The screen, which also reports the fan's warning to the demo."""

    def __init__(self, console: Console, sounder: Sounder, kept: object, demo: Demo) -> None:
        super().__init__(console, sounder, f"{RUNTIME_MEANS}; Ctrl-C ends", kept)  # type: ignore[arg-type]
        self._demo = demo

    def warn(self, change: WarningChange) -> None:
        """See Screen."""
        super().warn(change)
        if change.warning == "fan_stalled" and change.change == "raised":
            self._demo.fan_warned(change.wall_s)


def started_as(argument: str) -> str:
    """What to type to run this program again.

    Args:
        argument: the first of `sys.argv`: a path of the program, or of its module when `python -m` runs it.
    """
    program = Path(argument)
    if program.name == "__main__.py":
        return f"{sys.executable} -m groundbox"
    on_path = shutil.which(program.name)
    return program.name if on_path and Path(on_path).resolve() == program.resolve() else argument


def fresh_folder(folder: Path | None) -> Path:
    """A folder with the session's settings and battery profiles; only an earlier demo's files are deleted in it.

    Raises:
        BadInput: it holds other files, or cannot be written.
    """
    place = folder.absolute() if folder else platformdirs.user_data_path("groundbox", appauthor=False) / "demo"
    try:
        place.mkdir(parents=True, exist_ok=True)
        if any(place.iterdir()) and not (place / MARKER).exists():
            raise BadInput(place, "", "is not an earlier demo's folder; name another folder with --folder")
        (place / MARKER).touch()
        for old in [path for pattern in (*FILES, *MADE) for path in place.glob(pattern)]:
            shutil.rmtree(old) if old.is_dir() else old.unlink()
        for name in FILES:
            (place / name).write_text((resources.files("groundbox") / "examples" / name).read_text(encoding="utf-8"))
    except OSError as error:
        raise BadInput(place, "", f"cannot be written ({error.strerror}); name another folder with --folder") from error
    return place

"""A board in its simulated box: `Bench` as fast as possible in this thread, `SimulatedBoard` behind a port at a speed.

The same seed gives the same run. A board's flash holds the files of a real board, and settings as if a person had
entered them.
"""

import runpy
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from select import select
from threading import Event, Thread
from types import TracebackType

from groundbox.errors import BadInput, LinkError
from groundbox.rig import image
from groundbox.rig.box import SimBox, SimBoxSettings
from groundbox.rig.changes import SimChange, Value, make_change
from groundbox.rig.console import BufferConsole, PortConsole
from groundbox.rig.process import MICROPYTHON, best_interpreter
from groundbox.rig.world import NEVER_US, Unpaced, World
from groundbox.wire import line
from groundbox.wire import settings as wire_settings

Message = tuple[str, list[int | str | None]]
_STOP_S = 30.0
_FITTED = 1  # the simulated box has its battery sensor
_AHEAD_US = 900_000  # with the slice before it one second, the firmware's period of decisions


class SimClock:
    """Simulated time for boards and host, `speed` times as fast as real time, from one start.

    Args:
        speed: simulated seconds a real second, over 0.
        start_wall_s: simulated seconds since 1970 at the start; None: real time now.
    """

    def __init__(self, speed: float = 1.0, start_wall_s: float | None = None) -> None:
        if not speed > 0:
            raise ValueError(f"speed is {speed}; it must be more than 0")
        self.speed = speed
        self._start_real_s = time.monotonic()
        self._start_wall_s = time.time() if start_wall_s is None else start_wall_s

    def monotonic_s(self) -> float:
        """Simulated seconds since the start, never backward."""
        return (time.monotonic() - self._start_real_s) * self.speed

    def wall_s(self) -> float:
        """Simulated seconds since 1970."""
        return self._start_wall_s + self.monotonic_s()

    def wait(self, seconds: float, stop: Event | None = None) -> bool:
        """Waits that many simulated seconds; True at once when `stop` is set."""
        return (stop or Event()).wait(max(0.0, seconds / self.speed))


class Paced:
    """No faster than a clock.

    Attributes:
        ahead_us: as in World's Pace.
        worst_lag_s: maximum of simulated seconds by which the board was behind the clock.
    """

    def __init__(self, clock: SimClock, ahead_us: int = 0) -> None:
        self.ahead_us = ahead_us
        self._clock = clock
        self._start_s = clock.monotonic_s()
        self.worst_lag_s = 0.0

    def wait(self, until_us: int, fd: int | None) -> int:
        ahead_s = until_us / 1e6 - self._now_s()
        self.worst_lag_s = max(self.worst_lag_s, -ahead_s)
        if ahead_s <= 0:
            return until_us
        select([] if fd is None else [fd], [], [], ahead_s / self._clock.speed)
        return min(until_us, max(0, int(self._now_s() * 1e6)))

    def _now_s(self) -> float:
        return self._clock.monotonic_s() - self._start_s


class Bench:
    """A simulated box with its board, switched on; a context manager that ends the board.

    Args:
        settings: the box.
        folder: for the board's flash; its files from an earlier run stay.
        board_settings: firmware settings other than the defaults, written to a flash that is still empty.
        changes: changes of the box and the board.
        interpreter: process.MICROPYTHON or process.CPYTHON.
        native: see process.Process; for long runs.
        ahead: lets the board run on without asking while nothing changes; for long runs; not identical to the bit.
        firmware: folder of another firmware than this package's own.
        console: the host's side; None for one that only keeps what it heard.

    Attributes:
        box, world: the simulation.
        console: all bytes from the board.
    """

    def __init__(
        self,
        settings: SimBoxSettings,
        folder: Path,
        *,
        board_settings: dict[str, int] | None = None,
        changes: Iterable[SimChange] = (),
        interpreter: str = MICROPYTHON,
        native: bool = False,
        ahead: bool = False,
        firmware: Path | None = None,
        console: BufferConsole | None = None,
    ) -> None:
        flash = provision(folder, settings.name, board_settings or {}, firmware)
        self.box = SimBox(settings)
        self.console = console or BufferConsole()
        self.world = World(
            self.box, flash, self.console, interpreter, Unpaced(_AHEAD_US if ahead else 0), changes, native
        )
        self._read = 0

    def __enter__(self) -> "Bench":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.world.power_cut()

    def run_for(self, seconds: float) -> list[Message]:
        """Runs for simulated seconds; returns the messages from the board in them, as wire.line.decode gives them."""
        self.world.run_until(self.world.now_us + round(seconds * 1e6))
        return self._messages()

    def send(self, name: str, values: list[int | str | None]) -> None:
        """Sends the board a message; it arrives at the next step."""
        self.console.send(line.encode(name, values))

    def _messages(self) -> list[Message]:
        end = self.console.heard.rfind(b"\n") + 1
        lines, self._read = bytes(self.console.heard[self._read : end]).split(b"\n"), max(end, self._read)
        return [line.decode(text) for text in lines if line.looks_like_ours(text)]


class SimulatedBoard:
    """A box with its board, behind a serial port, in a thread of its own.

    Args:
        settings: the box.
        clock: simulated time, the same for all boards and their host.
        folder: for flash and port; the flash's files from an earlier run stay.
        board_settings: firmware settings other than the defaults, written to a flash that is still empty.
        changes: changes of the box and the board, in seconds since the start.
        interpreter: process.MICROPYTHON, process.CPYTHON, or None for the best one available.
        ahead: for high speeds: native and ahead as in Bench.

    Attributes:
        port: the port's path.
        interpreter: what runs the firmware.
        box: the simulation.
    """

    def __init__(
        self,
        settings: SimBoxSettings,
        clock: SimClock,
        folder: Path,
        *,
        board_settings: dict[str, int] | None = None,
        changes: Iterable[SimChange] = (),
        interpreter: str | None = None,
        ahead: bool = False,
    ) -> None:
        self.box = SimBox(settings)
        self._ahead_us = _AHEAD_US if ahead else 0
        self.interpreter = interpreter or best_interpreter()
        self._clock, self._changes = clock, tuple(changes)
        folder = folder.absolute()  # the port is a link, and the board's own working directory is its flash
        self._flash = provision(folder, settings.name, board_settings or {})
        self._console = PortConsole(folder / "port")
        self.port = str(self._console.path)
        self._world: World | None = None
        self._pace: Paced | None = None
        self._thread: Thread | None = None
        self._error: Exception | None = None

    def start(self) -> None:
        """Switches the board on."""
        self._pace = Paced(self._clock, self._ahead_us)
        native = self._ahead_us > 0
        self._world = World(self.box, self._flash, self._console, self.interpreter, self._pace, self._changes, native)
        self._thread = Thread(target=self._run, name=f"rig-{self.box.settings.name}", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Ends board and port.

        Raises:
            LinkError: the simulation had failed.
        """
        if self._world is not None and self._thread is not None:
            self._world.stopped = True
            self._thread.join(_STOP_S)
        self._console.plug(False)
        if self._error is not None:
            raise LinkError(f"simulated box {self.box.settings.name}: {self._error}") from self._error

    @property
    def alive(self) -> bool:
        """True while the simulation runs."""
        return self._thread is not None and self._thread.is_alive()

    @property
    def starts(self) -> int:
        """Times the board was started."""
        return self._world.starts if self._world else 0

    @property
    def worst_lag_s(self) -> float:
        """Maximum of simulated seconds by which the board was behind the clock; large when the machine is too slow."""
        return self._pace.worst_lag_s if self._pace else 0.0

    def set(self, thing: str, value: Value) -> None:
        """Makes a thing of the box become `value`, see the table in changes.py."""
        make_change(self.box, thing, value)

    def plug(self, plugged: bool) -> None:
        """Connects the cable to the host, or disconnects it."""
        self._order(lambda: self._console.plug(plugged))

    def power(self, powered: bool) -> None:
        """Switches the board's power."""
        self._order(lambda: self._power(powered))

    def _power(self, powered: bool) -> None:
        assert self._world is not None
        if not powered:
            self._world.power_cut()
        self._world.powered = powered

    def _order(self, do: Callable[[], None]) -> None:
        assert self._world is not None
        self._world.order(do)

    def _run(self) -> None:
        assert self._world is not None
        try:
            self._world.run_until(NEVER_US)
        except Exception as error:  # noqa: BLE001 (stop() raises it)
            self._error = error
        finally:
            self._world.power_cut()


def provision(folder: Path, box: str, board_settings: dict[str, int], firmware: Path | None = None) -> Path:
    """Stages the firmware into `folder`/flash and, on a flash without settings, enters name and settings; returns it.

    `firmware` is a folder with another manifest.py than this package's own.

    Raises:
        BadInput: a setting the firmware would refuse.
    """
    board_settings = {"battery_sensor_kind": _FITTED} | board_settings
    flash = folder / "flash"
    image.stage(flash, firmware)
    flash.chmod(0o700)  # it may hold a network's password and a box's key
    if not any(flash.glob("settings.*")):
        reason = wire_settings.refusal_of_all(board_settings, wire_settings.defaults())
        if reason:
            raise BadInput(box, "board_settings", reason)
        lines = [f"box {box}", *(f"{name} {value}" for name, value in board_settings.items())]
        module = image.firmware_folder() / "startup" / "safe_file.py"
        settings_file = runpy.run_path(str(module))["SafeFile"](str(flash / "settings"))
        settings_file.save("\n".join(lines).encode())
    return flash

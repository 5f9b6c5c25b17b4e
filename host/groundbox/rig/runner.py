"""A simulated board a host can work with: behind a port, as fast as a clock says, in a thread of its own."""

from collections.abc import Callable, Iterable
from pathlib import Path
from threading import Thread

from groundbox.errors import LinkError
from groundbox.rig.box import Box, BoxSettings
from groundbox.rig.clock import SimClock
from groundbox.rig.console import PortConsole
from groundbox.rig.flash import provision
from groundbox.rig.happenings import Happening, Value, happen
from groundbox.rig.process import best_interpreter
from groundbox.rig.world import NEVER_US, Paced, World

_STOP_S = 30.0


class SimulatedBoard:
    """A box with its board, to be found at a serial port.

    Args:
        settings: the box.
        clock: simulated time, the same for all boards and the host that watches them.
        folder: for flash and port; what the flash holds from an earlier run stays.
        board_settings: values of the firmware's settings other than the defaults, taken by a flash that is still empty.
        happenings: what happens to the box, in seconds since the board was started.
        interpreter: process.MICROPYTHON, process.CPYTHON, or None for the best there is.

    Attributes:
        port: the port's path.
        interpreter: what runs the firmware.
        box: the simulation, to look at.
    """

    def __init__(
        self,
        settings: BoxSettings,
        clock: SimClock,
        folder: Path,
        *,
        board_settings: dict[str, int] | None = None,
        happenings: Iterable[Happening] = (),
        interpreter: str | None = None,
    ) -> None:
        self.box = Box(settings)
        self.interpreter = interpreter or best_interpreter()
        self._clock, self._happenings = clock, tuple(happenings)
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
        self._pace = Paced(self._clock)
        self._world = World(self.box, self._flash, self._console, self.interpreter, self._pace, self._happenings)
        self._thread = Thread(target=self._live, name=f"rig-{self.box.settings.name}", daemon=True)
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
        """Most simulated seconds the board was ever behind the clock: large when the machine is too slow."""
        return self._pace.worst_lag_s if self._pace else 0.0

    def set(self, thing: str, value: Value) -> None:
        """Makes a thing of the box become `value`, by the table in happenings.py."""
        happen(self.box, thing, value)

    def plug(self, plugged: bool) -> None:
        """Puts the cable to the host in, or draws it."""
        self._order(lambda: self._console.plug(plugged))

    def power(self, powered: bool) -> None:
        """Cuts the board's power, or gives it back."""
        self._order(lambda: self._power(powered))

    def _power(self, powered: bool) -> None:
        assert self._world is not None
        if not powered:
            self._world.power_cut()
        self._world.powered = powered

    def _order(self, do: Callable[[], None]) -> None:
        assert self._world is not None
        self._world.order(do)

    def _live(self) -> None:
        assert self._world is not None
        try:
            self._world.run_until(NEVER_US)
        except Exception as error:  # noqa: BLE001 (a thread must not die unseen: stop() raises it)
            self._error = error
        finally:
            self._world.power_cut()

"""A board in its box as fast as it goes, in this thread: for tests and scenarios. The same seed gives the same run."""

from collections.abc import Iterable
from pathlib import Path
from types import TracebackType

from groundbox.rig.box import Box, BoxSettings
from groundbox.rig.console import BufferConsole
from groundbox.rig.flash import provision
from groundbox.rig.happenings import Happening
from groundbox.rig.process import MICROPYTHON
from groundbox.rig.world import Unpaced, World
from groundbox.wire import line

Message = tuple[str, list[int | str | None]]
_AHEAD_US = 900_000  # with the slice before it a second, which is how often the firmware judges


class Bench:
    """A simulated box with its board, switched on; a context manager that ends the board.

    Args:
        settings: the box.
        folder: for the board's flash; what it holds from an earlier run stays.
        board_settings: values of the firmware's settings other than the defaults, taken by a flash that is still empty.
        happenings: what happens to the box, and when.
        interpreter: process.MICROPYTHON or process.CPYTHON.
        native: see process.Process; for long runs.
        ahead: lets the board go on without asking while nothing changes; for long runs, and not to the bit like others.
        firmware: folder with another firmware than this package's own.
        console: who listens; None for one that only keeps what it heard.

    Attributes:
        box, world: the simulation, to look at.
        console: all the board has said, as bytes.
    """

    def __init__(
        self,
        settings: BoxSettings,
        folder: Path,
        *,
        board_settings: dict[str, int] | None = None,
        happenings: Iterable[Happening] = (),
        interpreter: str = MICROPYTHON,
        native: bool = False,
        ahead: bool = False,
        firmware: Path | None = None,
        console: BufferConsole | None = None,
    ) -> None:
        flash = provision(folder, settings.name, board_settings or {}, firmware)
        self.box = Box(settings)
        self.console = console or BufferConsole()
        self.world = World(
            self.box, flash, self.console, interpreter, Unpaced(_AHEAD_US if ahead else 0), happenings, native
        )
        self._read = 0

    def __enter__(self) -> "Bench":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.world.power_cut()

    def run_for(self, seconds: float) -> list[Message]:
        """Lets simulated seconds pass; returns the messages the board sent in them, as wire.line.decode gives them."""
        self.world.run_until(self.world.now_us + round(seconds * 1e6))
        return self._messages()

    def say(self, name: str, values: list[int | str | None]) -> None:
        """Sends the board a message; it arrives at the next step."""
        self.console.say(line.encode(name, values))

    def _messages(self) -> list[Message]:
        end = self.console.heard.rfind(b"\n") + 1
        lines, self._read = bytes(self.console.heard[self._read : end]).split(b"\n"), max(end, self._read)
        return [line.decode(text) for text in lines if line.looks_like_ours(text)]

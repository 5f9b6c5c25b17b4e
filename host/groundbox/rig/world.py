"""The world a simulated board lives in: moves the box on, in lockstep with the firmware, and starts the board again."""

from collections.abc import Callable, Iterable
from math import ceil
from pathlib import Path
from queue import Empty, SimpleQueue
from select import select
from typing import Protocol

from groundbox.errors import LinkError
from groundbox.rig.board_faults import BoardFaults
from groundbox.rig.box import Box
from groundbox.rig.clock import SimClock
from groundbox.rig.console import Console
from groundbox.rig.happenings import Happening, happen
from groundbox.rig.process import Process
from groundbox.rig.wiring import Wiring

_BOOT_US = 400_000  # from power to the first line of main.py: assumed
_HOLDS_UP_S = 0.03  # the board's converter without input: assumed
_COMES_UP_VOLTS = 0.5  # above the lowest: assumed
_LONGEST_STEP_US = 250_000
_LONGEST_SLICE_US = 100_000  # the board sees its inputs as they were when the slice began
_STIRS_US = 1_000_000  # until every sensor shows what has happened
NEVER_US = 1 << 60
_ENDS = {-1: "reset", -2: "watchdog", -3: "soft"}  # as board/rig_clock.py gives them


class Pace(Protocol):
    """Decides when simulated time may pass.

    Attributes:
        ahead_us: how far the board may go on without asking while nothing changes.
    """

    ahead_us: int

    def wait(self, until_us: int, fd: int | None) -> int:
        """Waits for simulated time `until_us`; returns it, or less when `fd` became readable before."""


class Unpaced:
    """As fast as it goes; `ahead_us` as in Pace."""

    def __init__(self, ahead_us: int = 0) -> None:
        self.ahead_us = ahead_us

    def wait(self, until_us: int, fd: int | None) -> int:
        return until_us


class Paced:
    """No faster than a clock.

    Attributes:
        ahead_us: nothing.
        worst_lag_s: most simulated seconds the board was ever behind the clock.
    """

    ahead_us = 0

    def __init__(self, clock: SimClock) -> None:
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


class World:
    """One box, its board and what happens to them.

    Attributes:
        now_us: simulated microseconds since the beginning.
        starts: times the board was started.
        last_cause: why it was started last: power, watchdog, reset.
        powered: False keeps the board dead.
        starved: True while the box's voltage is too low for the board.
        stopped: True ends `run_until` after the present step; from any thread.
    """

    def __init__(
        self,
        box: Box,
        flash: Path,
        console: Console,
        interpreter: str,
        pace: Pace,
        happenings: Iterable[Happening] = (),
        native: bool = False,
    ) -> None:
        happenings = tuple(happenings)
        self.box = box
        self.now_us = 0
        self.starts = 0
        self.last_cause = "power"
        self.powered = True
        self.starved = False
        self.stopped = False
        self._flash, self._console, self._interpreter, self._pace = flash, console, interpreter, pace
        self._wiring = Wiring(box, flash)
        self._faults = BoardFaults(self, flash, happenings)
        self._to_come = sorted(happenings, key=lambda happening: -happening.at_s)
        self._hungry_s = 0.0
        self._stirred_us = 0  # when something happened last
        self._orders: SimpleQueue[Callable[[], None]] = SimpleQueue()
        self._native = native
        self._process: Process | None = None
        self._start_us = 0
        self._unread = b""
        self._heard_of = False

    @property
    def pid(self) -> int | None:
        """Process number of the running interpreter."""
        return self._process.pid if self._process else None

    def on_drive(self, do: Callable[[], None]) -> None:
        """Has `do` called whenever the board has driven its pins differently than before."""
        self._wiring.changed = do

    def order(self, do: Callable[[], None]) -> None:
        """Has `do` called between two steps; from any thread."""
        self._orders.put(do)

    def run_until(self, until_us: int) -> None:
        """Lets the world go on to `until_us`, or for one step beyond the board's own time."""
        while self.now_us < until_us and not self.stopped:
            self._obey()
            if not self.powered or self.starved:
                self._dead(min(until_us, self.now_us + _BOOT_US))
            elif self._process is None:
                self._power_on()
            else:
                self._exchange(self._process, until_us)

    def power_cut(self, cause: str = "power") -> None:
        """Ends the board's start at once: what it held in memory is gone. It starts again when `powered`."""
        if self._process is not None:
            self._hear(self._process)
            self._process.kill()
            self._process = None
            self._console.board_ends()
        self.last_cause = cause
        self._unread = b""
        self._wiring.release()

    def _obey(self) -> None:
        try:
            while True:
                self._orders.get_nowait()()
        except Empty:
            return

    def _power_on(self) -> None:
        self._wiring.release()
        self._dead(self.now_us + _BOOT_US)
        if self.starved:
            return
        self._console.board_starts()
        self.starts += 1
        process = Process(self._interpreter, self._native)
        wiring_file = self._flash.parent / "start.json"
        self._wiring.write(wiring_file, self.starts, self.last_cause, process.fds, self._faults.hangs_us(self.now_us))
        process.start(self._flash, wiring_file)
        self._process, self._start_us, self._heard_of = process, self.now_us, False

    def _exchange(self, process: Process, until_us: int) -> None:
        wiring = self._wiring
        if not process.ask(wiring.ask):
            return self._lost(process)
        ask = wiring.ask.tolist()
        self._heard_of = True
        self._hear(process)
        board_us = self._start_us + ask[0]
        if ask[1] < 0 or wiring.differs(ask[2:]):
            self._move(board_us)
        if ask[1] < 0:
            end = _ENDS[ask[1]]
            return self.power_cut(self.last_cause if end == "soft" else end)
        wiring.drive(ask[2:])
        self._catch_up(board_us)
        end_us = max(board_us, min(board_us + min(ask[1], _LONGEST_SLICE_US), until_us, self._next_change_us()))
        if end_us > board_us:
            fd = None if self._unread else self._console.fd()
            end_us = max(board_us, self._pace.wait(end_us, fd))
        dt_s = (end_us - self.now_us) / 1e6
        self.box.feel(dt_s)
        heard = self._speak(process)
        steady_us = 0 if heard else self._steady_us(end_us, until_us)
        process.reply(wiring.answer(end_us - board_us, heard, steady_us))
        self.box.advance(dt_s)  # while the board works
        self.now_us = end_us
        self._feed(dt_s)
        return None

    def _steady_us(self, end_us: int, until_us: int) -> int:
        """For how long after `end_us` the board may go on by itself."""
        if not self.box.steady or end_us - self._stirred_us < _STIRS_US:
            return 0
        return max(0, min(self._pace.ahead_us, until_us - end_us, self._next_change_us() - end_us))

    def _feed(self, dt_s: float) -> None:
        """Cuts the board off when its box starves it, and lets it come up again."""
        lowest = self.box.settings.board_lowest_volts
        if lowest is None:
            return
        volts = self.box.node.equipment_volts
        self._hungry_s = self._hungry_s + dt_s if volts < lowest else 0.0
        if self._hungry_s > _HOLDS_UP_S and not self.starved:
            self.starved = True
            self.power_cut()
        elif self.starved and volts >= lowest + _COMES_UP_VOLTS:
            self.starved = False

    def _lost(self, process: Process) -> None:
        """The interpreter has hung or crashed, as a board's watchdog would notice; or it never came up."""
        if not self._heard_of:
            text = process.console_read().decode(errors="replace").strip()
            raise LinkError(
                f"{self._interpreter} does not run the board: {text.rpartition(chr(10))[2] or 'no reason given'}"
            )
        self.power_cut("watchdog")

    def _hear(self, process: Process) -> None:
        while not self._console.full():
            data = process.console_read()
            if not data:
                return
            self._console.from_board(data)

    def _speak(self, process: Process) -> bool:
        self._unread += self._console.to_board()
        if not self._unread:
            return False
        self._unread = self._unread[process.console_write(self._unread) :]
        return True

    def _dead(self, until_us: int) -> None:
        """Time without a running board."""
        while self.now_us < until_us:
            self._console.to_board()  # nobody hears it
            self._move(self._pace.wait(min(until_us, self.now_us + _LONGEST_STEP_US), None))

    def _catch_up(self, board_us: int) -> None:
        """Moves on to the board's own time where something changes before it; else the coming step takes it along."""
        self._happen()
        while self._next_change_us() <= board_us:
            self._move(self._next_change_us())

    def _move(self, to_us: int) -> None:
        """Moves the box on, never across a change."""
        while self.now_us < to_us:
            self._happen()
            next_us = min(to_us, self._next_change_us(), self.now_us + _LONGEST_STEP_US)
            dt_s = (next_us - self.now_us) / 1e6
            self.box.step(dt_s)
            self.now_us = next_us
            if self._process is None:
                self._feed(dt_s)

    def _happen(self) -> None:
        while self._to_come and self._to_come[-1].at_s * 1e6 <= self.now_us:
            happening = self._to_come.pop()
            self._stirred_us = self.now_us
            if not self._faults.take(happening):
                happen(self.box, happening.thing, happening.value)

    def _next_change_us(self) -> int:
        next_s = self.box.next_change_s
        if self._to_come:
            next_s = min(next_s, self._to_come[-1].at_s)
        return NEVER_US if next_s == float("inf") else max(self.now_us + 1, ceil(next_s * 1e6))

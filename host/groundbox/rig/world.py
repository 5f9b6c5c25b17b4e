"""Advances the box in lockstep with the firmware, and starts the board again after a reset or a power cut."""

from collections.abc import Callable, Iterable
from math import ceil
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Protocol

from groundbox.errors import LinkError
from groundbox.rig.box import SimBox
from groundbox.rig.changes import BoardFaults, SimChange, make_change
from groundbox.rig.console import BoardConsole
from groundbox.rig.process import Process, Wiring

_BOOT_US = 400_000  # from power to the first line of main.py: assumed
_BRIDGES_S = 0.03  # the board's converter without input: assumed
_RESTART_VOLTS = 0.5  # above the lowest: assumed
_LONGEST_STEP_US = 250_000
_LONGEST_SLICE_US = 100_000  # the board reads its inputs as they were when the slice began
_SETTLE_US = 1_000_000  # until every sensor shows a change
NEVER_US = 1 << 60
_ENDS = {-1: "reset", -2: "watchdog", -3: "soft"}  # as board/rig_clock.py gives them


class Pace(Protocol):
    """Decides when simulated time may pass.

    Attributes:
        ahead_us: how far the board may run on without asking while nothing changes.
    """

    ahead_us: int

    def wait(self, until_us: int, fd: int | None) -> int:
        """Waits for simulated time `until_us`; returns it, or less when `fd` became readable before."""


class Unpaced:
    """As fast as possible; `ahead_us` as in Pace."""

    def __init__(self, ahead_us: int = 0) -> None:
        self.ahead_us = ahead_us

    def wait(self, until_us: int, fd: int | None) -> int:
        return until_us


class World:
    """One box, its board and their changes.

    Attributes:
        now_us: simulated microseconds since the beginning.
        starts: number of starts of the board.
        last_cause: cause of the last start: power, watchdog, reset.
        powered: False keeps the board off.
        starved: True while the box's voltage is too low for the board.
        stopped: True ends `run_until` after the present step; may be set from any thread.
        wiring: process.Wiring of the board.
    """

    def __init__(
        self,
        box: SimBox,
        flash: Path,
        console: BoardConsole,
        interpreter: str,
        pace: Pace,
        changes: Iterable[SimChange] = (),
        native: bool = False,
    ) -> None:
        changes = tuple(changes)
        self.box = box
        self.now_us = 0
        self.starts = 0
        self.last_cause = "power"
        self.powered = True
        self.starved = False
        self.stopped = False
        self._flash, self._console, self._interpreter, self._pace = flash, console, interpreter, pace
        self.wiring = Wiring(box)
        self._faults = BoardFaults(self, flash, changes)
        self._to_come = sorted(changes, key=lambda change: -change.at_s)
        self._undervolted_s = 0.0
        self._changed_us = 0  # time of the last change
        self._orders: SimpleQueue[Callable[[], None]] = SimpleQueue()
        self._native = native
        self._process: Process | None = None
        self._start_us = 0
        self._unread = b""
        self._responded = False

    @property
    def pid(self) -> int | None:
        """Process number of the running interpreter."""
        return self._process.pid if self._process else None

    def on_drive(self, do: Callable[[], None]) -> None:
        """Has `do` called whenever the board has driven its pins differently than before."""
        self.wiring.changed = do

    def order(self, do: Callable[[], None]) -> None:
        """Has `do` called between two steps; from any thread."""
        self._orders.put(do)

    def run_until(self, until_us: int) -> None:
        """Runs to `until_us`, or one step beyond the board's own time."""
        while self.now_us < until_us and not self.stopped:
            self._run_orders()
            if not self.powered or self.starved:
                self._without_board(min(until_us, self.now_us + _BOOT_US))
            elif self._process is None:
                self._power_on()
            else:
                self._exchange(self._process, until_us)

    def power_cut(self, cause: str = "power") -> None:
        """Ends the board's start at once: its memory is lost. It starts again when `powered`."""
        if self._process is not None:
            self._hear(self._process)
            self._process.kill()
            self._process = None
            self._console.board_ends()
        self.last_cause = cause
        self._unread = b""
        self.wiring.release()

    def _run_orders(self) -> None:
        try:
            while True:
                self._orders.get_nowait()()
        except Empty:
            return

    def _power_on(self) -> None:
        self.wiring.release()
        self._without_board(self.now_us + _BOOT_US)
        if self.starved:
            return
        self._console.board_starts()
        self.starts += 1
        process = Process(self._interpreter, self._native)
        wiring_file = self._flash.parent / "start.json"
        self.wiring.write(wiring_file, self.starts, self.last_cause, process.fds, self._faults.hangs_us(self.now_us))
        process.start(self._flash, wiring_file)
        self._process, self._start_us, self._responded = process, self.now_us, False

    def _exchange(self, process: Process, until_us: int) -> None:
        wiring = self.wiring
        if not process.ask(wiring.ask):
            return self._lost(process)
        ask = wiring.ask.tolist()
        self._responded = True
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
        self.box.begin_step(dt_s)
        heard = self._send(process)
        steady_us = 0 if heard else self._steady_us(end_us, until_us)
        process.reply(wiring.answer(end_us - board_us, heard, steady_us))
        self.box.advance(dt_s)  # while the board computes
        self.now_us = end_us
        self._check_supply(dt_s)
        return None

    def _steady_us(self, end_us: int, until_us: int) -> int:
        """For how long after `end_us` the board may run on without asking."""
        if not self.box.steady or end_us - self._changed_us < _SETTLE_US:
            return 0
        return max(0, min(self._pace.ahead_us, until_us - end_us, self._next_change_us() - end_us))

    def _check_supply(self, dt_s: float) -> None:
        """Cuts the board's power when its voltage is too low for too long, and restores it."""
        lowest = self.box.settings.board_lowest_volts
        if lowest is None:
            return
        volts = self.box.node.equipment_volts
        self._undervolted_s = self._undervolted_s + dt_s if volts < lowest else 0.0
        if self._undervolted_s > _BRIDGES_S and not self.starved:
            self.starved = True
            self.power_cut()
        elif self.starved and volts >= lowest + _RESTART_VOLTS:
            self.starved = False

    def _lost(self, process: Process) -> None:
        """The interpreter hung or crashed, which a board's watchdog ends; or it never started."""
        if not self._responded:
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

    def _send(self, process: Process) -> bool:
        self._unread += self._console.to_board()
        if not self._unread:
            return False
        self._unread = self._unread[process.console_write(self._unread) :]
        return True

    def _without_board(self, until_us: int) -> None:
        """Time without a running board."""
        while self.now_us < until_us:
            self._console.to_board()  # the board is off
            self._move(self._pace.wait(min(until_us, self.now_us + _LONGEST_STEP_US), None))

    def _catch_up(self, board_us: int) -> None:
        """Advances to the board's own time where a change comes before it; else the next step includes it."""
        self._apply_changes()
        while self._next_change_us() <= board_us:
            self._move(self._next_change_us())

    def _move(self, to_us: int) -> None:
        """Advances the box, never across a change."""
        while self.now_us < to_us:
            self._apply_changes()
            next_us = min(to_us, self._next_change_us(), self.now_us + _LONGEST_STEP_US)
            dt_s = (next_us - self.now_us) / 1e6
            self.box.step(dt_s)
            self.now_us = next_us
            if self._process is None:
                self._check_supply(dt_s)

    def _apply_changes(self) -> None:
        while self._to_come and self._to_come[-1].at_s * 1e6 <= self.now_us:
            change = self._to_come.pop()
            self._changed_us = self.now_us
            if not self._faults.take(change):
                make_change(self.box, change.thing, change.value)

    def _next_change_us(self) -> int:
        next_s = self.box.next_change_s
        if self._to_come:
            next_s = min(next_s, self._to_come[-1].at_s)
        return NEVER_US if next_s == float("inf") else max(self.now_us + 1, ceil(next_s * 1e6))

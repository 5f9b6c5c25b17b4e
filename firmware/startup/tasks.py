"""The board's tasks under asyncio: steps of sensing and control, the link, and a supervisor over both."""

import asyncio
import gc

from startup.deadlines import Deadlines
from groundbox.wire.messages import EVENTS, UNKNOWN
from micropython import const
from time import ticks_add, ticks_diff, ticks_ms, ticks_us

_PERIOD_MS = const(100)
_LATE_MS = const(50)
_LONGEST_STEP_MS = const(5000)
_STEPS = const(0)
_STEPS_LIMIT_MS = const(3000)
_LINK_LIMIT_MS = const(5000)
_SUPERVISE_MS = const(500)
_COLLECT_ROUNDS = const(20)
_LEAVE_ROUNDS = const(2)  # time for the answer to go out
_LINK_RESTARTED = EVENTS.index("link_restarted")
_CONTROL_FAILED = EVENTS.index("control_failed")


class Steps:
    """Sensing and control, ten times a second.

    Attributes:
        worst_us: time of the longest step since the start.
        late: steps that began more than half a period late.
        pace: Event set after each step.
    """

    def __init__(self, board, control, inputs):
        self.worst_us = 0
        self.late = 0
        self.pace = asyncio.Event()
        self._board = board
        self._control = control
        self._inputs = inputs
        self._worst_of_reading_us = 0
        self._failed = False
        self._last_ms = ticks_ms()

    def step(self):
        """One step; True when a second was judged and its reading closed. Allocates nothing."""
        began_us = ticks_us()
        now_ms = ticks_ms()
        step_ms = min(ticks_diff(now_ms, self._last_ms), _LONGEST_STEP_MS)
        if step_ms < 1:
            return False
        self._last_ms = ticks_add(self._last_ms, step_ms)
        self._board.sense(step_ms)
        self._control.step(step_ms, self._inputs)
        self._board.drive(self._control.outputs)
        judged = self._control.reading_due
        if judged:
            self._control.close_reading(self._worst_of_reading_us)
            self._worst_of_reading_us = 0
        took_us = ticks_diff(ticks_us(), began_us)
        self._worst_of_reading_us = max(took_us, self._worst_of_reading_us)
        self.worst_us = max(took_us, self.worst_us)
        return judged

    def idle_ms(self):
        """Milliseconds until the next step is due."""
        return _PERIOD_MS - ticks_diff(ticks_ms(), self._last_ms)

    def uptime_ms(self):
        """Milliseconds since the start, now."""
        control = self._control
        return control.uptime_s * 1000 + control.uptime_ms + ticks_diff(ticks_ms(), self._last_ms)

    async def run(self, alive, report):
        """Steps for ever on an absolute schedule; calls `alive` after each judged second, `report` with errors.

        The first error of a row is an event too.
        """
        due_ms = ticks_ms()
        while True:
            if ticks_diff(ticks_ms(), due_ms) > _LATE_MS:
                self.late += 1
            try:
                if self.step():
                    self._failed = False
                    alive()
            except Exception as error:  # noqa: BLE001 (one bad step must not end the steps; the watchdog judges)
                report(error)
                if not self._failed:
                    self._failed = True
                    self._control.event(_CONTROL_FAILED, UNKNOWN)
            self.pace.set()
            self.pace.clear()
            missed = max(0, ticks_diff(ticks_ms(), due_ms)) // _PERIOD_MS
            due_ms = ticks_add(due_ms, (1 + missed) * _PERIOD_MS)
            await asyncio.sleep_ms(max(0, ticks_diff(due_ms, ticks_ms())))


class Supervisor:
    """Feeds the watchdog on proof that sensing and control are on time; starts a hung link again; keeps the state.

    Args:
        desk: uplinks.desk.Desk.
        new_links: one function for each link, called for a new one, which has run(alive, pace).
    """

    def __init__(self, desk, new_links):
        self._desk = desk
        self._new_links = new_links
        self._alive = Deadlines([_STEPS_LIMIT_MS] + [_LINK_LIMIT_MS] * len(new_links))
        self._links = [None] * len(new_links)
        self._last_ms = ticks_ms()
        self._rounds = 0
        self._leaving = 0

    async def run(self):
        """Runs all tasks for ever."""
        desk = self._desk
        asyncio.create_task(desk.steps.run(self._steps_alive, desk.report))
        for i in range(len(self._links)):
            self._start_link(i)
        while True:
            try:
                self.round()
            except Exception as error:  # noqa: BLE001 (any error: the next round is due)
                desk.report(error)
            await asyncio.sleep_ms(_SUPERVISE_MS)

    def round(self):
        """Looks after everything once."""
        desk = self._desk
        now_ms = ticks_ms()
        self._alive.step(ticks_diff(now_ms, self._last_ms))
        self._last_ms = now_ms
        if not self._alive.late(_STEPS):
            desk.hardware.feed()
        for i in range(len(self._links)):
            if self._alive.late(1 + i):
                self._restart_link(i)
        desk.remember()
        self._leaving += desk.leaving
        if self._leaving > _LEAVE_ROUNDS:
            desk.hardware.restart()
        self._rounds += 1
        if self._rounds % _COLLECT_ROUNDS == 0:
            gc.collect()
            desk.free_heap_bytes = gc.mem_free()

    def _restart_link(self, i):
        self._links[i].cancel()
        self._desk.link_restarts += 1
        self._desk.control.event(_LINK_RESTARTED, UNKNOWN)
        self._start_link(i)

    def _start_link(self, i):
        self._alive.mark(1 + i)
        self._links[i] = asyncio.create_task(self._run_link(i))

    async def _run_link(self, i):
        try:
            await self._new_links[i]().run(lambda: self._alive.mark(1 + i), self._desk.steps.pace)
        except Exception as error:  # noqa: BLE001 (a link's end is reported here; the next round starts it again)
            self._desk.report(error)

    def _steps_alive(self):
        self._alive.mark(_STEPS)

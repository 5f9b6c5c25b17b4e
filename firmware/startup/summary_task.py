"""Keeps summaries in flash. A write begins right after a step, so that it delays the next one least.

Measured on the emulated RP2040 with flash of 45 ms an erase: an append takes 68 to 75 ms, a new block 117 to 220 ms,
and no interrupt runs meanwhile. By data sheets an erase may take 400 ms (from memory).
"""

from drivers.segments import Segments
from uplinks.archive import Archive
from uplinks.summary import SummaryBuilder
from micropython import const

BLOCKS = const(122)  # 24 hours of ten seconds in 488 KiB
_PERIOD_S = const(10)
_OPENED_S = const(2)  # after the hello and the first steps: a day's blocks take 1.0 s to look through
_WRITE_MS = const(70)  # idle time wanted, which a quiet board has after each step
_PATIENCE_S = const(30)  # a busy board writes anyway


class SummaryTask:
    """The task beside steps and links.

    Args:
        desk: uplinks.desk.Desk; its archive is set once the board has run for 2 s.
        device: blocks for core.segments.
    """

    def __init__(self, desk, device):
        self._desk = desk
        self._summary = SummaryBuilder()
        self._added_s = 0
        self._due = False
        self._waits_s = 0
        self._failed = False
        self._settled = True
        self._device = device

    async def run(self, alive, pace):
        """Runs without end, a little after each step."""
        while True:
            self.turn()
            alive()
            await pace.wait()

    def turn(self):
        """Does what is due if the time until the next step is enough."""
        desk = self._desk
        now_s = desk.control.uptime_s
        if now_s != self._added_s:
            self._added_s = now_s
            self._settled = False
            self._summary.add(desk.control.reading)
            self._due = self._due or now_s % _PERIOD_S == 0
            self._waits_s += 1
        if self._failed or now_s < _OPENED_S:
            return
        try:
            if desk.archive is None:
                desk.archive = Archive(Segments(self._device), desk.outbox, desk.saved.boot)
                return
            self._write(desk.steps.idle_ms(), now_s)
        except OSError as error:  # flash does not take it: readings continue, and it is reported once
            self._failed = True
            desk.say("summaries: %s" % error)

    def _write(self, idle_ms, now_s):
        archive = self._desk.archive
        segments = archive.segments
        quiet = idle_ms >= _WRITE_MS or self._waits_s > _PATIENCE_S
        if self._due and segments.room():
            if quiet:
                archive.put(now_s, self._summary)
                self._summary.clear()
                self._due = False
                self._waits_s = 0
        elif segments.wants_erasing():
            if quiet:
                archive.prepare()
                self._waits_s = 0
        elif not self._settled:  # once a second: each look costs the heap a little
            self._settled = True
            archive.settle()

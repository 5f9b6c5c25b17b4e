"""Keeps summaries in flash, in the idle part of a step's period, so that writing and erasing never delay control."""

from drivers.segments import Segments
from uplinks.archive import Archive
from uplinks.summary import SummaryBuilder
from micropython import const

BLOCKS = const(122)  # 24 hours of ten seconds in 488 KiB
_PERIOD_S = const(10)
_WRITE_MS = const(30)  # idle time wanted for a write; for an erase of one block (assumed: 45 ms is usual)
_ERASE_MS = const(60)


class SummaryTask:
    """The task beside steps and links.

    Args:
        desk: uplinks.desk.Desk; its archive is set here.
        device: blocks for core.segments.
    """

    def __init__(self, desk, device):
        self._desk = desk
        self._summary = SummaryBuilder()
        self._added_s = 0
        self._due = False
        self._failed = False
        self._settled = True
        desk.archive = Archive(Segments(device), desk.outbox, desk.saved.boot)

    async def run(self, alive, pace):
        """Runs without end, a little after each step."""
        while True:
            self.turn()
            alive()
            await pace.wait()

    def turn(self):
        """Does what is due if the time until the next step is enough."""
        now_s = self._desk.control.uptime_s
        if now_s != self._added_s:
            self._added_s = now_s
            self._settled = False
            self._summary.add(self._desk.control.reading)
            self._due = self._due or now_s % _PERIOD_S == 0
        if self._failed:
            return
        try:
            self._write(self._desk.steps.idle_ms(), now_s)
        except OSError as error:  # flash does not take it: readings continue, and it is reported once
            self._failed = True
            self._desk.say("summaries: %s" % error)

    def _write(self, idle_ms, now_s):
        archive = self._desk.archive
        segments = archive.segments
        if self._due and segments.room():
            if idle_ms >= _WRITE_MS:
                archive.put(now_s, self._summary)
                self._summary.clear()
                self._due = False
        elif segments.wants_erasing():
            if idle_ms >= _ERASE_MS:
                archive.prepare()
        elif not self._settled:  # once a second: each look costs the heap a little
            self._settled = True
            archive.settle()

"""What a link counts, and its console text, kept to a bearable number of lines: pure."""

from groundbox.link.questions import Moment
from groundbox.model import Console, Item, LinkCount

COUNT_S = 10.0
CONSOLE_LINES = 20  # in COUNT_S; the rest is dropped


class Tally:
    """Counts since the last LinkCount: damaged lines, records seen missing, records lost for good."""

    def __init__(self, source: str) -> None:
        self._source = source
        self.corrupt = self.gap = self.lost = 0
        self._console_lines = 0
        self._at_s: float | None = None
        self._wall_s = 0.0

    def console(self, box: str | None, text: str, now: Moment) -> list[Item]:
        """The console line as an item, unless there were too many lately."""
        self._console_lines += 1
        if self._console_lines > CONSOLE_LINES:
            return []
        return [Console(source=self._source, box=box, text=text, wall_s=now.wall_s)]

    def due(self, box: str | None, now: Moment) -> list[Item]:
        """The counts every COUNT_S, where there is something to count."""
        self._wall_s = now.wall_s
        if self._at_s is None:
            self._at_s = now.real_s + COUNT_S
        if now.real_s < self._at_s:
            return []
        self._at_s = now.real_s + COUNT_S
        self._console_lines = 0
        return self.flush(box)

    def flush(self, box: str | None) -> list[Item]:
        """The counts so far, where there is something to count."""
        if not (self.corrupt or self.gap or self.lost):
            return []
        count = LinkCount(
            source=self._source,
            box=box,
            wall_s=self._wall_s,
            corrupt_lines=self.corrupt,
            gap_records=self.gap,
            lost_records=self.lost,
        )
        self.corrupt = self.gap = self.lost = 0
        return [count]

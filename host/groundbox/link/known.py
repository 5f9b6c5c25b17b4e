"""What a link keeps of its boards from one connection to the next: pure."""

from typing import TypedDict

from groundbox.link.clock import BoardClock
from groundbox.link.questions import Moment
from groundbox.model import StartTime, Stored


class Dated(TypedDict, total=False):
    """When something was; empty while unknown."""

    wall_s: float
    wall_uncertainty_s: float
    wall_source: str


class Known:
    """Each box's clock, and what each of its starts was told is stored."""

    def __init__(self) -> None:
        self._clocks: dict[str, BoardClock] = {}
        self._told: dict[tuple[str, int], int] = {}

    def clock(self, box: str) -> BoardClock:
        """The clock of `box`."""
        return self._clocks.setdefault(box, BoardClock(box))

    def heard(self, box: str, boot: int, uptime_ms: int, now: Moment) -> StartTime | None:
        """A message came by itself: see BoardClock.heard."""
        return self.clock(box).heard(boot, uptime_ms, received_wall_s=now.wall_s, received_monotonic_s=now.monotonic_s)

    def dated(self, box: str, boot: int, uptime_ms: int) -> Dated:
        """The wall time of an uptime."""
        wall = self.clock(box).wall(boot, uptime_ms)
        if wall is None:
            return {}
        return {"wall_s": wall.wall_s, "wall_uncertainty_s": wall.uncertainty_s, "wall_source": wall.source}

    def tell(self, stored: Stored) -> None:
        """A board is told what is stored."""
        self._told[stored.box, stored.boot] = stored.sequence

    def told(self, box: str, boot: int) -> int:
        """The last record of a start that its board was told is stored; 0 for none."""
        return self._told.get((box, boot), 0)

    def forget(self, box: str, boot: int) -> None:
        """The number belongs to another start now."""
        self._told.pop((box, boot), None)

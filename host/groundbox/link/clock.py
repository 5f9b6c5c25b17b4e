"""Board uptime to wall time, one box: pure.

The board's uptime is the steady clock: it never steps within a start. Each exchange (ask, answer) says what the host's
wall clock showed at one uptime, give or take half the round trip. Between exchanges both clocks drift apart by at most
DRIFT. When an exchange says that the start happened at another time than the last one did, the host's clock was set
(or slept): the newest word holds for all records of that start.
"""

from dataclasses import dataclass

from groundbox.model import StartTime


@dataclass(frozen=True, slots=True, kw_only=True)
class WallTime:
    """A wall time with its uncertainty (half width) in seconds and where it comes from ("exchange" or "arrival")."""

    wall_s: float
    uncertainty_s: float
    source: str


class BoardClock:
    """The time mapping of one box over its last few starts."""

    def __init__(self, box: str) -> None: ...

    def exchange(self, boot: int, uptime_ms: int, *, received_wall_s: float, round_trip_s: float) -> StartTime | None:
        """Takes in one round trip; a StartTime when stored records have to be brought into line."""

    def heard(self, boot: int, uptime_ms: int, *, received_wall_s: float) -> None:
        """Takes in a message that came by itself: it was sent no later than it came."""

    def wall(self, boot: int, uptime_ms: int) -> WallTime | None:
        """The wall time of `uptime_ms` in start `boot`; None while nothing is known of that start."""

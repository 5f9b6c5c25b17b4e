"""How long a plan may take, shared out among its parts."""

from collections.abc import Callable
from math import inf

Clock = Callable[[], float]

LEAST_SECONDS = 0.05


class Patience:
    """So many seconds for everything together.

    Args:
        seconds: in all.
        clock: seconds that never step back; without one, what is granted counts as spent.
    """

    def __init__(self, seconds: float, clock: Clock | None = None) -> None:
        self.clock = clock
        self._left = seconds
        self._until = seconds + clock() if clock else inf

    @property
    def left(self) -> float:
        """Seconds that are left, 0 at least."""
        return max(0.0, self._until - self.clock() if self.clock else self._left)

    @property
    def out(self) -> bool:
        """True when the clock says that the time is over; without one work that is not the solver's costs nothing."""
        return self.clock is not None and self.left == 0

    def grant(self, share: float, most: float = inf) -> float:
        """Seconds for a part: `share` of what is left, never quite nothing."""
        seconds = max(LEAST_SECONDS, min(share * self.left, most))
        self._left -= seconds
        return seconds

    def part(self, share: float) -> "Patience":
        """Patience for a part that shares its own out again; what it does not use stays, where there is a clock."""
        return Patience(self.grant(share), self.clock)

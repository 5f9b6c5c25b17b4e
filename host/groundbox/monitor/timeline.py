"""A time for the estimator that only goes forward, whatever happens to the host's clock. Pure."""


class Timeline:
    """Within a start it follows the board's uptime; from start to start the wall clock, but never backward.

    Args:
        boot, offset_s, last_s: where an earlier program left off.
    """

    def __init__(self, boot: int | None = None, offset_s: float = 0.0, last_s: float | None = None) -> None:
        self.boot, self.offset_s, self.last_s = boot, offset_s, last_s

    def at(self, boot: int, uptime_ms: int, wall_s: float | None) -> float | None:
        """Seconds; None for a record of a start whose wall time is not known, or of one before the present."""
        uptime_s = uptime_ms / 1000
        if boot != self.boot:
            if wall_s is None or (self.boot is not None and boot < self.boot):
                return None
            self.boot, self.offset_s = boot, wall_s - uptime_s
            if self.last_s is not None and wall_s <= self.last_s:
                self.offset_s = self.last_s + 1.0 - uptime_s
        self.last_s = self.offset_s + uptime_s
        return self.last_s

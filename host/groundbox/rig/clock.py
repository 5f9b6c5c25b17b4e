"""A clock for whoever watches simulated boards: it runs as fast as they do, so that nobody is fooled."""

import time
from threading import Event


class SimClock:
    """Simulated time for boards and host alike, `speed` times as fast as real time, from one start.

    Args:
        speed: simulated seconds a real second, over 0.
        start_wall_s: simulated seconds since 1970 at the start; None: real time now.
    """

    def __init__(self, speed: float = 1.0, start_wall_s: float | None = None) -> None:
        if not speed > 0:
            raise ValueError(f"speed is {speed}; wants more than 0")
        self.speed = speed
        self._start_real_s = time.monotonic()
        self._start_wall_s = time.time() if start_wall_s is None else start_wall_s

    def monotonic_s(self) -> float:
        """Simulated seconds since the start, never backward."""
        return (time.monotonic() - self._start_real_s) * self.speed

    def wall_s(self) -> float:
        """Simulated seconds since 1970."""
        return self._start_wall_s + self.monotonic_s()

    def wait(self, seconds: float, stop: Event | None = None) -> bool:
        """Waits that many simulated seconds; True at once when `stop` is set."""
        return (stop or Event()).wait(max(0.0, seconds / self.speed))

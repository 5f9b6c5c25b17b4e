"""Whether the aircraft is out, from marks and buttons. Pure.

A launch or landing concerns the aircraft and so every box, whichever box it was marked at.
"""


class Flight:
    """The present flight, if any.

    Attributes:
        launched_s: wall time of the launch; None on the ground.
        flown: flights landed so far.
    """

    def __init__(self, length_s: float | None, time_home_s: float | None) -> None:
        self.length_s, self.time_home_s = length_s, time_home_s
        self.launched_s: float | None = None
        self.flown = 0
        self._changed_s = float("-inf")

    def note(self, kind: str, wall_s: float) -> bool:
        """Takes a launch or landing; False for one that changes nothing (an echo, or older than what is known)."""
        flying = self.launched_s is not None
        if wall_s < self._changed_s or kind not in ("launch", "landing") or flying == (kind == "launch"):
            return False
        self._changed_s = wall_s
        self.launched_s = wall_s if kind == "launch" else None
        self.flown += kind == "landing"
        return True

    @property
    def known(self) -> bool:
        """True once a launch or landing was noted in this session."""
        return self._changed_s > float("-inf")

    def landing_in_s(self, wall_s: float) -> float | None:
        """Seconds to the planned landing, below 0 when it is overdue; None on the ground or with no length set."""
        if self.launched_s is None or self.length_s is None:
            return None
        return self.launched_s + self.length_s - wall_s

    def turn_back_s(self, empty_s: float | None, reserve_s: float) -> float | None:
        """Wall time by which to turn back, when the runtime (early) ends at wall time `empty_s`."""
        if empty_s is None or self.time_home_s is None:
            return None
        return empty_s - reserve_s - self.time_home_s

"""Growing, jittered waits between tries, so that many boxes coming back do not all come at once: pure."""

from random import Random


class Waits:
    """Waits that grow by half from `first_s` to `longest_s`, each shortened by up to a third at random."""

    def __init__(self, first_s: float, longest_s: float, random: Random) -> None:
        self._first_s, self._longest_s, self._random = first_s, longest_s, random
        self._next_s = first_s

    def next_s(self) -> float:
        """The next wait in seconds."""
        wait_s = self._next_s
        self._next_s = min(wait_s * 1.5, self._longest_s)
        return wait_s * self._random.uniform(2 / 3, 1.0)

    def reset(self) -> None:
        """After success the waits begin anew."""
        self._next_s = self._first_s

"""When a board is to be asked who it is and what its clock shows: pure, in real seconds."""

from groundbox.link.questions import Moment

ASK_WHO_S = 1.0
SILENT_S = 5.0  # then the board is asked who it is
REFUSED_S = 20.0  # how often a board whose data is not taken is asked again
ASK_CLOCK_S = 30.0
CLOCK_LOST_S = 3.0  # a question for the clock not answered by then is asked again
CLOCK_SET_S = 0.5


class Asking:
    """The schedule of one connection."""

    def __init__(self) -> None:
        self._who_at_s = self._clock_at_s = 0.0
        self._wall_less_monotonic_s: float | None = None

    def who_is_due(self, now: Moment, *, known: bool) -> bool:
        """True when it is time to ask who is there; counts as asked."""
        if now.real_s < self._who_at_s:
            return False
        self._who_at_s = now.real_s + (SILENT_S if known else ASK_WHO_S)
        return True

    def who_soon(self) -> None:
        """The board must be asked who it is."""
        self._who_at_s = 0.0

    def who_later(self, now: Moment) -> None:
        """Its data is not taken; there is no hurry."""
        self._who_at_s = now.real_s + REFUSED_S

    def heard(self, now: Moment) -> None:
        """A board that is known and speaks is asked when it falls silent, unless it must be asked soon."""
        if self._who_at_s:
            self._who_at_s = now.real_s + SILENT_S

    def clock_is_due(self, now: Moment) -> bool:
        """True when it is time to ask for the clock: now and then, and when this computer's clock was set."""
        before, self._wall_less_monotonic_s = self._wall_less_monotonic_s, now.wall_s - now.monotonic_s
        was_set = before is not None and abs(self._wall_less_monotonic_s - before) > CLOCK_SET_S
        return was_set or now.real_s >= self._clock_at_s

    def clock_asked(self, now: Moment) -> None:
        """The question is on its way."""
        self._clock_at_s = now.real_s + CLOCK_LOST_S

    def clock_answered(self, now: Moment) -> None:
        """The answer has come."""
        self._clock_at_s = now.real_s + ASK_CLOCK_S

"""Puts readings in the order measured, when some arrive late or twice, or the host's clock was set. Pure."""

from groundbox.model import Event, Reading


class Timeline:
    """A time for the estimator that never steps back.

    Within a start it follows the board's uptime; from start to start the wall clock.

    Args:
        boot, offset_s, last_s: the state of an earlier program.
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


WAIT_S = 30.0  # a gap delays later readings for so long
MAX_HELD = 5000


class InOrder:
    """Gives out a reading once all before it have arrived, or 30 s after a gap began.

    Args:
        boot, sequence: the last record that was taken before, if any.
    """

    def __init__(self, boot: int | None = None, sequence: int | None = None) -> None:
        self._last = None if boot is None or sequence is None else (boot, sequence)
        self._held: dict[tuple[int, int], Reading | None] = {}
        self._gap_since_s: float | None = None

    def add(self, record: Reading | Event) -> None:
        """Takes a record; one older than the newest given out is ignored."""
        key = (record.boot, record.sequence)
        if self._last is None or key > self._last:
            self._held[key] = record if isinstance(record, Reading) else None

    def ready(self, now_s: float) -> list[Reading]:
        """The readings that are due at `now_s` of the steady clock, in order."""
        out: list[Reading] = []
        for key in sorted(self._held):
            if not self._follows(key) and not self._waited(now_s):
                break
            reading = self._held.pop(key)
            self._last, self._gap_since_s = key, None
            if reading is not None:
                out.append(reading)
        return out

    def flush(self) -> list[Reading]:
        """All that are held, in order, gaps or not."""
        out = [reading for _, reading in sorted(self._held.items()) if reading is not None]
        self._last = max(self._held, default=self._last)
        self._held.clear()
        self._gap_since_s = None
        return out

    def _follows(self, key: tuple[int, int]) -> bool:
        if self._last is None:
            return True
        boot, sequence = self._last
        return key == (boot, sequence + 1) or (key[0] > boot and key[1] <= 1)

    def _waited(self, now_s: float) -> bool:
        if self._gap_since_s is None:
            self._gap_since_s = now_s
        return now_s - self._gap_since_s >= WAIT_S or len(self._held) > MAX_HELD

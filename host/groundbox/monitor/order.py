"""Readings in the order measured, though a board sends again what was missed while new ones come. Pure."""

from groundbox.model import Event, Reading

WAIT_S = 30.0  # how long a gap holds up what came after it
MOST_HELD = 5000


class InOrder:
    """Lets readings out once everything before them has come, or has been waited for long enough.

    Args:
        boot, sequence: the last record that was taken before, if any.
    """

    def __init__(self, boot: int | None = None, sequence: int | None = None) -> None:
        self._last = None if boot is None or sequence is None else (boot, sequence)
        self._held: dict[tuple[int, int], Reading | None] = {}
        self._gap_since_s: float | None = None

    def add(self, record: Reading | Event) -> None:
        """Takes a record; one that is behind what was let out already is passed over."""
        key = (record.boot, record.sequence)
        if self._last is None or key > self._last:
            self._held[key] = record if isinstance(record, Reading) else None

    def ready(self, now_s: float) -> list[Reading]:
        """Those that may go on now, `now_s` from a clock that never steps back."""
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
        return now_s - self._gap_since_s >= WAIT_S or len(self._held) > MOST_HELD

"""What boards may be told is stored: pure."""

from collections.abc import Iterable

from groundbox.model import Event, Hello, Item, Reading, Stored, Summary
from groundbox.wire.sequences import Sequences

_RECORDS = (Reading, Event)


class Told:
    """What boards may be told: per start, the number up to which every record is on the disk. Only from this run.

    What earlier runs stored is not counted: should a board have been installed anew and count its starts from one
    again, it must not drop records because another start's are here.
    """

    def __init__(self) -> None:
        self._starts: dict[tuple[str, int], Sequences] = {}
        self._told: dict[tuple[str, int], int] = {}

    def committed(self, items: Iterable[Item]) -> tuple[Stored, ...]:
        """Takes in what a commit has put on the disk; what is new to tell."""
        touched: dict[tuple[str, int], None] = {}
        summaries: dict[tuple[str, int], Stored] = {}
        key, came = ("", -1), Sequences()
        for item in items:
            if isinstance(item, _RECORDS):
                if item.box != key[0] or item.boot != key[1]:
                    key = item.box, item.boot
                    touched[key], came = None, self._start(key)
                came.add(item.sequence)
            elif isinstance(item, Summary):
                stored = Stored(box=item.box, boot=item.boot, sequence=item.sequence, summary=item.number)
                summaries[item.box, item.number] = stored
            elif isinstance(item, Hello):
                key = item.box, item.boot
                touched[key] = None
                if item.again:
                    self._starts.pop(key, None)
                    self._told.pop(key, None)
                came = self._start(key)
                came.gone_below(item.oldest_sequence or 0)
        return (*filter(None, (self._news(key) for key in touched)), *summaries.values())

    def _start(self, key: tuple[str, int]) -> Sequences:
        start = self._starts.get(key)
        if start is None:
            start = self._starts[key] = Sequences()
        return start

    def _news(self, key: tuple[str, int]) -> Stored | None:
        complete_to = self._starts[key].complete_to
        if complete_to <= self._told.get(key, 0):
            return None
        self._told[key] = complete_to
        return Stored(box=key[0], boot=key[1], sequence=complete_to)

"""Where items come from: the Source interface, the bounded queue to the monitor, and a source that replays bytes."""

from collections import deque
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from dataclasses import replace
from threading import Condition, Event, Thread
from typing import Protocol

from groundbox.errors import LinkError, WireError
from groundbox.link.decode import Corrupt, Decoder, Frame, to_item
from groundbox.model import Answer, Health, Item, LinkCount, Stored


class Arrivals:
    """The bounded queue between links and the monitor.

    The monitor's loop: `items = arrivals.take(); store.add(items); done = store.commit(); arrivals.committed()`.
    """

    def __init__(self, max_items: int = 10_000) -> None:
        self._max_items = max_items
        self._waiting: deque[tuple[Item, Callable[[], None] | None]] = deque()
        self._receipts: list[Callable[[], None]] = []
        self._changed = Condition()

    def put(self, item: Item, receipt: Callable[[], None] | None = None, wait_s: float | None = None) -> bool:
        """True once `item` is in the queue; waits for room (back-pressure), False after `wait_s`.

        `receipt` is called by `committed` once the item is on the disk; it must not raise.
        """
        with self._changed:
            if not self._changed.wait_for(lambda: len(self._waiting) < self._max_items, wait_s):
                return False
            self._waiting.append((item, receipt))
            self._changed.notify_all()
        return True

    def take(self, max_items: int = 1000, wait_s: float = 0.0) -> list[Item]:
        """Up to `max_items` items, oldest first; waits up to `wait_s` real seconds for the first."""
        with self._changed:
            self._changed.wait_for(lambda: bool(self._waiting), wait_s)
            taken = [self._waiting.popleft() for _ in range(min(max_items, len(self._waiting)))]
            self._changed.notify_all()
        self._receipts += [receipt for _, receipt in taken if receipt]
        return [item for item, _ in taken]

    def committed(self) -> None:
        """Reports to the sources that everything taken so far is on the disk."""
        receipts, self._receipts = self._receipts, []
        for receipt in receipts:
            receipt()


class Source(Protocol):
    """Brings items: a set of serial ports, a broker, a capture."""

    def start(self) -> None:
        """Begins; returns at once. Items come through the Arrivals given at construction."""

    def stop(self) -> None:
        """Ends and waits for its threads; harmless when not started."""

    def acknowledge_stored(self, stored: Iterable[Stored]) -> None:
        """Acknowledges stored records to their boards, which drop them; boards that are not here are skipped."""

    def command(self, box: str, name: str, **fields: int | str | None) -> Future[Answer]:
        """A future of the board's answer to command `name` of the registry ("set", "mark", "switch", ...).

        The future ends with LinkError when the board is not here or does not answer in time. One command, one answer:
        ask for settings by name.

        Raises:
            WireError: the command or a field is not of the registry.
        """
        raise NotImplementedError


class ReplaySource:
    """A Source that runs captured bytes of a serial line through the host, as fast as they are taken.

    Args:
        arrivals: where items go.
        data: the captured bytes, in pieces of any size.
        start_wall_s: wall time of the first start's uptime 0; a later start follows the last record.
        source: its name in the link counts.
    """

    def __init__(self, arrivals: Arrivals, data: Iterable[bytes], start_wall_s: float, source: str = "replay") -> None:
        self._arrivals, self._data, self._source = arrivals, data, source
        self._begin_s = self._last_s = start_wall_s
        self._boot: int | None = None
        self._stopping = Event()
        self._thread: Thread | None = None

    def start(self) -> None:
        """See Source."""
        self._thread = Thread(target=self._run, name=self._source, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """See Source."""
        self._stopping.set()
        self.join()

    def join(self) -> None:
        """Waits until everything is replayed."""
        if self._thread:
            self._thread.join()

    def acknowledge_stored(self, stored: Iterable[Stored]) -> None:
        """A capture needs no acknowledgement."""

    def command(self, box: str, name: str, **fields: int | str | None) -> Future[Answer]:
        """A capture answers no command."""
        future: Future[Answer] = Future()
        future.set_exception(LinkError(f"{self._source}: a capture takes no commands"))
        return future

    def _run(self) -> None:
        decoder, corrupt = Decoder(), 0
        for piece in self._data:
            for found in decoder.feed(piece):
                if isinstance(found, Corrupt):
                    corrupt += 1
                elif isinstance(found, Frame) and not self._frame(found):
                    return
        self._put(LinkCount(source=self._source, box=None, wall_s=self._last_s, corrupt_lines=corrupt))

    def _frame(self, frame: Frame) -> bool:
        """False once stopped."""
        try:
            item = to_item(frame)
        except WireError:
            return True
        if item is None:
            return True
        if item.boot != self._boot:
            self._boot, self._begin_s = item.boot, self._last_s
        wall_s = self._last_s if isinstance(item, Health) else self._begin_s + item.uptime_ms / 1000
        self._last_s = max(self._last_s, wall_s)
        return self._put(replace(item, wall_s=wall_s, wall_source="replay"))

    def _put(self, item: Item) -> bool:
        while not self._stopping.is_set():
            if self._arrivals.put(item, wait_s=0.2):
                return True
        return False

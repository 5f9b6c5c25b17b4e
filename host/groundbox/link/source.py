"""Where items come from: the Source interface, the bounded queue to the service, and a source that replays bytes."""

from collections.abc import Callable, Iterable
from concurrent.futures import Future
from typing import Protocol

from groundbox.model import Answer, Item, Stored


class Arrivals:
    """The bounded queue between links and the service.

    The service's loop: `items = arrivals.take(); store.add(items); done = store.commit(); arrivals.committed()`.
    """

    def __init__(self, most: int = 10_000) -> None: ...

    def put(self, item: Item, receipt: Callable[[], None] | None = None, wait_s: float | None = None) -> bool:
        """True once `item` is in the queue; waits for room (back-pressure), False after `wait_s`.

        `receipt` is called by `committed` once the item is on the disk.
        """
        raise NotImplementedError

    def take(self, most: int = 1000, wait_s: float = 0.0) -> list[Item]:
        """Up to `most` items, oldest first; waits up to `wait_s` real seconds for the first."""
        raise NotImplementedError

    def committed(self) -> None:
        """Tells the sources that everything taken so far is on the disk."""
        raise NotImplementedError


class Source(Protocol):
    """Something that brings items: a set of serial ports, a broker, a capture."""

    def start(self) -> None:
        """Begins; returns at once. Items come through the Arrivals given at construction."""

    def stop(self) -> None:
        """Ends and waits for its threads; harmless when not started."""

    def tell_stored(self, stored: Iterable[Stored]) -> None:
        """Tells boards what they need not keep any longer; boards that are not here are passed over."""

    def command(self, box: str, name: str, **fields: int | str | None) -> Future[Answer]:
        """A future of the board's answer to command `name` of the registry ("set", "mark", "switch", ...).

        The future ends with LinkError when the board is not here or does not answer in time.

        Raises:
            WireError: the command or a field is not of the registry.
        """
        raise NotImplementedError

"""Boards on serial ports: one thread a port, which finds, asks, reads, and comes back by itself."""

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass

from groundbox.link.source import Arrivals
from groundbox.model import Answer, Stored


@dataclass(frozen=True, slots=True, kw_only=True)
class Clocks:
    """The host's clocks, injected: wall seconds since 1970, and one that never steps. Both at the demo's speed."""

    wall_s: Callable[[], float]
    monotonic_s: Callable[[], float]


class SerialPorts:
    """A Source: every board on the given ports, or on any USB serial port.

    Args:
        arrivals: where items go.
        clocks: the host's clocks.
        patterns: ports, or glob patterns of ports; None: USB serial ports as the system lists them.
    """

    def __init__(self, arrivals: Arrivals, clocks: Clocks, patterns: Sequence[str] | None = None) -> None: ...

    def start(self) -> None:
        """See Source."""

    def stop(self) -> None:
        """See Source."""

    def tell_stored(self, stored: Iterable[Stored]) -> None:
        """See Source."""

    def command(self, box: str, name: str, **fields: int | str | None) -> Future[Answer]:
        """See Source."""
        raise NotImplementedError

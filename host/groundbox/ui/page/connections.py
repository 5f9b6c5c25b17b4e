"""Connections to the page: how many there may be, and how long one may take for its request.

Descriptors and time of the program belong to the recording first: a client that sends no request gets neither for long.
"""

import asyncio
import logging
import traceback
from collections import Counter
from collections.abc import Callable
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

ALL, EACH = 120, 60  # connections: in all, and from one address
RESERVED = 128  # descriptors for the store, ports, brokers and programs that sound
BACKLOG = 16  # accepted at once: more would use up the descriptors before they are counted
REQUEST_S = 5.0  # for a whole request, from the connection or the answer before it
ANSWER_S = 60.0  # for an answer other than the stream of events


class Connections:
    """Those that are open.

    Args:
        report: gets one line for each kind of fault, once.
    """

    def __init__(self, report: Callable[[str], None]) -> None:
        self.all = max(BACKLOG, min(ALL, _descriptors() - RESERVED))
        self._report, self._known = report, set[str]()
        self._open: dict[Connection, str] = {}  # with its address, oldest first

    def make(self, **given: Any) -> "Connection":
        """A connection of the server."""
        return Connection(self, **given)

    def begun(self, connection: "Connection", address: str) -> None:
        """Where there are too many, the oldest without a request makes room, else this one."""
        self._open[connection] = address
        each = Counter(self._open.values())
        if each[address] > EACH:
            crowded = address
        elif len(self._open) > self.all:
            crowded = each.most_common(1)[0][0]
        else:
            return
        waiting = (one for one, at in self._open.items() if at == crowded and one.waits)
        self._end(next(waiting, connection))

    def ended(self, connection: "Connection") -> None:
        """Forgets one."""
        self._open.pop(connection, None)

    def _end(self, connection: "Connection") -> None:
        self.ended(connection)
        connection.transport.abort()

    def fault(self, error: BaseException | None, words: str) -> None:
        """Reports a fault of the page, once for each place."""
        frames = traceback.extract_tb(error.__traceback__) if error else []
        place = f" at {frames[-1].name}, line {frames[-1].lineno}" if frames else ""
        text = f"{type(error).__name__}{place}: {error}" if error else words
        key = f"{type(error).__name__}{place}" if error else words
        if key not in self._known and len(self._known) < BACKLOG:
            self._known.add(key)
            self._report(f"the page has a fault, the recording continues: {text[:200]}")

    def on_loop_fault(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """See asyncio's loop.set_exception_handler."""
        self.fault(context.get("exception"), str(context.get("message")))


class Faults(logging.Handler):
    """Passes errors that the server logs to `connections`, and nothing to a terminal."""

    def __init__(self, connections: Connections) -> None:
        super().__init__(logging.ERROR)
        self._connections = connections

    def emit(self, record: logging.LogRecord) -> None:
        """See logging.Handler."""
        self._connections.fault(record.exc_info[1] if record.exc_info else None, record.getMessage())


class Connection(H11Protocol):
    """One connection, given up when its request does not come."""

    def __init__(self, connections: Connections, **given: Any) -> None:
        super().__init__(**given)
        self._connections = connections
        self._timer: asyncio.TimerHandle | None = None

    @property
    def waits(self) -> bool:
        """True while no whole request has come that is still to be answered."""
        return self.cycle is None or self.cycle.response_complete or self.cycle.more_body

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """See asyncio.Protocol."""
        super().connection_made(transport)
        self._connections.begun(self, self.client[0] if self.client else "")
        self._arm(REQUEST_S)

    def connection_lost(self, exc: Exception | None) -> None:
        """See asyncio.Protocol."""
        if self._timer:
            self._timer.cancel()
        self._connections.ended(self)
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        """The time for the next request begins."""
        self._arm(REQUEST_S)
        super().on_response_complete()

    def _arm(self, seconds: float) -> None:
        if self._timer:
            self._timer.cancel()
        self._timer = self.loop.call_later(seconds, self._look)

    def _look(self) -> None:
        if self.waits:
            self.transport.abort()
        elif self.scope["path"] != "/events":
            self._timer = self.loop.call_later(ANSWER_S, self.transport.abort)


def _descriptors() -> int:
    """How many descriptors this program may have."""
    try:
        import resource
    except ImportError:  # Windows has no such limit for sockets
        return ALL + RESERVED
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return ALL + RESERVED if soft == resource.RLIM_INFINITY else soft

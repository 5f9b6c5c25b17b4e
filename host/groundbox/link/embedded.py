"""A broker inside this program (amqtt, an extra), for a table where none is installed.

Its limits, against an installed broker: hundreds to some thousand messages a second; what it keeps for boxes that are
away is gone when it ends; a box that dies in silence never triggers its last word. None of it loses readings: a board
keeps them until told that they are stored, and this program judges silence by itself.
"""

import asyncio
import logging
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from groundbox.errors import BadInput

HERE = "127.0.0.1"
MOST_CONNECTIONS = 100
START_S = 10.0


class EmbeddedBroker:
    """Runs from entry to exit of a `with`, in a thread of its own.

    Args:
        passwords: user -> password.
        listen, port: where to listen.
        certificate: certificate and key, PEM files, for TLS; None for none.

    Raises:
        BadInput: the extra is not installed, or the port is taken.
    """

    def __init__(
        self, passwords: Mapping[str, str], listen: str, port: int, certificate: tuple[Path, Path] | None = None
    ) -> None:
        _require_amqtt()
        self._listen, self._port = listen, port
        listener: dict[str, Any] = {"type": "tcp", "bind": f"{listen}:{port}", "max_connections": MOST_CONNECTIONS}
        if certificate:
            listener |= {"ssl": True, "certfile": str(certificate[0]), "keyfile": str(certificate[1])}
        plugins = {"groundbox.link.embedded_rights.Rights": {"passwords": dict(passwords)}}
        self._config = {"listeners": {"default": listener}, "plugins": plugins}
        self._ready, self._ending = threading.Event(), threading.Event()
        self._failed: Exception | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._end: asyncio.Event | None = None
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)

    def __enter__(self) -> "EmbeddedBroker":
        logging.getLogger("amqtt").setLevel(logging.CRITICAL + 1)  # it logs every stranger with a traceback
        logging.getLogger("transitions").setLevel(logging.CRITICAL + 1)
        self._thread.start()
        self._ready.wait(START_S)
        if self._failed is not None:
            why = f"cannot be used ({self._failed.__cause__ or self._failed}); name another"
            raise BadInput("own_broker", f"{self._listen}:{self._port}", why)
        return self

    def __exit__(self, *error: object) -> None:
        if self._loop is not None and self._end is not None:
            self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(timeout=START_S)

    def _run(self) -> None:
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        from groundbox.link.embedded_rights import TightBroker

        self._loop, self._end = asyncio.get_running_loop(), asyncio.Event()
        self._loop.set_exception_handler(lambda loop, context: None)  # a torn connection is nothing to tell
        try:
            broker = TightBroker(self._config)
            await broker.start()
        except Exception as error:  # noqa: BLE001 (told by __enter__)
            self._failed = error
            return
        finally:
            self._ready.set()
        await self._end.wait()
        await broker.shutdown()


def _require_amqtt() -> None:
    try:
        from amqtt.broker import Broker  # type: ignore[import-untyped]
    except ImportError as error:
        mend = 'a broker inside needs more than is installed: pip install "groundbox[broker]"'
        raise BadInput("own_broker", "", mend) from error
    if not hasattr(Broker, "_initialize_client_session"):  # where the password is looked at, see embedded_rights
        raise BadInput("own_broker", "", "this version of amqtt is not known here; install 0.12.1")

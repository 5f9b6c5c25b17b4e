"""An embedded broker (amqtt, an extra), for a computer where none is installed.

Its limits against an installed broker: hundreds to about a thousand messages a second; it loses what it keeps for
absent boxes when it ends; a box whose power fails never triggers its last will. No reading is lost: a board keeps it
until it is acknowledged, and this program detects silence itself.
"""

import asyncio
import logging
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from groundbox.errors import BadInput

HERE = "127.0.0.1"
MAX_CONNECTIONS = 100
START_S = 10.0


class EmbeddedBroker:
    """Runs from entry to exit of a `with`, in its own thread.

    Args:
        passwords: user -> password.
        listen, port: address and TCP port to listen on.
        certificate: certificate and key, PEM files, for TLS; None for none.

    Raises:
        BadInput: the extra is not installed, or the port is taken.
    """

    def __init__(
        self, passwords: Mapping[str, str], listen: str, port: int, certificate: tuple[Path, Path] | None = None
    ) -> None:
        _require_amqtt()
        self._listen, self._port = listen, port
        listener: dict[str, Any] = {"type": "tcp", "bind": f"{listen}:{port}", "max_connections": MAX_CONNECTIONS}
        if certificate:
            listener |= {"ssl": True, "certfile": str(certificate[0]), "keyfile": str(certificate[1])}
        plugins = {"groundbox.link.embedded_rights.BrokerRights": {"passwords": dict(passwords)}}
        self._config = {"listeners": {"default": listener}, "plugins": plugins}
        self._ready, self._ending = threading.Event(), threading.Event()
        self._failed: Exception | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._end: asyncio.Event | None = None
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)

    def __enter__(self) -> "EmbeddedBroker":
        logging.getLogger("amqtt").setLevel(logging.CRITICAL + 1)  # it logs every failed connection with a traceback
        logging.getLogger("transitions").setLevel(logging.CRITICAL + 1)
        self._thread.start()
        self._ready.wait(START_S)
        if self._failed is not None:
            why = f"cannot be used ({self._failed.__cause__ or self._failed}); name another port"
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
        self._loop.set_exception_handler(lambda loop, context: None)  # a broken connection needs no report
        try:
            broker = TightBroker(self._config)
            await broker.start()
        except Exception as error:  # noqa: BLE001 (reported by __enter__)
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
        fix = 'the embedded broker is not installed; type: pip install "groundbox[broker]"'
        raise BadInput("own_broker", "", fix) from error
    if not hasattr(Broker, "_initialize_client_session"):  # where the password is checked, see embedded_rights
        raise BadInput("own_broker", "", "this version of amqtt does not fit; type: pip install amqtt==0.12.1")

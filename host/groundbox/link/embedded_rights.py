"""What the embedded broker checks: passwords, rights, sizes. Imported with amqtt only."""

import asyncio
import hmac
from dataclasses import dataclass, field
from typing import Any

from amqtt.adapters import StreamReaderAdapter, StreamWriterAdapter  # type: ignore[import-untyped]
from amqtt.broker import Broker  # type: ignore[import-untyped]
from amqtt.contexts import Action  # type: ignore[import-untyped]
from amqtt.errors import MQTTError, NoDataError  # type: ignore[import-untyped]
from amqtt.mqtt.connack import NOT_AUTHORIZED, ConnackPacket  # type: ignore[import-untyped]
from amqtt.mqtt.protocol.broker_handler import BrokerProtocolHandler  # type: ignore[import-untyped]
from amqtt.plugins.base import BaseAuthPlugin, BaseTopicPlugin  # type: ignore[import-untyped]
from amqtt.session import Session  # type: ignore[import-untyped]

from groundbox.link.broker import may_publish, may_subscribe, own_id

MAX_BYTES = 8192  # in one piece; amqtt itself takes 256 MB from anybody
CONNECT_S = 10.0


class BrokerRights(BaseAuthPlugin, BaseTopicPlugin):  # type: ignore[misc]
    """Admits users by password; each may publish and subscribe to what link.broker allows."""

    async def authenticate(self, *, session: Session) -> bool:
        """True for a user with the right password, its own client id, and a last will on its own topic."""
        user, given = session.username, session.password
        known = self.config.passwords.get(user)
        if known is None or given is None or not hmac.compare_digest(known.encode(), str(given).encode()):
            return False
        if not own_id(user, session.client_id or ""):
            return False
        return not session.will_flag or may_publish(user, session.will_topic or "")

    async def topic_filtering(
        self, *, session: Session | None = None, topic: str | None = None, action: Action | None = None
    ) -> bool:
        """True when the session's user may do `action` on `topic`."""
        if session is None or topic is None or session.username is None:
            return False
        if action == Action.RECEIVE:  # of a subscription that was allowed
            return True
        return (may_publish if action == Action.PUBLISH else may_subscribe)(session.username, topic)

    @dataclass
    class Config:
        """Configuration: user -> password."""

        passwords: dict[str, str] = field(default_factory=dict)


class TightBroker(Broker):  # type: ignore[misc]
    """Reads no more than MAX_BYTES at once from anybody, and checks the password before anything else.

    amqtt itself first takes over the connection, last will and user of the same client id, and checks the password
    then: anybody could have one message published anywhere.
    """

    async def stream_connected(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
    ) -> None:
        """See Broker."""
        await self._client_connected(listener_name, _TightReader(reader), StreamWriterAdapter(writer))

    async def _initialize_client_session(
        self, reader: Any, writer: Any, remote_address: str, remote_port: int
    ) -> tuple[BrokerProtocolHandler, Session]:
        first = BrokerProtocolHandler.init_from_connect(reader, writer, self.plugins_manager)
        try:
            _, session = await asyncio.wait_for(first, CONNECT_S)
        except Exception as error:
            await writer.close()
            raise MQTTError("no readable connection") from error
        if not await self._authenticate(session, None):
            await ConnackPacket.build(0, NOT_AUTHORIZED).to_stream(writer)
            await writer.close()
            raise MQTTError("refused")
        reader.rewind()
        return await super()._initialize_client_session(reader, writer, remote_address, remote_port)  # type: ignore[no-any-return]


class _TightReader(StreamReaderAdapter):  # type: ignore[misc]
    """Bounded; what was read before `rewind` is read once more."""

    def __init__(self, reader: asyncio.StreamReader) -> None:
        super().__init__(reader)
        self._read: bytes | None = b""
        self._again = b""

    def rewind(self) -> None:
        self._again, self._read = self._read or b"", None

    async def read(self, n: int = -1) -> bytes:
        if not 0 <= n <= MAX_BYTES:
            raise NoDataError("too long")
        if self._again:
            data, self._again = self._again[:n], self._again[n:]
            return data
        data = bytes(await super().read(n))
        if self._read is not None:
            self._read += data
        return data

"""Where an MQTT broker is, and what stands in the way to it."""

import socket
import ssl
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """Where a broker is and how to get in; `ca_file` switches TLS on."""

    host: str
    port: int = 1883
    username: str | None = None
    password: str | None = None
    ca_file: str | None = None


def why_not(error: BaseException | None) -> str:
    """What stood in the way of a connection, as paho met it."""
    match error:
        case ssl.SSLCertVerificationError():
            return f"the broker's certificate does not fit ca_file and host ({error.verify_message})"
        case ssl.SSLError():
            return "what answers there does not speak TLS, which ca_file asks for"
        case socket.gaierror():
            return "no network knows a computer of that name: check host"
    return "no broker answers there"

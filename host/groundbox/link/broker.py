"""A broker: where it is, who may publish and subscribe to what there, and why a connection fails. Pure.

A box publishes under its own name and subscribes to its own commands. This program subscribes to everything, and
publishes commands to boxes and its own topics. Mosquitto's files and the embedded broker follow the same rights.
"""

import re
import socket
import ssl
from dataclasses import dataclass

ROOT = "groundbox"
COMMAND = "command"  # the topic under a box's name on which this program sends to it
OUT = "groundbox_host"  # the topics of this program for people's automations
PROGRAM = "groundbox-program"  # this and the next are longer than a box's name can be
AUTOMATION = "groundbox-automation"
NOT_IN_NAME = re.compile(r'[/+#:$"\\]')  # these have another meaning in a topic or a password file


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """Where a broker is, and the user and password for it; `ca_file` turns TLS on."""

    host: str
    port: int = 1883
    username: str | None = None
    password: str | None = None
    ca_file: str | None = None


def why_not(error: BaseException | None) -> str:
    """Why a connection to the broker failed, from paho's error."""
    match error:
        case ssl.SSLCertVerificationError():
            return f"the broker's certificate does not fit ca_file and host ({error.verify_message})"
        case ssl.SSLError():
            return "the server there does not use TLS, which ca_file asks for"
        case socket.gaierror():
            return "no network knows a computer of that name: check host"
    return "no broker answers there"


def unfit_name(box: str) -> str | None:
    """Why a box's name cannot be used at a broker; None when it can."""
    if not re.fullmatch(r"[!-z]{1,16}", box):
        return "must have 1 to 16 plain characters without spaces"
    found = NOT_IN_NAME.search(box)
    return f"has a {found.group()}, which has another meaning at a broker; rename the box" if found else None


def own_id(user: str, client_id: str) -> bool:
    """True for a client id of this user's own, so that no user takes over the connection of another."""
    if user in (PROGRAM, AUTOMATION):
        return client_id.startswith(f"{user}:")
    return client_id == f"groundbox-{user}"


def may_publish(user: str, topic: str) -> bool:
    """True when `user` may publish to `topic`."""
    levels = topic.split("/")
    if user == AUTOMATION or "+" in topic or "#" in topic:
        return False
    if user == PROGRAM:
        return levels[0] == OUT or (levels[0] == ROOT and levels[2:] == [COMMAND])
    return levels[0] == ROOT and len(levels) >= 3 and levels[1] == user


def may_subscribe(user: str, topic_filter: str) -> bool:
    """True when `user` may subscribe to `topic_filter`."""
    if user in (PROGRAM, AUTOMATION):
        return topic_filter.split("/")[0] in (ROOT, OUT)
    return topic_filter == f"{ROOT}/{user}/{COMMAND}"


def mosquitto_rights() -> str:
    """The same rights as mosquitto's access file."""
    return f"""\
# Every box: publishes under its own name, subscribes to its own commands, nothing else.
pattern write {ROOT}/%u/#
pattern read {ROOT}/%u/{COMMAND}

# This program: subscribes to everything, publishes commands and its own topics.
user {PROGRAM}
topic read {ROOT}/#
topic write {ROOT}/+/{COMMAND}
topic readwrite {OUT}/#

# People's own automations: subscribe to everything, publish nothing.
user {AUTOMATION}
topic read {ROOT}/#
topic read {OUT}/#
"""

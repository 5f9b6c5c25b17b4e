"""The embedded broker, and the bridges to other programs that the settings name."""

import ssl
from collections.abc import Callable, Sequence
from pathlib import Path

from groundbox.advice.result import SessionAdvice
from groundbox.errors import BadInput
from groundbox.link.broker import AUTOMATION, PROGRAM, Broker, unfit_name
from groundbox.link.broker_setup import AUTHORITY, CERTIFICATE, KEY
from groundbox.link.clock import Moment
from groundbox.link.embedded_broker import HERE, EmbeddedBroker
from groundbox.link.secret_files import stored_passwords
from groundbox.model import WarningChange
from groundbox.settings import OwnBrokerSettings, Settings
from groundbox.ui.bridge import Bridge
from groundbox.ui.bridge.senders import WarningsTopic, Webhook
from groundbox.ui.recording import secret_in


class Bridged:
    """Runs its bridges from entry to exit of a `with`.

    Args:
        say: shows one line to the person: (wall time, text).
    """

    def __init__(self, say: Callable[[float, str], None], bridges: Sequence[Bridge]) -> None:
        self._say, self._bridges = say, bridges
        self._wall_s = 0.0

    def __enter__(self) -> "Bridged":
        for bridge in self._bridges:
            bridge.start()
        return self

    def __exit__(self, *error: object) -> None:
        for bridge in self._bridges:
            bridge.stop()
        self._say_notes()

    def say(self, wall_s: float, text: str) -> None:
        """See Output; lines for the person concern no other program."""

    def warn(self, change: WarningChange) -> None:
        """See Output."""
        for bridge in self._bridges:
            bridge.warn(change)

    def show(self, advice: SessionAdvice, moment: Moment) -> None:
        """See Output."""
        self._wall_s = moment.wall_s
        for bridge in self._bridges:
            bridge.show(advice, moment)
        self._say_notes()

    def _say_notes(self) -> None:
        for bridge in self._bridges:
            while bridge.notes:
                self._say(self._wall_s, bridge.notes.popleft())


def own_broker(settings: Settings) -> tuple[EmbeddedBroker, Broker, list[str]]:
    """The embedded broker, how this program connects to it, and sentences on it for the person.

    Raises:
        BadInput: a box's name does not fit a broker, or a file or the extra is missing.
    """
    entry = settings.own_broker or OwnBrokerSettings()
    for box in settings.boxes:
        if why := unfit_name(box):
            raise BadInput(settings.file, f"boxes.{box}", why)
    default = settings.database_path.with_name(settings.database_path.name + ".broker")
    folder = default if entry.folder is None else settings.folder / Path(entry.folder).expanduser()
    if entry.folder is not None and not folder.is_dir():
        raise BadInput(
            settings.file, "own_broker.folder", f"there is no folder {folder}; write it: groundbox broker setup"
        )
    passwords = stored_passwords(folder, [*settings.boxes, PROGRAM, AUTOMATION])
    certificate = certificate_in(folder)
    embedded = EmbeddedBroker(passwords, entry.listen, entry.port, certificate)
    connection = Broker(
        host=HERE if entry.listen in ("0.0.0.0", "::") else entry.listen,
        port=entry.port,
        username=PROGRAM,
        password=passwords[PROGRAM],
        ca_file=str(folder / AUTHORITY) if certificate else None,
    )
    boxes = (
        ", ".join(user for user in passwords if user not in (PROGRAM, AUTOMATION)) or "no box yet (add [boxes.NAME])"
    )
    lines = [f"embedded broker: {entry.listen}:{entry.port}; passwords of {boxes} in {folder}"]
    if entry.listen not in (HERE, "::1", "localhost") and not certificate:
        lines.append("it has no TLS: anybody on this network can read the passwords; add TLS: groundbox broker setup")
    return embedded, connection, lines


def certificate_in(folder: Path) -> tuple[Path, Path] | None:
    """Certificate and key in `folder`; None where it has none.

    Raises:
        BadInput: they cannot be loaded.
    """
    pair = folder / CERTIFICATE, folder / KEY
    if not all(path.exists() for path in pair):
        return None
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(*pair)
    except (OSError, ValueError) as error:
        raise BadInput(pair[0], "", f"cannot be used with {KEY} beside it ({error})") from error
    return pair


def bridges_of(settings: Settings, publish_to: Sequence[Broker]) -> list[Bridge]:
    """Warnings topics at the brokers `publish_to`, and the settings' webhooks.

    Raises:
        BadInput: a token cannot be read.
    """
    found: list[Bridge] = [WarningsTopic(broker) for broker in publish_to]
    for number, hook in enumerate(settings.webhooks, 1):
        token = secret_in(settings, hook.token_file, f"webhooks {number}.token_file")
        found.append(Webhook(hook.url, token, hook.severity))
    return found

"""The board's file `network`: how it reaches a broker, and its secrets; what firmware/network_file.py reads. Pure."""

import base64
import re
import ssl
from zlib import crc32

from groundbox.errors import BadInput

MOST_BYTES = 4096
NAMES = ("ssid", "password", "broker", "broker_name", "port", "user", "broker_password", "ca", "key")


def network_file(source: object, values: dict[str, str]) -> bytes:
    """The file's bytes.

    Args:
        source: where the values come from, for errors; these never show a secret.
        values: by NAMES; what is left out the board does without. `ca` is PEM text here.

    Raises:
        BadInput: a value the board could not use.
    """
    values = dict(values)
    address = values.get("broker", "")
    if not re.fullmatch(r"(\d{1,3}\.){3}\d{1,3}", address) or any(int(part) > 255 for part in address.split(".")):
        mend = f'"{address}" wants an IPv4 address, as 192.168.4.2: looking a name up would hold up control'
        raise BadInput(source, "broker", mend)
    if "ca" in values:
        values["ca"] = _der(source, values["ca"])
    for name, value in values.items():
        if name not in NAMES:
            raise BadInput(source, name, "is not known")
        if not value or any(not " " <= sign < "\x7f" for sign in value):
            raise BadInput(source, name, "wants plain characters in one line")
    text = "".join(f"{name} {values[name]}\n" for name in NAMES if name in values).encode("ascii")
    whole = text + b"check %08X\n" % crc32(text)
    if len(whole) > MOST_BYTES:
        raise BadInput(
            source, "", f"a board takes {MOST_BYTES} bytes of this, not {len(whole)}: use a shorter certificate"
        )
    return whole


def _der(source: object, pem: str) -> str:
    """A certificate in PEM as DER in base64."""
    try:
        return base64.b64encode(ssl.PEM_cert_to_DER_cert(pem[pem.index("-----BEGIN CERT") :])).decode()
    except ValueError as error:
        raise BadInput(source, "ca_file", "holds no certificate in PEM") from error

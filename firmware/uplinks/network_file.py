"""The board's file `network`: how to reach the broker, and the secrets for it. Written over USB only, never sent.

Lines `name value`; the last is `check` and the CRC-32 of all before it, eight hexadecimal digits. Names: ssid,
password, broker (IPv4 address), broker_name (as in its certificate), port, user, broker_password, ca (DER in base64),
key (64 hexadecimal digits).
"""

from binascii import a2b_base64, crc32, unhexlify

_MAX_BYTES = 4096
_KEY_BYTES = 32


class Network:
    """The values in the file; None for those it lacks.

    Attributes:
        ssid, password, broker, broker_name, user, broker_password: texts.
        port: the broker's TCP port.
        ca: the authority's certificate as DER; None for no TLS.
        key: the key of commands; None: none is taken over the network.
    """

    def __init__(self, lines):
        values = {}
        for line in lines:
            name, _, value = line.partition(" ")
            values[name] = value
        for name in ("ssid", "password", "broker", "broker_name", "user", "broker_password"):
            setattr(self, name, values.get(name))
        self.port = int(values.get("port", "1883"))
        self.ca = a2b_base64(values["ca"]) if "ca" in values else None
        self.key = unhexlify(values["key"]) if "key" in values else None
        if not _is_address(self.broker or "") or (self.key is not None and len(self.key) != _KEY_BYTES):
            raise ValueError


def load(path="network"):
    """(Network, "") or (None, why not); (None, "") where there is no file. It never shows the content."""
    try:
        with open(path, "rb") as file:
            raw = file.read(_MAX_BYTES)
    except OSError:
        return None, ""
    at = raw.rfind(b"check ")
    if at < 0 or raw[at + 6 : at + 14] != b"%08X" % (crc32(raw[:at]) & 0xFFFFFFFF):
        return None, "network: the file is damaged; write it again"
    try:
        return Network(raw[:at].decode().split("\n")), ""
    except ValueError:
        return None, "network: a value is missing or wrong; write it again"


def _is_address(text):
    parts = text.split(".")
    return len(parts) == 4 and all(part.isdigit() and int(part) < 256 for part in parts)

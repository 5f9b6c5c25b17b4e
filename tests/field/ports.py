"""Ports of this computer for the programs of a test."""

import os
import random
import socket
from contextlib import suppress


def free_port() -> int:
    """A port without a listener, below the range from which a computer takes ports for outgoing connections.

    Parallel test processes take different ports: the remainder of a port by 16 is the number of the process.
    """
    process = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw")) % 16
    chance = random.SystemRandom()
    while True:
        port = 16 * chance.randrange(1250, 2040) + process
        with socket.socket() as free:
            free.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            with suppress(OSError):
                free.bind(("127.0.0.1", port))
                return port

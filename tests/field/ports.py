"""Ports of this computer for the programs of a test."""

import socket


def free_port() -> int:
    """One that nobody listens on at this moment."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])

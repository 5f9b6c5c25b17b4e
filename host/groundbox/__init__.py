"""Keeps a pilot's field equipment boxes powered and cool through a flying day."""

__version__ = "0.1.0"

"""The firmware's version, as the board says it in `hello`."""

VERSION = "0.1.0"

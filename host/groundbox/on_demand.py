"""A group of commands with the names and help lines of its commands; `--help` imports none of them."""

from collections.abc import Mapping
from importlib import import_module
from typing import Any

import click

Part = tuple[str, str, str]


class OnDemand(click.Group):
    """Imports a command when a person types it.

    Args:
        parts: name -> (module of groundbox.ui, the command in it, line of help).
    """

    def __init__(self, *arguments: Any, parts: Mapping[str, Part], **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._parts = parts

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(self._parts)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in self._parts:
            return None
        module, name, _ = self._parts[cmd_name]
        command = getattr(import_module(f"groundbox.ui.{module}"), name)
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, _, text) in sorted(self._parts.items())])

"""--keys: every key that a file may have, for a person who writes one."""

from collections.abc import Callable
from typing import Any

import click
import msgspec

from groundbox.toml_file import documented


def keys_option(kind: str, shape: type[msgspec.Struct]) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Adds --keys, which prints the keys of a `kind` file and ends."""

    def tell(context: click.Context, _: click.Parameter, wanted: bool) -> None:
        if not wanted:
            return
        rows = documented(shape)
        width = max(len(key) for key, _ in rows)
        click.echo("\n".join(f"{key:<{width}}  {wants}" for key, wants in rows))
        context.exit()

    words = f"Print every key of a {kind} file ([] is a list of tables, [[...]] in TOML), and end."
    return click.option("--keys", is_flag=True, is_eager=True, expose_value=False, callback=tell, help=words)

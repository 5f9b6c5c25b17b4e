"""What several commands share: the settings file, the database, the name of a box, numbers."""

import difflib
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import msgspec

from groundbox import settings
from groundbox.errors import BadInput, StoreError
from groundbox.settings import Settings
from groundbox.store import Reader
from groundbox.toml_file import documented

# TCP port of the page: a user port below 32768, where the ports for outgoing connections start on Linux. It is not in
# /etc/services of Debian, and not assigned in the IANA list (from memory).
PAGE_PORT = 28470


class Place(click.Path):
    """A file, or the address of a database on a server, which stays text."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """See click.ParamType."""
        if isinstance(value, str) and settings.is_address(value):
            return value
        if isinstance(value, str) and "://" in value:
            self.fail("this kind of store is not known; name a file, or postgresql://USER@HOST/DATABASE.", param, ctx)
        return super().convert(value, param, ctx)


class Number(click.FloatRange):
    """A number within a range, with a decimal point or comma; "nan" is refused, which a plain range accepts."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """See click.ParamType."""
        if isinstance(value, str) and value.count(",") == 1 and "." not in value:
            value = value.replace(",", ".")
        number = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value} is not a number that can be used.", param, ctx)
        return number


def settings_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """Adds --settings and --database."""
    function = click.option(
        "--database",
        "--store",
        "database",
        type=Place(path_type=Path, dir_okay=False),
        metavar="FILE|ADDRESS",
        help="Database file in place of the settings', or postgresql://USER@HOST/DATABASE.",
    )(function)
    return click.option(
        "--settings",
        "settings_file",
        type=click.Path(path_type=Path, dir_okay=False),
        help=f"Settings file; else {settings.FILE_NAME} here or in the configuration folder.",
    )(function)


def chosen_settings(settings_file: Path | None, database: Path | str | None) -> Settings:
    """The settings a command works with.

    Raises:
        BadInput: see settings.load.
    """
    found = settings.load(settings_file or settings.find())
    if database is None:
        return found
    return msgspec.structs.replace(found, database=database if isinstance(database, str) else str(database.absolute()))


def database_to_write(chosen: Settings) -> Path | str:
    """Where to write: the address of a server, or a file whose folder exists now.

    Raises:
        StoreError: the folder cannot be made.
    """
    path = chosen.database_path
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(f"{path.parent}: cannot be made, or is not a folder ({error.strerror})") from error
    return chosen.store


def open_reader(chosen: Settings) -> Reader:
    """The database, for reading only.

    Raises:
        BadInput: the database does not exist yet.
        StoreError: it cannot be read.
    """
    if isinstance(chosen.store, Path) and not chosen.store.exists():
        raise BadInput(
            chosen.store, "", "no such database; type --database FILE to name another, or make it: groundbox log"
        )
    return Reader(chosen.store)


def known_box(chosen: Settings, box: str) -> str:
    """`box`, if the settings or the database have it.

    Raises:
        BadInput: neither has it; the error names the known boxes.
    """
    names = set(chosen.boxes)
    if isinstance(chosen.store, str) or chosen.store.exists():
        with Reader(chosen.store) as reader:
            names |= set(reader.boxes())
    if box not in names:
        near = difflib.get_close_matches(box, names, n=1, cutoff=0.5)
        proposal = f"did you mean {near[0]}?" if near else f"known boxes: {', '.join(sorted(names)) or 'none yet'}"
        raise BadInput("box", box, f"no such box; {proposal}")
    return box


def note_unused(log: str) -> None:
    """Lists on standard error the columns of a log that are not used."""
    from groundbox.battery.logs import OPTIONAL, unused_columns  # needs NumPy, which other commands do without

    if unused := unused_columns(log):
        read = ", ".join(("t_s", "volts", *OPTIONAL))
        click.echo(f"groundbox: {log}: line 1: not read: {', '.join(unused)} (read are {read})", err=True)


def keys_option(kind: str, shape: type[msgspec.Struct]) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Adds --keys, which prints the keys of a `kind` file and ends."""

    def show(context: click.Context, _: click.Parameter, wanted: bool) -> None:
        if not wanted:
            return
        rows = documented(shape)
        width = max(len(key) for key, _ in rows)
        click.echo("\n".join(f"{key:<{width}}  {wants}" for key, wants in rows))
        context.exit()

    words = f"Print every key of a {kind} file ([] is a list of tables, [[...]] in TOML), and end."
    return click.option("--keys", is_flag=True, is_eager=True, expose_value=False, callback=show, help=words)

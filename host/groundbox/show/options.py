"""What several commands share: the settings file, the database, the name of a box."""

import difflib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import msgspec

from groundbox import settings
from groundbox.errors import BadInput, StoreError
from groundbox.settings import Settings
from groundbox.store import Reader


def settings_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """Adds --settings and --database."""
    function = click.option(
        "--database", type=click.Path(path_type=Path, dir_okay=False), help="Database file in place of the settings'."
    )(function)
    return click.option(
        "--settings",
        "settings_file",
        type=click.Path(path_type=Path, dir_okay=False),
        help=f"Settings file; else {settings.FILE_NAME} here or in the configuration folder.",
    )(function)


def chosen_settings(settings_file: Path | None, database: Path | None) -> Settings:
    """The settings a command works with.

    Raises:
        BadInput: see settings.load.
    """
    found = settings.load(settings_file or settings.find())
    return found if database is None else msgspec.structs.replace(found, database=str(database.absolute()))


def database_to_write(chosen: Settings) -> Path:
    """The database file, in a folder that is there now.

    Raises:
        StoreError: the folder cannot be made.
    """
    path = chosen.database_path
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(f"{path.parent}: cannot be made or is no folder ({error.strerror})") from error
    return path


def open_reader(chosen: Settings) -> Reader:
    """The database, to look at.

    Raises:
        BadInput: there is none yet.
        StoreError: it cannot be read.
    """
    path = chosen.database_path
    if not path.exists():
        raise BadInput(path, "", "no such database; `groundbox log` makes it")
    return Reader(path)


def known_box(chosen: Settings, box: str) -> str:
    """`box`, when the settings or the database know it.

    Raises:
        BadInput: they do not; the mend names those they do.
    """
    names = set(chosen.boxes)
    if chosen.database_path.exists():
        with Reader(chosen.database_path) as reader:
            names |= set(reader.boxes())
    if box not in names:
        near = difflib.get_close_matches(box, names, n=1, cutoff=0.5)
        mend = f"did you mean {near[0]}?" if near else f"known boxes: {', '.join(sorted(names)) or 'none yet'}"
        raise BadInput("box", box, f"no such box; {mend}")
    return box

"""Makes the reference tables of host/README.md and firmware/README.md from the code: `python tests/documents.py`.

A test compares the files with the code.
"""

from pathlib import Path

import click

from groundbox import toml_file
from groundbox.advice.conditions import TABLE
from groundbox.advice.result import SEVERITIES
from groundbox.cli import COMMANDS, commands
from groundbox.settings import SettingsFile
from groundbox.wire import messages
from groundbox.wire.meanings import MEANINGS, OTHER_RELATIONS, meaning_of
from groundbox.wire.meanings import RELATIONS as RELATION_MEANINGS
from groundbox.wire.settings import RELATIONS, SETTINGS, sum_of

ROOT = Path(__file__).parents[1]
WHOLE_TEXT = 1000  # characters: longer than the help of any command


def _table(heads: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    lines = [heads, tuple("---" for _ in heads), *rows]
    return "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |" for line in lines)


def command_table() -> str:
    """Every command and subcommand with its line of help."""
    rows = []
    context = click.Context(commands)
    for name, text in sorted(COMMANDS.items()):
        rows.append((f"`groundbox {name}`", text))
        command = commands.get_command(context, name)
        for sub in sorted(command.list_commands(context)) if isinstance(command, click.Group) else ():
            found = command.get_command(context, sub)
            text = found.get_short_help_str(WHOLE_TEXT) if found else ""
            rows.append((f"`groundbox {name} {sub}`", text.removesuffix(".")))
    return _table(("command", "what it does"), rows)


def settings_table() -> str:
    """Every key of groundbox.toml."""
    return _table(("key", "value"), [(f"`{key}`", wants) for key, wants in toml_file.documented(SettingsFile)])


def warning_table() -> str:
    """Every warning, the highest severity first."""
    rows = sorted(TABLE, key=lambda row: (-SEVERITIES.index(row.severity), row.kind))
    return _table(
        ("warning", "severity", "when", "after"),
        [(row.kind, row.severity, row.meaning, f"{row.delay_s:g} s") for row in rows],
    )


def board_settings_table() -> str:
    """Every setting of the board with its default and compiled range."""
    return _table(
        ("setting", "default", "range", "meaning"),
        [(f"`{name}`", str(value), f"{low} to {high}", MEANINGS[name]) for name, value, low, high in SETTINGS],
    )


def board_relations_table() -> str:
    """Every relation between settings of the board that is checked."""
    rows = [
        (f"{sum_of(one)}", f"{one[0]} to {one[1]}", why) for one, why in zip(RELATIONS, RELATION_MEANINGS, strict=True)
    ]
    return _table(("of these settings", "wanted", "because"), [*rows, *OTHER_RELATIONS])


def wire_table() -> str:
    """Every field of every message."""
    rows = []
    for name, sender, kept, fields in messages.MESSAGES:
        kind = f"**{name}** ({sender}{', kept until stored' if kept else ''})"
        for field, code, low, high in fields:
            if isinstance(code, tuple):
                span = " ".join(code)
            elif code == "s":
                span = f"{low} to {high} characters"
            else:
                span = f"{low} to {high}"
            rows.append((kind, f"`{field}`", span, meaning_of(name, field)))
            kind = ""
    return _table(("message", "field", "values", "meaning"), rows)


TABLES = {
    ROOT / "host" / "README.md": {
        "commands": command_table,
        "settings": settings_table,
        "warnings": warning_table,
    },
    ROOT / "firmware" / "README.md": {
        "board settings": board_settings_table,
        "board relations": board_relations_table,
        "wire": wire_table,
    },
}


def with_tables(file: Path) -> str:
    """The text of a file, each table between its marks made from the code.

    Raises:
        ValueError: a mark is missing.
    """
    text = file.read_text(encoding="utf-8")
    for name, make in TABLES[file].items():
        start, end = f"<!-- table: {name} -->\n", f"<!-- end: {name} -->"
        before, found, rest = text.partition(start)
        _, closed, after = rest.partition(end)
        if not (found and closed):
            raise ValueError(f"{file} lacks {start.strip()} ... {end}")
        text = before + start + make() + "\n" + end + after
    return text


if __name__ == "__main__":
    for path in TABLES:
        path.write_text(with_tables(path), encoding="utf-8")

"""How a database becomes one of this version: named steps, never edited once they are out.

Two sets. The first holds steps written by hand; a database with a step unknown here is from a newer version. The second
gives the tables of a board's messages the columns that the registry has gained; it only ever adds, so an older program
can go on using the database.
"""

import sqlite3

from sqlite_utils import Database, Migrations

from groundbox.store import rollups, schema

_steps = Migrations("groundbox")


@_steps()
def first_tables(db: Database) -> None:
    """The tables of version 0.1."""
    for table in schema.KEYS:
        db.execute(schema.create(table))
    for statement in (*schema.OTHER_TABLES, *schema.INDEXES):
        db.execute(statement)


@_steps()
def roll_ups(db: Database) -> None:
    """Minutes and hours, with what is there already."""
    for table in ("reading_minute", "reading_hour"):
        db.execute(f"CREATE TABLE {table} (box TEXT NOT NULL, start_ms INTEGER NOT NULL) STRICT")


@_steps()
def roll_up_counts(db: Database) -> None:
    """How many readings each mean is of, so that sums can be merged; all of it worked out anew."""
    for table, _ in rollups.LEVELS:
        db.execute(f"DROP TABLE {table}")
        db.execute(f"{rollups.create(table)} STRICT, WITHOUT ROWID")
    spans = db.execute("SELECT box, min(wall_ms), max(wall_ms) FROM reading WHERE wall_ms IS NOT NULL GROUP BY box")
    for box, low_ms, high_ms in spans.fetchall():
        rollups.fill(db.execute, "max", box, low_ms, high_ms)


@_steps()
def summaries(db: Database) -> None:
    """What boards kept in flash in place of readings they lost."""
    if "summary" not in db.table_names():  # a new database has it from the first step
        db.execute(schema.create("summary"))


@_steps()
def board_settings(db: Database) -> None:
    """What boards have told of their own settings."""
    db.execute(schema.BOARD_SETTING)


@_steps()
def summary_by_wall(db: Database) -> None:
    """Summaries are looked for by their time."""
    db.execute(schema.SUMMARY_BY_WALL)


def migrate(connection: sqlite3.Connection, missing: list[tuple[str, str, str]]) -> None:
    """Brings the database of `connection` up to this version.

    Args:
        missing: (table, column, type) of what the registry has gained since the tables were made.
    """
    db = Database(connection, recursive_triggers=False, execute_plugins=False)
    _steps.apply(db)
    _registry_columns(missing).apply(db)


def _registry_columns(missing: list[tuple[str, str, str]]) -> Migrations:
    """One step for each column the registry has gained."""
    added = Migrations("groundbox registry")
    for table, name, kind in missing:

        @added(name=f"{table}.{name}")
        def add(db: Database, table: str = table, name: str = name, kind: str = kind) -> None:
            db.execute(f"ALTER TABLE {table} ADD COLUMN {name} {kind}")

    return added

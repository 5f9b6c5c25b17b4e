"""Looks into an session's database while another program writes it."""

import sqlite3
from pathlib import Path
from typing import Any


def rows(database: Path, query: str) -> list[tuple[Any, ...]]:
    """What the query finds; nothing while the database or its tables are not made yet."""
    if not database.exists():
        return []
    connection = sqlite3.connect(database)
    try:
        return connection.execute(query).fetchall()
    except sqlite3.OperationalError:  # not made yet
        return []
    finally:
        connection.close()

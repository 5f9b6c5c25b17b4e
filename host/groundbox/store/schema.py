"""Tables and columns: those of a board's messages come from the registry. Pure.

Times are whole milliseconds, `wall_ms` since 1970 UTC. `run` numbers the times a program opened the store to write.

`boot` in the tables is the board's own number plus REPEAT times how often the box's numbering has begun anew (a board
installed again counts its starts from one): so the key stays unique and the order of measuring is kept.
"""

from groundbox.wire.messages import fields_of

REPEAT = 1 << 30  # above every boot number of the registry

KEYS = {
    "reading": ("box", "boot", "sequence"),
    "event": ("box", "boot", "sequence"),
    "summary": ("box", "boot", "sequence"),
    "hello": ("box", "boot", "uptime_ms"),
    "health": ("box", "boot", "sequence"),
}
WALL = (("wall_ms", "INTEGER"), ("wall_uncertainty_ms", "INTEGER"), ("wall_source", "TEXT"), ("run", "INTEGER"))

STEPS = (
    "first_tables",
    "roll_ups",
    "roll_up_counts",
    "summaries",
    "board_settings",
    "summary_by_wall",
)  # names of the steps in migrations.py

OTHER_TABLES = (
    "CREATE TABLE run (run INTEGER PRIMARY KEY, program TEXT NOT NULL, sqlite TEXT NOT NULL) STRICT",
    "CREATE TABLE mark (id TEXT PRIMARY KEY, box TEXT NOT NULL, kind TEXT NOT NULL, name TEXT,"
    " wall_ms INTEGER NOT NULL, run INTEGER NOT NULL) STRICT",
    "CREATE TABLE warning (id INTEGER PRIMARY KEY, box TEXT NOT NULL, warning TEXT NOT NULL, severity TEXT NOT NULL,"
    " change TEXT NOT NULL, sentence TEXT NOT NULL, wall_ms INTEGER NOT NULL, run INTEGER NOT NULL) STRICT",
    "CREATE TABLE battery (name TEXT PRIMARY KEY, profile TEXT) STRICT",
    "CREATE TABLE fitted (id INTEGER PRIMARY KEY, box TEXT NOT NULL, battery TEXT NOT NULL,"
    " wall_ms INTEGER NOT NULL, run INTEGER NOT NULL) STRICT",
    "CREATE TABLE estimator_state (box TEXT, battery TEXT, wall_ms INTEGER NOT NULL, boot INTEGER, sequence INTEGER,"
    " state TEXT NOT NULL, PRIMARY KEY (box, battery)) STRICT",
    "CREATE TABLE link_count (id INTEGER PRIMARY KEY, source TEXT NOT NULL, box TEXT, corrupt_lines INTEGER NOT NULL,"
    " gap_records INTEGER NOT NULL, lost_records INTEGER NOT NULL, wall_ms INTEGER NOT NULL, run INTEGER NOT NULL)"
    " STRICT",
    "CREATE TABLE console (id INTEGER PRIMARY KEY, source TEXT NOT NULL, box TEXT, text TEXT NOT NULL,"
    " wall_ms INTEGER NOT NULL, run INTEGER NOT NULL) STRICT",
)
BOARD_SETTING = (  # every change, so that an earlier session has the values of its own day
    "CREATE TABLE board_setting (id INTEGER PRIMARY KEY, box TEXT NOT NULL, name TEXT NOT NULL, value INTEGER,"
    " wall_ms INTEGER NOT NULL, run INTEGER NOT NULL) STRICT"
)
SUMMARY_BY_WALL = "CREATE INDEX summary_by_wall ON summary (box, wall_ms)"
INDEXES = (
    "CREATE INDEX reading_by_wall ON reading (box, wall_ms)",
    "CREATE INDEX event_by_wall ON event (box, wall_ms)",
)


def wire_columns(table: str) -> list[tuple[str, str]]:
    """(name, type) of the columns that a message's fields become, in the registry's order."""
    return [
        (name, "TEXT" if code == "s" or isinstance(code, tuple) else "INTEGER") for name, code, *_ in fields_of(table)
    ]


def columns(table: str) -> list[tuple[str, str]]:
    """(name, type) of all columns of a board's message, in the order in which `insert` and `select` have them."""
    return [*wire_columns(table), *WALL]


def create(table: str) -> str:
    """The statement that creates the table of a board's message."""
    key = KEYS[table]
    parts = [f"{name} {kind}{' NOT NULL' if name in key else ''}" for name, kind in columns(table)]
    return f"CREATE TABLE {table} ({', '.join(parts)}, PRIMARY KEY ({', '.join(key)})) STRICT, WITHOUT ROWID"


def insert(table: str) -> str:
    """The statement that keeps a row unless its key is there; any other conflict is an error, not silence."""
    names = [name for name, _ in columns(table)]
    marks = ", ".join("?" * len(names))
    key = ", ".join(KEYS[table])
    return f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks}) ON CONFLICT ({key}) DO NOTHING"


def select(table: str) -> str:
    """The statement, up to WHERE, that brings rows in the same order."""
    return f"SELECT {', '.join(name for name, _ in columns(table))} FROM {table}"

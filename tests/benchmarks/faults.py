"""Keeps the counts of fault campaigns in faults.md, one section each, when a full count was run."""

from collections.abc import Sequence
from pathlib import Path

FILE = Path(__file__).with_name("faults.md")
HOSTILE = "Hostile input over MQTT and the page"
HEADS = ("fault", "sent", "stored once", "lost", "invented", "besides")
START = """# Faults survived

Counts of the full campaigns (`make endurance`), each section written by its own tests. *Lost*: acknowledged or sent
whole, and not in the store at the end. *Invented*: in the store and never sent. Quick forms run in `make test`.
"""
Row = tuple[object, ...]


def keep(section: str, rows: Sequence[Row]) -> None:
    """Writes a section's rows; those of the same fault replace the old, other sections stay."""
    text = FILE.read_text(encoding="utf-8") if FILE.exists() else START
    head = f"\n## {section}\n\n"
    before, found, rest = text.partition(head)
    old, mark, after = rest.partition("\n## ")
    kept = [tuple(line.strip("| ").split(" | ")) for line in old.splitlines() if line.startswith("| ")][2:]
    lines = {str(row[0]): row for row in [*kept, *rows]}
    table = "".join("| " + " | ".join(map(str, row)) + " |\n" for row in (HEADS, ["---"] * len(HEADS), *lines.values()))
    if not found:
        before = before.rstrip("\n") + "\n"
    FILE.write_text(before + head + table + mark + after, encoding="utf-8")

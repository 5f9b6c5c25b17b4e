"""What was measured, kept: SQLite, one writer, durable before any board is told."""

from groundbox.store.reader import Reader
from groundbox.store.store import Committed, Store, hand_over

__all__ = ["Committed", "Reader", "Store", "hand_over"]

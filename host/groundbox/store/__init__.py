"""What was measured, kept in SQLite or PostgreSQL, durable before any board is told."""

from groundbox.store.address import leave, shown
from groundbox.store.reader import Reader
from groundbox.store.store import Committed, Store, hand_over

__all__ = ["Committed", "Reader", "Store", "hand_over", "leave", "shown"]

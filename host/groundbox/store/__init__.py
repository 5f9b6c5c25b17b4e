"""What was measured, kept: SQLite, one writer, durable before any board is told."""

from groundbox.store.store import Committed, Reader, Store, hand_over

__all__ = ["Committed", "Reader", "Store", "hand_over"]

"""The store: records in SQLite or PostgreSQL, on the disk before any board may drop them."""

from groundbox.store.address import leave, shown
from groundbox.store.reader import Reader
from groundbox.store.store import Committed, Store, hand_over

__all__ = ["Committed", "Reader", "Store", "hand_over", "leave", "shown"]

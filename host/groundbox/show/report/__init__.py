"""The report of an outing: what was measured, estimated again from the store, written as one page."""
